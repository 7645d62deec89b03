// The usual range of a stage, drawn: a ruler of seconds, earlier boots as a band, the limit as a wall, now as a needle.
import { el, harmless, put, say } from "./dom.js";
import { seconds } from "./talk.js";

const KINDS = { explicit: "from the table", default: "benchd's default" };
const MARKS = [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1800, 3600, 7200];

/** A ruler on a square-root scale, so that short usual times and long limits can both be read off. */
export function makeGauge() {
  const scale = el("div", { class: "gauge-scale", "aria-hidden": "true" });
  const needle = el("div", { class: "gauge-needle" });
  const filled = el("div", { class: "gauge-fill" });
  const words = el("p", { class: "gauge-words" });
  const node = el("div", { class: "gauge" }, el("div", { class: "gauge-ruler" }, scale, filled, needle), words);
  let drawn = "";
  let top = 1;

  const at = (s) => `${(100 * Math.sqrt(Math.max(0, s) / top)).toFixed(2)}%`;

  function frame(usual, wall) {
    const parts = [];
    let last = -100;
    for (const mark of MARKS.filter((m) => m <= top)) {
      const x = 100 * Math.sqrt(mark / top);
      if (x - last < 9 || x > 97) continue;
      last = x;
      parts.push(el("span", { class: "gauge-mark", style: { left: `${x}%` } }, mark < 60 ? `${mark}` : `${mark / 60} min`));
    }
    if (usual?.n) {
      const from = (a, b, cls) => el("div", { class: cls, style: { left: at(a), width: `calc(${at(b)} - ${at(a)})` } });
      parts.push(from(usual.low, usual.high, "gauge-range"), from(usual.quarter, usual.three_quarters, "gauge-middle"),
        el("div", { class: "gauge-median", style: { left: at(usual.median) } }));
    }
    if (wall) parts.push(el("div", { class: "gauge-limit", style: { left: at(wall.at_s) } }));
    put(scale, parts);
    const rule = wall?.rule && wall.rule !== "silence" ? `${harmless(wall.rule, 40)}, ` : "";
    const limit = wall ? `${wall.due ? "alarm" : "limit"} at ${seconds(wall.at_s)} (${rule}${KINDS[wall.kind] ?? "learned"})` : "no limit known";
    say(words, usual?.n ? `usually ${seconds(usual.low)} to ${seconds(usual.high)} in ${usual.n} good ${usual.n === 1 ? "boot" : "boots"}; ${limit}` : `no good boots yet; ${limit}`);
  }

  return {
    node,
    /** `due` is the alarm that silence would raise: at so many seconds of this stage; without one the stage's limit is shown. */
    show(now, usual, stage, due) {
      node.dataset.empty = now === null ? "yes" : "no";
      if (now === null) return;
      const wall = due ?? (usual?.limit_s ? { at_s: usual.limit_s, kind: usual.limit_kind } : null);
      const wanted = Math.max((wall?.at_s ?? 0) * 1.15, (usual?.high ?? 0) * 1.4, 1);
      let next = wanted;
      while (next < now * 1.05) next *= 1.5;
      const key = `${stage} ${next} ${JSON.stringify(usual ?? null)} ${wall?.at_s.toFixed(1)} ${wall?.rule} ${wall?.kind}`;
      if (key !== drawn) {
        drawn = key;
        top = next;
        frame(usual, wall);
      }
      const x = at(now);
      if (needle.style.left !== x) {
        needle.style.left = x;
        filled.style.width = x;
      }
      const past = wall && now > wall.at_s ? "limit" : usual?.n >= 3 && now > usual.high ? "usual" : "no";
      if (node.dataset.past !== past) node.dataset.past = past;
    },
  };
}
