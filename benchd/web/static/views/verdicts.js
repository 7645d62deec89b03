// Whether boots reached what their trials are for, to be said where they are listed.
import { el, harmless, put, shape } from "../dom.js";
import { ask, WORDS } from "../talk.js";

const STUDIES = 6;

/** What the goals of their trials say of boots, by boot; nothing where that cannot be had. */
export async function verdictsOf(boots, trials = null) {
  const own = new Set(boots.map((boot) => boot.trial).filter(Boolean));
  if (!own.size) return new Map();
  const all = trials ?? await ask("/api/trials").catch(() => []);
  const studies = [...new Set(all.filter((one) => own.has(one.id)).map((one) => one.study))].slice(-STUDIES);
  const pages = await Promise.all(studies.map((name) => ask(`/api/studies/${encodeURIComponent(name)}`).catch(() => null)));
  return new Map(pages.filter(Boolean).flatMap((page) => page.trials.flatMap((one) => one.boots.map((v) => [v.boot, v]))));
}

/** Say of a boot that missed its goal that it failed: "finished" alone would read as a success. */
export function sayVerdict(node, boot, verdict) {
  if (verdict?.ok !== false || boot.left_out) return;
  node.dataset.goal = "missed";
  node.title = harmless(verdict.why, 200);
  put(node, shape("link-lost"), "failed", el("small", {}, `(${WORDS[boot.outcome]})`));
}
