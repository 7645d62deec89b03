// The usual range of a stage, drawn: a ruler of seconds, earlier boots as a band, the limit as a wall, now as a needle.
import { el, put, say } from "./dom.js";
import { seconds } from "./talk.js";

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

  function frame(usual) {
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
    if (usual?.limit_s) parts.push(el("div", { class: "gauge-limit", style: { left: at(usual.limit_s) } }));
    put(scale, parts);
    const limit = usual?.limit_s ? `limit ${seconds(usual.limit_s)} (${usual.limit_kind === "explicit" ? "from the table" : "learned"})` : "no limit known";
    say(words, usual?.n ? `usually ${seconds(usual.low)} to ${seconds(usual.high)} in ${usual.n} good ${usual.n === 1 ? "boot" : "boots"}; ${limit}` : `no good boots yet; ${limit}`);
  }

  return {
    node,
    show(now, usual, stage) {
      node.dataset.empty = now === null ? "yes" : "no";
      if (now === null) return;
      const wanted = Math.max((usual?.limit_s ?? 0) * 1.15, (usual?.high ?? 0) * 1.4, 1);
      let next = wanted;
      while (next < now * 1.05) next *= 1.5;
      const key = `${stage} ${next} ${JSON.stringify(usual ?? null)}`;
      if (key !== drawn) {
        drawn = key;
        top = next;
        frame(usual);
      }
      const x = at(now);
      if (needle.style.left !== x) {
        needle.style.left = x;
        filled.style.width = x;
      }
      const past = usual?.limit_s && now > usual.limit_s ? "limit" : usual?.n >= 3 && now > usual.high ? "usual" : "no";
      if (node.dataset.past !== past) node.dataset.past = past;
    },
  };
}
