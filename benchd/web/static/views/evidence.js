// What the trials say: causes in falling order, those that cannot be told apart together, small ones folded.
import { el, put, shape, wire } from "../dom.js";
import { percent } from "../talk.js";

const SHOWN = 4;
const SMALL = 0.005;

export function drawWhy(box, why) {
  const groups = new Map();
  for (const one of why.causes.slice(0, 24)) groups.set(one.group, [...(groups.get(one.group) ?? []), one]);
  const drawn = [...groups].map(([number, members]) => [members, why.groups.find((one) => one.group === number)]);
  const weight = ([members, group]) => group?.probability ?? members[0].probability;
  const large = drawn.filter((one) => weight(one) >= SMALL);
  const small = drawn.filter((one) => weight(one) < SMALL);
  put(box, el("section", { class: "part" }, el("h2", {}, "Causes, weighed"),
    el("p", { class: "verdict" }, shape(why.settled ? "finished" : "idle"), " ", wire(why.verdict, 900)),
    why.conclusion ? el("p", { class: "conclusion" }, wire(why.conclusion, 1200)) : null,
    el("p", { class: "soft" }, `${why.boots} ${why.boots === 1 ? "boot" : "boots"}, ${why.failures} of them failed.`),
    why.boots ? [large.map(together), fold(small.map(together), small.flatMap(([members]) => members).length, "under 1 %")] : null,
    why.doubts.length ? [el("h3", {}, "What could still be otherwise"), el("ul", { class: "doubts" }, why.doubts.map((one) => el("li", {}, wire(one.known, 300), " ", wire(one.otherwise, 300), " ", wire(one.tells, 500))))] : null,
    el("h3", {}, "Ordering a part"), el("p", {}, shape(why.ordering.premature ? "link-lost" : "finished"), " ", wire(why.ordering.sentence, 500)),
    why.checks?.length ? [el("h3", {}, "Checks across setups"), el("ul", {}, why.checks.map((one) => el("li", {}, el("strong", {}, wire(one.check, 80)), ": ", wire(one.sentence, 400))))] : null,
    why.remarks.concat(why.evidence, why.left_out).map((text) => el("p", { class: "soft" }, wire(text, 300)))));
}

/** What has little to say, in one line that opens. */
function fold(nodes, count, what) {
  return count ? el("details", { class: "tail" }, el("summary", {}, `${count} more ${what}`), nodes) : null;
}

function together([members, group]) {
  const all = Math.max(members.length, group?.explanations ?? 0);
  if (all < 2) return cause(members[0]);
  const large = members.filter((one, n) => n < SHOWN && one.probability >= SMALL);
  const rest = members.slice(large.length);
  const small = rest.every((one) => one.probability < SMALL);
  return el("div", { class: "together" },
    el("p", {}, `The trials cannot separate these ${all}${group ? `; together they hold ${percent(group.probability)}` : ""}:`),
    large.map(cause), fold(rest.map(cause), rest.length, small ? "under 1 %" : "of them"));
}

function cause(one) {
  const speaks = (list, head) => (list.length ? el("div", {}, el("h3", {}, head), el("ul", {}, list.slice(0, 6).map((s) => el("li", {}, wire(s.trial, 20), `: `, wire(s.words, 200), el("span", { class: "soft" }, ` (${s.bits > 0 ? "+" : ""}${s.bits.toFixed(1)} bits)`))))) : null);
  return el("div", { class: "cause" },
    el("div", {}, el("div", { class: "share" }, percent(one.probability)), el("div", { class: "share-bar", "aria-hidden": "true" }, el("i", { style: { width: `${100 * one.probability}%` } }))),
    el("div", {}, el("p", {}, el("strong", {}, wire(one.class, 60)), ": ", wire(one.text, 400)),
      one.supports.length || one.against.length ? el("details", {}, el("summary", {}, `evidence: ${one.supports.length} for, ${one.against.length} against`), speaks(one.supports, "speaks for it"), speaks(one.against, "speaks against it")) : null));
}
