// Boots: the list, newest first, with a small picture of each and a tray to carry some into a comparison.
import { el, put, shape, wire } from "../dom.js";
import { ask, seconds, when, WORDS } from "../talk.js";
import { sayVerdict, verdictsOf } from "./verdicts.js";

const counted = (number) => `${number} ${number === 1 ? "boot" : "boots"}`;

const FIRST = 60;
const MOST = 1000;
const CHUNK = 100;
const COMPARED = 6;

export async function show(main, { start }) {
  const asked = new URLSearchParams(location.search);
  const picked = new Set();
  const list = el("ol", { class: "boot-list", "aria-label": "Boots, newest first" });
  const count = el("p", { class: "soft", role: "status" });
  const go = el("button", { class: "big", type: "button", disabled: true }, "Compare");
  const told = el("span", {}, "Tick two to six boots to compare them.");
  const machine = choice("machine", "machine", ["", ...start.machines.map((m) => m.name)], asked.get("machine") ?? "", load);
  const outcome = choice("outcome", "how it went", ["", "finished", "stalled", "looped", "cut-short", "link-lost", "recorded", "running"], asked.get("outcome") ?? "", load);
  let run = 0;
  let longest = 1;
  const judge = async (boots) => {
    const verdicts = await verdictsOf(boots);
    for (const boot of boots) {
      const node = verdicts.has(boot.id) ? document.getElementById(`is-${boot.id}`) : null;
      if (node) sayVerdict(node, boot, verdicts.get(boot.id));
    }
  };

  function pick(id, on) {
    if (on) picked.add(id);
    else picked.delete(id);
    go.disabled = picked.size < 2 || picked.size > COMPARED;
    told.textContent = picked.size ? `${picked.size} ticked${picked.size > COMPARED ? `; at most ${COMPARED} can be compared` : ""}` : "Tick two to six boots to compare them.";
  }
  go.addEventListener("click", () => {
    const query = [...picked].map((id) => `of=${encodeURIComponent(id)}`).join("&");
    location.assign(`/compare?${query}`);
  });

  async function load() {
    const mine = ++run;
    const query = new URLSearchParams();
    if (machine.select.value) query.set("machine", machine.select.value);
    if (outcome.select.value) query.set("outcome", outcome.select.value);
    if (asked.get("trial")) query.set("trial", asked.get("trial"));
    history.replaceState(null, "", `/boots${query.size ? `?${query}` : ""}`);
    const first = await ask(`/api/boots?${new URLSearchParams([...query, ["limit", FIRST]])}`);
    if (mine !== run) return;
    longest = Math.max(1, ...first.map((boot) => boot.duration_s));
    put(list, first.map((boot) => row(boot, picked, pick, longest)));
    performance.mark("rows");
    judge(first).catch(() => {});
    count.textContent = first.length ? counted(first.length) : [...query.keys()].length ? "No boot matches." : "No boot is stored yet: power a machine on.";
    if (first.length < FIRST) return;
    const all = await ask(`/api/boots?${new URLSearchParams([...query, ["limit", MOST]])}`);
    const known = new Set(first.map((boot) => boot.id));
    const rest = all.filter((boot) => !known.has(boot.id));
    count.textContent = all.length < MOST ? counted(all.length) : `the newest ${all.length} boots`;
    for (let at = 0; at < rest.length && mine === run; at += CHUNK) {
      await new Promise((next) => requestAnimationFrame(next));
      list.append(...rest.slice(at, at + CHUNK).map((boot) => row(boot, picked, pick, longest)));
    }
    judge(rest).catch(() => {});
    list.dataset.whole = "yes";
  }

  put(main, el("h1", {}, asked.get("trial") ? ["Boots of trial ", wire(asked.get("trial"), 20)] : "Boots"),
    el("div", { class: "filters" }, machine.node, outcome.node, count), list,
    el("div", { class: "tray" }, go, told));
  await load();
}

function choice(id, label, values, value, changed) {
  const select = el("select", { id: `pick-${id}` }, values.map((v) => el("option", { value: v }, v ? WORDS[v] ?? v : "all")));
  select.value = value;
  select.addEventListener("change", changed);
  return { select, node: el("label", { for: `pick-${id}` }, label, select) };
}

function row(boot, picked, pick, longest) {
  const box = el("input", { type: "checkbox", "aria-label": `compare ${boot.id}`, checked: picked.has(boot.id) });
  box.addEventListener("change", () => pick(boot.id, box.checked));
  const spans = boot.stages.map((stage, n) => Math.max(0, (boot.stages[n + 1]?.t ?? boot.duration_s) - stage.t));
  return el("li", { class: "boot-row" },
    el("label", { class: "pick" }, box),
    el("span", { class: "outcome", id: `is-${boot.id}`, "data-is": boot.outcome }, shape(boot.outcome), WORDS[boot.outcome]),
    el("span", { class: "who" }, el("a", { href: `/boot/${encodeURIComponent(boot.id)}` }, wire(boot.machine, 64), " ", when(boot.started, true))),
    el("span", { class: "run", "aria-hidden": "true", style: { width: `${Math.min(100, 100 * Math.sqrt(boot.duration_s / longest)).toFixed(1)}%` } }, spans.map((s) => el("i", { style: { "flex-grow": Math.sqrt(s + 0.02).toFixed(3) } }))),
    el("span", { class: "dur" }, seconds(boot.duration_s, 0.05)),
    el("span", { class: "end" }, boot.last_stage ? wire(boot.last_stage, 40) : "–",
      boot.trial ? [" · ", wire(boot.trial, 20)] : null,
      boot.left_out ? [" · left out: ", wire(boot.left_out, 80)] : null, (boot.labels ?? []).map((one) => [" ", el("span", { class: "label" }, wire(one, 40))]), boot.note ? [" ", wire(boot.note, 80)] : null,
      boot.imported ? " · imported" : null,
      boot.findings.length ? ` · ${boot.findings.length} ${boot.findings.length === 1 ? "finding" : "findings"}` : null));
}
