// A new study: a question, what counts as success, and what can be changed, in one form.
import { el, harmless, put } from "../dom.js";
import { ask, send } from "../talk.js";

const GOALS = [
  ["stage-reached", "the boot reaches a stage", "stage"],
  ["check-passed", "a check passes", "check"],
  ["finding-absent", "a finding does not come", "finding or kind"],
  ["stage-faster", "a stage is quick enough", "stage"],
  ["result-ok", "a person says so after each boot", ""],
];

/** Factors as written: a line each, `name: level, level`. Throws an Error that names the line. */
export function factorsOf(text) {
  return text.split("\n").map((line) => line.trim()).filter(Boolean).map((line, n) => {
    const at = line.indexOf(":");
    const levels = line.slice(at + 1).split(",").map((one) => one.trim()).filter(Boolean);
    if (at < 1 || levels.length < 2) throw new Error(`Line ${n + 1} of what can be changed: write it as "slot: 1, 2" (a name, a colon, two or more levels).`);
    return { name: line.slice(0, at).trim(), levels };
  });
}

export function newStudy(start) {
  const name = el("input", { type: "text", maxlength: "200", required: true });
  const question = el("input", { type: "text", maxlength: "400", required: true, placeholder: "Why does the adapter's ROM not run?" });
  const machine = el("select", {}, start.machines.map((one) => el("option", { value: one.name }, harmless(one.name, 60))));
  const kind = el("select", {}, GOALS.map(([value, text]) => el("option", { value }, text)));
  const names = el("datalist", { id: "goal-names" });
  const target = el("input", { type: "text", maxlength: "200", list: "goal-names" });
  const limit = el("input", { type: "number", min: "0", step: "any" });
  const factors = el("textarea", { rows: "4", required: true, placeholder: "rom-base: D000, C800, D800\nnetwork-card: in, out" });
  const targetLabel = el("span", {});
  const said = el("p", { class: "wrong", role: "alert", hidden: true });
  const targetLine = el("label", {}, targetLabel, target);
  const limitLine = el("label", {}, "seconds it may take", limit);
  const look = () => {
    const [, , what] = GOALS.find(([value]) => value === kind.value);
    targetLabel.textContent = what;
    targetLine.hidden = !what;
    limitLine.hidden = kind.value !== "stage-faster";
  };
  const ladder = async () => {
    const table = machine.value ? await ask(`/api/machines/${encodeURIComponent(machine.value)}/table`).catch(() => ({ ladder: [] })) : { ladder: [] };
    put(names, table.ladder.map((stage) => el("option", { value: harmless(stage, 80) })));
  };
  kind.addEventListener("change", look);
  machine.addEventListener("change", ladder);
  const go = el("button", { type: "submit", class: "big" }, "Make the study");
  const form = el("form", { class: "new-study" },
    el("label", {}, "name", name), el("label", {}, "question", question), el("label", {}, "machine", machine),
    el("label", {}, "it works when", kind), targetLine, limitLine,
    el("label", { class: "wide" }, "what can be changed, a line each: name: level, level", factors), names, said, go);
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    said.hidden = true;
    go.setAttribute("aria-disabled", "true");
    try {
      const goal = { kind: kind.value, ...(targetLine.hidden ? {} : { target: target.value.trim() }), ...(limitLine.hidden ? {} : { limit_s: Number(limit.value) }) };
      await send("/api/studies", { name: name.value.trim(), document: { question: question.value.trim(), machine: machine.value || null, goal, factor: factorsOf(factors.value) } });
      location.assign(`/study/${encodeURIComponent(name.value.trim())}`);
    } catch (error) {
      said.hidden = false;
      said.textContent = harmless(error.message, 600);
      go.removeAttribute("aria-disabled");
    }
  });
  const box = el("details", { class: "part own" }, el("summary", {}, "New study"), form);
  box.addEventListener("toggle", () => { if (box.open) ladder(); });
  look();
  return box;
}
