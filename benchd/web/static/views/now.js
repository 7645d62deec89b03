// Now: what a person across the room needs. One panel a machine, shaped like a card: its edge contacts are the stages.
import { alarm, calm } from "../alarm.js";
import { el, harmless, put, say, shape, told, wire } from "../dom.js";
import { ask, clock, KINDS, seconds, send, WORDS } from "../talk.js";
import { makeGauge } from "../gauge.js";
import { Bench, silencer } from "./bench.js";

const OLD_MS = 3000;
const GIVE_UP_MS = 8000;
const MANY = 4;
const CODES = 24;
const LINES = 8;
const TABLE_MS = 5000;
const PAST = { stalled: "was stalled", looped: "was looping" };
/** A time that is said in a sentence: the clock tells minutes by itself. */
const spoken = (s) => `${clock(s)}${s < 100 ? " s" : ""}`;
/** Whether a boot goes on: a stall is over once its boot has an end. */
const goesOn = (boot) => !boot.ended && ["running", "stalled", "looped"].includes(boot.outcome);

/** Show the view: returns at once, the stream fills it. */
export async function show(main, { start }) {
  // More machines, calmer figures: the whole page must stay cheap. An alarm is drawn at once all the same.
  const many = start.machines.length > MANY;
  const heavy = many ? 600 : 250;
  const panels = new Map();
  put(main, el("h1", { class: "unseen" }, "Now"));
  if (!start.machines.length) put(main, el("p", { class: "wait" }, "The settings name no machine yet."));
  main.dataset.machines = start.machines.length > 6 ? "many" : start.machines.length > 1 ? "some" : "one";
  for (const one of start.machines) {
    const panel = new Panel(one.name, heavy);
    panels.set(one.name, panel);
    main.append(panel.node);
  }
  new Stream(heavy / 1000, (picture) => panels.get(picture.machine)?.take(picture), (old) => {
    for (const panel of panels.values()) panel.old = old;
  });
  setInterval(() => {
    for (const panel of panels.values()) panel.tick();
    const bad = [...panels.values()].filter((panel) => panel.node.dataset.alarm === "yes");
    const title = bad.length ? `▌▌ ${bad.map((p) => `${harmless(p.name, 40)} ${WORDS[p.outcome]}`).join(", ")}` : `${harmless(start.bench, 60)}: now`;
    if (document.title !== title) document.title = title;
  }, many ? 300 : 100);
}

/** The event stream: opens again by itself, and says when nothing was heard for a while. */
class Stream {
  constructor(gather, take, tellOld) {
    this.gather = gather;
    this.take = take;
    this.tellOld = tellOld;
    this.heard = performance.now();
    this.old = null;
    this.open();
    setInterval(() => this.watch(), 250);
  }

  open() {
    this.source?.close();
    this.opened = performance.now();
    this.source = new EventSource(`/api/live?gather=${this.gather}&codes=${CODES}&lines=${LINES}`);
    this.source.addEventListener("machine", (event) => {
      this.heard = performance.now();
      this.take(JSON.parse(event.data));
    });
  }

  watch() {
    const now = performance.now();
    const silent = now - this.heard;
    const closed = this.source.readyState === EventSource.CLOSED;
    if ((closed && now - this.opened > 1000) || (silent > GIVE_UP_MS && now - this.opened > GIVE_UP_MS)) {
      this.open();
      if (closed) ask("/api/start").catch(() => {});
    }
    const old = silent > OLD_MS;
    const notice = document.getElementById("notice");
    if (old !== this.old) {
      this.old = old;
      document.body.dataset.old = old ? "yes" : "no";
      notice.hidden = !old;
      put(notice, old ? [el("strong", { id: "old-for" }), " What is shown is older than that. Trying again by itself."] : []);
      this.tellOld(old);
    }
    if (old) {
      const place = document.getElementById("old-for");
      if (place) say(place, `No news from benchd for ${Math.floor(silent / 1000)} s.`);
    }
  }
}

class Panel {
  constructor(name, heavy) {
    this.name = name;
    this.heavy = heavy;
    this.picture = null;
    this.at = 0;
    this.old = false;
    this.outcome = "idle";
    this.asked = -TABLE_MS;
    this.drawn = { boot: undefined, heavy: 0, key: "" };
    this.table = { usual: [], meanings: {}, ladder: [] };
    this.build();
    this.fetchTable();
  }

  build() {
    const id = `m-${Math.random().toString(36).slice(2)}`;
    this.state = el("p", { class: "state" });
    this.facts = el("p", { class: "facts" });
    this.goal = el("div", { class: "goal", hidden: true });
    this.alarmBox = el("div", { class: "alarm-said", role: "alert" });
    this.help = el("div", { class: "alarm-help" });
    this.silencer = silencer((for_s) => this.silence(for_s));
    this.stageName = el("p", { class: "stage-name" });
    this.time = el("span", { class: "number" });
    this.timeFor = el("span", { class: "unit" });
    this.gauge = makeGauge();
    this.contacts = el("ol", { class: "contacts", "aria-label": "Stages" });
    this.code = el("p", { class: "code-big" });
    this.codeMeans = el("p", { class: "code-means" });
    this.codes = el("ol", { class: "codes", "aria-label": "Last codes, newest last" });
    this.lines = el("ol", { class: "lines", "aria-label": "Last console lines" });
    this.links = el("ul", { class: "links", "aria-label": "Links" });
    this.model = el("p", { class: "soft" });
    this.bench = new Bench(this.name);
    this.findings = el("ul", { class: "small-findings", "aria-label": "Findings" });
    this.node = el("section", { class: "board", "aria-labelledby": id, tabindex: "0" },
      el("div", { class: "card" },
      el("div", { class: "board-head" }, el("h2", { id }, wire(this.name, 64)), this.state, this.facts),
      this.goal,
      el("div", { class: "alarm" }, this.alarmBox, this.silencer.node, this.help),
      el("div", { class: "board-main" },
        el("div", { class: "stage" }, this.stageName,
          el("p", { class: "stage-time" }, this.time, this.timeFor), this.gauge.node),
        el("div", { class: "last-code" }, this.code, this.codeMeans)),
      this.contacts),
      this.bench.node,
      el("div", { class: "board-rest" },
        el("div", { class: "rest-codes" }, el("h3", {}, "codes"), this.codes, this.findings),
        el("div", { class: "rest-lines" }, el("h3", {}, "console"), this.lines),
        el("div", { class: "rest-links" }, el("h3", {}, "links"), this.links, this.model)));
  }

  /** Ask for usual times and meanings again, but not oftener than `TABLE_MS`: a looping machine boots often. */
  async fetchTable() {
    const now = performance.now();
    if (now - this.asked < TABLE_MS) return;
    this.asked = now;
    try {
      this.table = await ask(`/api/machines/${encodeURIComponent(this.name)}/table`);
      this.usual = Object.fromEntries(this.table.usual.map((one) => [one.stage, one]));
      const model = this.table.model;
      put(this.model, model ? ["model ", wire(model, 64), ": ", el("a", { href: `/model/${encodeURIComponent(model)}` }, "at which code its boots stand")] : null);
      this.drawn.key = "";
      if (this.picture) this.draw();
    } catch { /* asked again with the next boot */ }
  }

  take(picture) {
    const before = this.picture;
    this.picture = picture;
    this.at = performance.now();
    const boot = picture.boot;
    if (boot?.id !== before?.boot?.id || (boot?.outcome !== before?.boot?.outcome && boot?.outcome === "finished")) this.fetchTable();
    this.bench.show(picture);
    const goal = picture.goal;
    const urgent = `${picture.standing?.rule} ${picture.standing?.t} ${picture.silent_for_s === null} ${picture.trial} ${goal?.ok} ${goal?.why} ${goal?.entered}`;
    const key = `${boot?.id} ${boot?.outcome} ${picture.stage} ${boot?.findings.length} ${boot?.stages.length} ${urgent}`;
    if (urgent !== this.drawn.urgent || this.at - this.drawn.heavy >= this.heavy) {
      this.drawn.urgent = urgent;
      this.draw(key);
    } else if (key !== this.drawn.key && !this.later) {
      this.later = setTimeout(() => this.draw(this.latest), this.heavy - (this.at - this.drawn.heavy));
    }
    this.latest = key;
  }

  /** How far a figure has grown since it was sent; nothing grows while what is shown is old. */
  since(s) {
    if (s === null || s === undefined) return null;
    return this.old ? s : s + (performance.now() - this.at) / 1000;
  }

  draw(key = "") {
    clearTimeout(this.later);
    this.later = 0;
    const p = this.picture;
    if (key !== this.drawn.key || !key) {
      this.drawn.key = key;
      this.drawState(p);
      this.drawGoal(p);
      this.drawContacts(p);
      this.drawFindings(p);
    }
    this.drawn.heavy = performance.now();
    this.drawCodes(p);
    this.drawLines(p);
    this.drawLinks(p);
    this.tick();
  }

  drawState(p) {
    const boot = p.boot;
    this.outcome = boot?.outcome ?? "idle";
    const past = boot?.ended ? PAST[this.outcome] : undefined;
    this.node.dataset.state = past ? "cut-short" : this.outcome;
    put(this.state, shape(this.node.dataset.state), " ", el("span", {}, past ?? WORDS[this.outcome]));
    put(this.facts, boot ? [el("a", { href: `/boot/${encodeURIComponent(boot.id)}` }, p.remembered ? "the last boot" : "this boot"), " ", this.ago ??= el("span", {})] : "switch the machine on");
    const bad = p.standing;
    const word = bad && (bad.kind === "loop" ? WORDS.looped : WORDS.stalled);
    this.node.dataset.alarm = bad ? "yes" : "no";
    put(this.alarmBox);
    put(this.help);
    if (bad) {
      const s = p.standing;
      this.quiet = el("span", { class: "number" });
      put(this.alarmBox,
        el("p", { class: "alarm-word" }, shape(bad.kind === "loop" ? "looped" : "stalled"), el("span", {}, word)),
        el("p", { class: "alarm-where" }, s.stage ? ["in ", el("strong", {}, wire(s.stage, 40)), " "] : null,
          s.code ? ["at code ", el("strong", {}, wire(s.code, 4)), " "] : null, "quiet for ", this.quiet));
      put(this.help,
        el("p", {}, told(s.means ?? s.detail ?? s.rule, 500, this.name)),
        s.try?.length ? el("ol", {}, s.try.slice(0, 4).map((step) => el("li", {}, told(step, 240, this.name)))) : null,
        s.caution ? el("p", { class: "caution" }, el("strong", {}, "Caution: "), told(s.caution, 300, this.name)) : null);
    }
    const silent = p.silent_for_s !== null;
    this.node.dataset.silent = silent ? "yes" : "no";
    this.silencer.node.hidden = !bad;
    if (bad && !silent) {
      const s = p.standing;
      alarm(this.name, `${harmless(this.name, 40)}: ${word}${s.stage ? ` in ${harmless(s.stage, 40)}` : ""}`);
    } else calm(this.name);
    const name = p.stage ?? (boot ? "begun" : "waiting for a boot");
    put(this.stageName, wire(name, 40));
  }

  /** The goal of the running trial comes first: a boot that finished without it is no success. */
  drawGoal(p) {
    const goal = p.goal;
    const is = !goal ? "none" : goal.ok === null ? "open" : goal.ok ? "reached" : "missed";
    this.node.dataset.goal = is;
    this.goal.hidden = !goal;
    if (!goal) return;
    const word = goal.entered ?? { open: "goal", reached: "REACHED", missed: "NOT REACHED" }[is];
    this.node.dataset.entered = goal.entered ? "yes" : "no";
    put(this.goal,
      el("p", { class: "goal-word" }, shape({ open: "idle", reached: "finished", missed: "link-lost" }[is]),
        el("span", {}, `${word}:`), " ", el("strong", {}, wire(goal.short, 60))),
      goal.why ? el("p", { class: "goal-why" }, told(goal.why, 160)) : null);
  }

  async silence(for_s) {
    const s = this.picture?.standing;
    if (!s) return;
    try {
      await send(`/api/machines/${encodeURIComponent(this.name)}/silence`, { kind: s.kind, rule: s.rule, for_s });
    } catch (error) {
      put(this.bench.said, el("span", { class: "wrong" }, told(error.message, 300)));
    }
  }

  drawContacts(p) {
    const boot = p.boot;
    const stages = boot?.stages ?? [];
    const place = new Map(stages.map((s, n) => [s.name, n]));
    const skipped = new Set((boot?.findings ?? []).filter((f) => f.kind === "skipped").map((f) => f.stage));
    const over = boot && !goesOn(boot);
    const ladder = p.ladder.length ? p.ladder : stages.map((s) => s.name);
    this.contacts.dataset.many = ladder.length > 16 ? "yes" : "no";
    put(this.contacts, ladder.map((name) => {
      const n = place.get(name);
      const reached = n !== undefined;
      const here = reached && name === p.stage && !over;
      const kind = here ? "here" : reached ? "done" : skipped.has(name) || (over && boot.outcome === "finished") ? "missed" : "ahead";
      const took = reached && n + 1 < stages.length ? stages[n + 1].t - stages[n].t : null;
      const usual = this.usual?.[name];
      const odd = took !== null && usual?.n >= 3 && (took > usual.high * 1.25 ? "longer than usual" : took < usual.low * 0.75 ? "shorter than usual" : "");
      const words = { here: "here now", done: took === null ? "reached" : `took ${seconds(took)}`, missed: "not reached", ahead: "" }[kind];
      return el("li", { class: `contact ${kind}`, "data-odd": odd || null, title: `${harmless(name, 60)}${words ? `: ${words}` : ""}${odd ? `, ${odd}` : ""}` },
        el("span", { class: "contact-name" }, wire(name, 40)),
        el("span", { class: "contact-note" }, kind === "done" && took !== null ? [el("span", { class: "unseen" }, "took "), seconds(took)] : words, odd ? ` ${odd.startsWith("longer") ? "▲" : "▼"}` : ""),
        odd ? el("span", { class: "unseen" }, ` ${odd}`) : null);
    }));
  }

  drawFindings(p) {
    const list = (p.boot?.findings ?? []).filter((f) => f !== p.standing && !(f.kind === "stall" && f.cleared_t === null)).slice(-4);
    put(this.findings, list.map((f) => el("li", {}, `${KINDS[f.kind]}: `, wire(f.stage ?? f.code ?? f.rule, 40),
      f.cleared_t !== null ? ` (over after ${seconds(f.cleared_t - f.t)})` : "")));
  }

  drawCodes(p) {
    const last = p.codes.at(-1) ?? (p.remembered && p.boot?.last_code ? { code: p.boot.last_code, known: true } : undefined);
    say(this.code, last ? harmless(last.code, 4) : "––");
    say(this.codeMeans, last ? harmless(this.table.meanings[last.code] ?? (last.known ? "" : "not in the table"), 120) : "no code yet");
    const key = p.codes.map((c) => c.code).join(" ") + p.codes.at(-1)?.t;
    if (key === this.drawn.codes) return;
    this.drawn.codes = key;
    put(this.codes, p.codes.slice(-16).map((c) => el("li", { class: c.known ? null : "unknown" }, harmless(c.code, 4), c.known ? null : el("span", { class: "mark", title: "not in the table" }, "?"))));
  }

  drawLines(p) {
    const shown = p.lines.slice(-LINES);
    while (this.lines.children.length > shown.length) this.lines.firstChild.remove();
    while (this.lines.children.length < shown.length) this.lines.append(el("li", {}, el("bdi", { class: "wire", dir: "ltr" })));
    shown.forEach((line, n) => say(this.lines.children[n].firstChild, harmless(line.text, 160) || " "));
  }

  drawLinks(p) {
    const losses = Object.entries(p.losses);
    const key = JSON.stringify([p.links, losses]);
    if (key === this.drawn.links) return;
    this.drawn.links = key;
    put(this.links, Object.entries(p.links).map(([name, link]) =>
      el("li", { class: link.up ? "up" : "down" }, shape(link.up ? "up" : "down"), el("strong", {}, wire(name, 32)), link.up ? " up" : " DOWN",
        el("span", { class: "soft" }, " ", wire(link.reason, 120)))),
      losses.map(([why, n]) => el("li", { class: "down" }, shape("cut-short"), `${n.toLocaleString()} lost: `, wire(why, 60))));
  }

  tick() {
    const p = this.picture;
    if (!p) return;
    const over = p.boot && !goesOn(p.boot);
    const inStage = this.since(p.stage_for_s ?? p.boot_for_s);
    const was = this.old ? "was " : "";
    if (!p.boot) {
      say(this.time, "");
      say(this.timeFor, "");
    } else if (over) {
      say(this.time, clock(p.boot.duration_s));
      say(this.timeFor, "s for the whole boot");
    } else {
      say(this.time, clock(inStage ?? 0));
      say(this.timeFor, `${inStage < 100 ? "s" : ""} ${was}in this stage`);
    }
    if (this.ago) say(this.ago, `${was}started ${spoken(this.since(p.boot_for_s) ?? 0)} ago`);
    if (p.standing) this.silencer.show(p.silent_for_s === null ? null : Math.max(0, p.silent_for_s - (this.old ? 0 : (performance.now() - this.at) / 1000)));
    if (this.quiet && this.node.dataset.alarm === "yes") say(this.quiet, spoken(this.since(p.quiet_for_s) ?? 0));
    const due = p.due ? { due: true, at_s: (p.stage_for_s ?? 0) + p.due_in_s, rule: p.due, kind: p.due_limit_kind } : null;
    this.gauge.show(over || !p.stage ? null : inStage, this.usual?.[p.stage], p.stage, due);
  }
}
