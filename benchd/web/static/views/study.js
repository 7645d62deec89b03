// Study: what was tried, what it says, what to try next; and buttons that a gloved hand can hit.
import { el, put, shape, told, wire, harmless } from "../dom.js";
import { archived, ask, percent, send } from "../talk.js";
import { studyCare } from "./care.js";
import { drawWhy } from "./evidence.js";
import { leftRunning, starter } from "./starting.js";

const POLL_MS = 3000;

export async function show(main, { argument }) {
  const path = `/api/studies/${encodeURIComponent(argument)}`;
  const parts = Object.fromEntries(["question", "run", "next", "why", "trials", "care"].map((name) => [name, el("div", {})]));
  const title = el("div", {});
  const told = el("p", { class: "wrong", role: "alert", hidden: true });
  let page = null;
  let mark = "";

  const fail = (error) => {
    told.hidden = false;
    told.textContent = harmless(error.message, 600);
    told.scrollIntoView({ block: "center" });
  };

  async function load(force = false) {
    page = await ask(path);
    const now_ = (await ask("/api/machines").catch(() => [])).find((one) => one.trial === page.running);
    page.left = now_?.trial_left?.replace(/ `benchd.*/, "") ?? null;
    const now = JSON.stringify([page.trials.map((t) => [t.id, t.ended, t.ok, t.fail, t.not_counted, t.checks, t.differs, t.name, t.boots.map((b) => b.why)]), page.results.map((r) => r.id)]);
    if (now === mark && !force) return;
    mark = now;
    const focused = document.activeElement?.id;
    put(title, el("h1", {}, wire(page.study.name ?? argument, 120)), page.study.document?.question ? el("p", { class: "sentence" }, wire(page.study.document.question, 600)) : null,
      el("p", { class: "meta" }, el("span", {}, "goal ", el("strong", {}, wire(page.study.goal, 160))), page.machine ? el("span", {}, "machine ", el("strong", {}, wire(page.machine, 64))) : null));
    drawRunning(parts.run, page, act);
    drawTrials(parts.trials, page);
    const open = parts.care.querySelector("details")?.open;
    put(parts.care, studyCare(page, act));
    parts.care.firstChild.open = !!open;
    if (focused && document.activeElement?.id !== focused) document.getElementById(focused)?.focus({ preventScroll: true });
    const [why, next] = await Promise.all([ask(`${path}/why`), ask(`${path}/next`).catch((error) => ({ next: [], stop: false, advice: error.message, remarks: [], left_out: [] }))]);
    drawNext(parts.next, page, next, starter(parts.question, act, page.study.name, page.machine));
    drawWhy(parts.why, why);
    main.dataset.weighed = "yes";
  }

  // Not `disabled`: that would take the focus away from whoever works by keyboard.
  let busy = false;
  async function act(work, button) {
    if (busy) return;
    busy = true;
    told.hidden = true;
    button?.setAttribute("aria-disabled", "true");
    try {
      await work();
    } catch (error) {
      fail(error);
      return;
    } finally {
      busy = false;
      button?.removeAttribute("aria-disabled");
    }
    await load(true).catch(fail);
  }

  put(main, title, told, parts.question, el("div", { class: "two" }, el("div", {}, parts.run, parts.next), el("div", {}, parts.why)), parts.trials, parts.care);
  await load();
  setInterval(() => { if (!document.hidden && !main.contains(document.activeElement?.closest("form"))) load().catch(() => {}); }, POLL_MS);
}

/** What was said against results that were entered on this page, by their numbers. */
const warnings = new Map();

/** Checks named on this page that have no result yet. */
const added = new Set();

function drawRunning(box, page, act) {
  const trial = page.trials.find((one) => one.id === page.running);
  if (!trial) {
    put(box, el("section", { class: "part" }, el("h2", {}, "No trial is running"), archived() ? null : el("p", {}, "Boots seen now belong to no trial. Start one below.")));
    return;
  }
  const end = el("button", { type: "button", class: "plain", id: "end" }, "End this trial");
  end.addEventListener("click", () => act(() => send(`/api/trials/${encodeURIComponent(trial.id)}/end`), end));
  const other = el("input", { id: "other-check", type: "text", maxlength: "200", placeholder: "name of another check" });
  const grid = el("div", { class: "glove" });
  const add = (name) => grid.append(glove(name, trial, page, act, grid.children.length));
  [...new Set([...page.checks, ...added])].forEach(add);
  const more = el("button", { type: "button", class: "plain" }, "Add the check");
  more.addEventListener("click", () => {
    const name = other.value.trim();
    if (!name) return;
    other.value = "";
    if (!added.has(name) && !page.checks.includes(name)) {
      added.add(name);
      add(name);
    }
    grid.lastChild.querySelector("button").focus();
  });
  put(box, el("section", { class: "part" },
    el("div", { class: "title-line" }, el("h2", {}, "Trial ", wire(trial.id, 20), " is running"), dots(trial), el("span", { class: "soft" }, tally(trial), unseen(trial)), archived() ? null : end),
    page.left ? leftRunning(page.left, trial.id, act) : null,
    el("dl", { class: "setup" }, Object.entries(trial.setup).map(([factor, level]) => {
      const change = trial.changes.find((one) => one.factor === factor);
      return el("div", { class: change ? "changed" : null }, el("dt", {}, wire(factor, 40)), el("dd", {}, wire(level, 60), change ? el("em", {}, " was ", wire(change.from, 60)) : null));
    })),
    trial.differs.map((one) => el("p", { class: "caution" }, el("strong", {}, "Not as said. "), told(one.means, 300), ` Measured in boot ${harmless(one.boot, 60)}.`)),
    trial.note ? el("p", { class: "soft" }, wire(trial.note, 1000)) : null,
    archived() ? null : [el("h3", { class: "glove-head" }, "What did you see? It is entered for the newest boot of this trial."), grid,
    el("form", { class: "actions", onsubmit: (event) => { event.preventDefault(); more.click(); } }, el("label", { for: "other-check", class: "unseen" }, "Another check"), other, more)]));
}

function glove(name, trial, page, act, n) {
  const shown = name === "goal" ? `the goal: ${page.study.goal}` : name;
  const last = page.results.filter((one) => one.trial === trial.id && one.check === name).at(-1);
  const enter = (passed) => (event) => act(async () => {
    const got = await send("/api/results", { check: name, passed, trial: trial.id, new: added.has(name) });
    warnings.set(got.id, got.warning);
  }, event.currentTarget);
  const said = el("p", { class: "said", role: "status" });
  const newest = trial.boots.filter((one) => one.boot && !one.why.startsWith("an earlier pass")).at(-1);
  const unsure = (event) => act(async () => {
    if (!newest) throw new Error("This trial has no boot yet: there is nothing to leave out.");
    await send(`/api/boots/${encodeURIComponent(newest.boot)}/leave-out`, { reason: "unsure, as seen at the bench" });
  }, event.currentTarget);
  if (last) {
    const back = el("button", { type: "button", class: "quiet-button" }, "take it back");
    back.addEventListener("click", () => act(() => send(`/api/results/${last.id}`, {}, "DELETE"), back));
    const warning = warnings.get(last.id);
    put(said, warning ? el("span", { class: "caution" }, el("strong", {}, "Warning: "), wire(warning, 300)) : null, `last entered, #${last.id}: ${last.passed ? "passed" : "failed"} `, last.boot ? ["for ", el("a", { href: `/boot/${encodeURIComponent(last.boot)}` }, "a boot"), " "] : "for the trial ", back);
  } else said.textContent = "nothing entered by hand yet";
  return el("fieldset", {}, el("legend", {}, wire(shown, 120)),
    el("button", { type: "button", class: "pass", id: `pass${n}`, onclick: enter(true) }, shape("finished"), "passed"),
    el("button", { type: "button", class: "fail", id: `fail${n}`, onclick: enter(false) }, shape("link-lost"), "failed"),
    name === "goal" ? el("button", { type: "button", class: "unsure", onclick: unsure }, shape("idle"), "unsure") : null, said);
}

const tally = (trial) => `${trial.ok} ok, ${trial.fail} failed${trial.not_counted ? `, ${trial.not_counted} not counted` : ""}`;

/** Boots that were not well watched, the newest three, each with its reason. */
const unseen = (trial) => trial.boots.filter((one) => one.ok === null && one.why.startsWith("not counted")).slice(-3).map((one) => [" · ", wire(one.why, 160)]);

function dots(trial) {
  return el("span", { class: "dots", role: "img", "aria-label": tally(trial) }, trial.boots.slice(-24).map((one) =>
    el("span", { class: one.ok === null ? "none" : one.ok ? "good" : "bad", title: harmless(one.why, 200) }, shape(one.ok === null ? "idle" : one.ok ? "finished" : "link-lost"))));
}

function drawNext(box, page, next, start) {
  put(box, el("section", { class: "part" }, el("h2", {}, next.stop ? "Cause found" : "Next"),
    el("p", { class: "verdict" }, wire(next.advice, 600)),
    next.stop ? null : next.next.map((one, n) => step(one, n, start, n && one.caution === next.next[0].caution)),
    next.left_out.concat(next.remarks).map((text) => el("p", { class: "soft" }, wire(text, 300))),
    archived() ? null : own(page, start)));
}

function step(one, n, start, again) {
  const go = el("button", { type: "button", class: n ? "plain" : "big" }, "Start this trial");
  go.addEventListener("click", () => start({ changes: Object.fromEntries(one.changes.map((c) => [c.factor, c.to])), reseated: one.reseat, rested_s: one.rest_s }, go));
  const lead = (what) => what.leads?.[0] && el("li", {}, `If it ${what === one.if_ok ? "works" : "fails"} (${percent(what.chance)}), the likeliest cause is then: `, wire(what.leads[0].text.replace(/^it fails when /, ""), 200));
  return el("article", { class: `next-step${n ? " lesser" : ""}` },
    el("h3", {}, n ? `or, choice ${n + 1}` : "Best next trial"),
    one.why && (one.kind !== "separate" || one.reseat || one.rest_s !== null) ? el("p", {}, wire(one.why, 400)) : null,
    el("ol", {}, one.steps.map((text) => el("li", {}, wire(text, 300)))),
    el("p", { class: "figures" }, el("span", {}, el("strong", {}, `${+one.minutes.toFixed(1)} min`), " of work"), el("span", {}, el("strong", {}, `${one.gain_bits.toFixed(2)} bits`), " expected"), one.repeat ? el("span", {}, "a repeat") : null),
    one.caution ? el("p", { class: "caution" }, el("strong", {}, "Caution: "), again ? "power off and unplug first, as above." : wire(one.caution, 300)) : null,
    n ? null : el("ul", {}, lead(one.if_ok), lead(one.if_fail)), archived() ? null : go);
}

/** Another trial than those proposed: only what is chosen differently from now changes. */
function own(page, start) {
  const selects = page.factors.map((factor, n) => {
    const select = el("select", { id: `level${n}` }, factor.levels.map((level) => el("option", { value: level }, harmless(level, 60))));
    select.value = page.current[factor.name];
    return [factor, select];
  });
  const said = el("div", { role: "status" });
  const reseated = el("input", { id: "reseated", type: "checkbox" });
  const rested = el("input", { id: "rested", type: "number", min: "0", max: "10000", step: "any", placeholder: "not said" });
  const before = () => ({ changes: changes(), reseated: reseated.checked, rested_s: rested.value === "" ? null : 60 * Number(rested.value) });
  const changes = () => Object.fromEntries(selects.filter(([factor, select]) => select.value !== page.current[factor.name]).map(([factor, select]) => [factor.name, select.value]));
  const go = el("button", { type: "submit", class: "plain" }, "Start it");
  let asked = 0;
  const plan = async () => {
    const mine = ++asked; // an answer to what stood there before may come after the one to what stands there now
    try {
      const answer = await send("/api/trials", { study: page.study.name, machine: page.machine, ...before(), plan_only: true });
      if (mine === asked) put(said, answer.remarks.map((text) => el("p", { class: text.startsWith("CAUTION") ? "caution" : "soft" }, wire(text, 400))), answer.excluded ? el("p", { class: "wrong" }, "The study excludes this: ", wire(answer.excluded, 300)) : null);
    } catch (error) {
      if (mine === asked) put(said, el("p", { class: "wrong" }, harmless(error.message, 300)));
    }
  };
  for (const one of [...selects.map(([, select]) => select), reseated, rested]) one.addEventListener("change", plan);
  return el("details", { class: "own" }, el("summary", {}, "Another trial of your own"),
    el("form", { onsubmit: (event) => { event.preventDefault(); start(before(), go); } },
      el("div", { class: "pickers" }, selects.map(([factor, select]) => el("label", { for: select.id }, wire(factor.name, 60), factor.hardware ? " (opens the machine)" : "", select)),
        el("label", { for: "rested" }, "minutes without power before it", rested)),
      el("label", { for: "reseated", class: "told-before" }, reseated, " the cover was off: what is plugged was taken out and put back"), said, go));
}

function drawTrials(box, page) {
  const factors = page.factors.filter((factor) => factor.levels.length > 1 || page.trials.some((t) => t.setup[factor.name] !== factor.levels[0]));
  put(box, el("section", { class: "part" }, el("h2", {}, "Trials"),
    page.trials.length ? el("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": "Trials" }, el("table", { class: "stacked trials" },
      el("thead", {}, el("tr", {}, el("th", { scope: "col" }, "trial"), factors.map((f) => el("th", { scope: "col" }, wire(f.name, 40))), el("th", { scope: "col" }, "boots"), el("th", { scope: "col" }, "checks"), el("th", { scope: "col" }, ""))),
      el("tbody", {}, [...page.trials].reverse().map((trial, n, all) => el("tr", { class: trial.id === page.running ? "now-row" : null },
        el("th", { scope: "row" }, el("a", { href: `/boots?trial=${encodeURIComponent(trial.id)}` }, wire(trial.id, 20)), trial.name ? el("div", { class: "soft" }, wire(trial.name, 60)) : null, trial.id === page.running ? " running" : null),
        factors.map((f) => {
          const moved = trial.changes.some((c) => c.factor === f.name);
          return el("td", { class: moved ? "moved" : null, "data-name": harmless(f.name, 40) }, wire(trial.setup[f.name], 60), moved ? el("span", { class: "unseen" }, " (changed)") : null,
            trial.differs.filter((one) => one.factor === f.name).map((one) => el("div", { class: "tag not" }, "✕ measured: ", one.level === null ? "none of these" : wire(one.level, 60))));
        }),
        el("td", { class: "wide" }, dots(trial), el("span", { class: "soft" }, tally(trial), unseen(trial)), trial.repeats ? el("span", { class: "soft" }, ", repeats ", wire(trial.repeats, 20)) : null,
          trial.reseated ? el("span", { class: "soft" }, ", reseated") : null,
          trial.rested_s === null ? null : el("span", { class: "soft" }, `, rested ${+(trial.rested_s / 60).toFixed(1)} min`)),
        el("td", { class: "wide" }, Object.entries(trial.checks).slice(0, 6).map(([name, c]) => el("div", {}, wire(name, 60), ` ${c.passed}/${c.done}`))),
        el("td", { class: "wide" }, all[n + 1] && trial.boots.length && all[n + 1].boots.length ? el("a", { href: `/compare?of=${encodeURIComponent(all[n + 1].id)}&of=${encodeURIComponent(trial.id)}` }, "compare with the one before") : null)))))) : el("p", { class: "soft" }, "None yet."),
    el("p", { class: "soft" }, "A copper edge marks what changed since the trial before.")));
}

