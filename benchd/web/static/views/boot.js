// One boot, whole: stages on a time axis, codes and console on one clock, findings where they happened.
import { el, put, shape, svg, told, wire, harmless, short } from "../dom.js";
import { archived, ask, KINDS, seconds, when, WORDS } from "../talk.js";
import { bootCare } from "./care.js";
import { reportImages } from "./measured.js";
import { ofModel } from "./ofmodel.js";
import { sayVerdict, verdictsOf } from "./verdicts.js";

const LABEL = 132;
const ROW = 27;
const SHOWN = 6000;
const SAME_S = 5e-5;
const STOOD = { stalled: 1, looped: 1 };

export async function show(main, { argument }) {
  const path = `/api/boots/${encodeURIComponent(argument)}`;
  const [page, trials] = await Promise.all([ask(`${path}/page`), ask("/api/trials").catch(() => [])]);
  const boot = page.boot;
  document.title = `${harmless(boot.machine, 40)}: boot ${harmless(boot.id, 60)}`;
  const findings = boot.findings.map((one, n) => ({ ...one, no: n + 1 })).sort((a, b) => a.t - b.t);
  const both = el("div", { class: "both-body", tabindex: "0", role: "region", "aria-label": "Codes and console on one clock" },
    el("p", { class: "wait" }, "Reading the capture …"));
  const drawing = el("div", {});
  const said = el("p", { class: "wrong", role: "alert", hidden: true });
  const act = async (work, button) => {
    button?.setAttribute("aria-disabled", "true");
    try {
      await work();
      await show(main, { argument });
    } catch (error) {
      button?.removeAttribute("aria-disabled");
      said.hidden = false;
      said.textContent = harmless(error.message, 400);
    }
  };
  const ended = el("span", { class: "outcome", "data-is": boot.outcome }, shape(boot.outcome), WORDS[boot.outcome]);
  verdictsOf([boot], trials).then((verdicts) => sayVerdict(ended, boot, verdicts.get(boot.id))).catch(() => {});
  put(main,
    el("div", { class: "title-line" }, el("h1", {}, wire(boot.machine, 64), `, ${when(boot.started)}`), ended),
    boot.labels?.length || boot.note ? el("p", { class: "sentence" }, (boot.labels ?? []).map((one) => [el("span", { class: "label" }, wire(one, 60)), " "]), boot.note ? wire(boot.note, 1000) : null) : null,
    meta(page), actions(page, path), said,
    el("section", { class: "part", "aria-labelledby": "h-stages" }, el("h2", { id: "h-stages" }, "Stages"), drawing),
    el("div", { class: "two" },
      el("section", { "aria-labelledby": "h-both" }, el("h2", { id: "h-both" }, "Codes and console on one clock"), el("p", { class: "soft", id: "both-note" }), both),
      el("section", { "aria-labelledby": "h-found" }, el("h2", { id: "h-found" }, "Findings"),
        findings.length ? findings.map((one) => finding(one, boot.machine)) : el("p", { class: "soft" }, "Nothing out of the ordinary."),
        boot.checks.length ? checks(boot.checks) : null,
        boot.measured ? reportImages(boot.measured) : null)),
    ofModel(page), bootCare(page, trials, act));
  let record = null;
  const draw = () => drawStages(drawing, page, findings, record);
  draw();
  new ResizeObserver(draw).observe(drawing);
  try {
    record = await ask(`${path}/record`);
  } catch (error) {
    record = { codes: [], lines: [], problem: error.message, left_out: 0 };
  }
  drawBoth(both, document.getElementById("both-note"), boot, findings, record, page.meanings);
  draw();
  main.dataset.record = "yes";
}

function meta(page) {
  const { boot } = page;
  const fact = (name, ...value) => el("span", {}, `${name} `, el("strong", {}, value));
  return el("p", { class: "meta" },
    boot.outcome === "stalled" ? fact("last sign of life at", seconds(boot.duration_s, boot.stages.at(-1)?.u), stoodFor(boot)) : fact("took", seconds(boot.duration_s, boot.stages.at(-1)?.u)),
    fact("began with", wire(boot.start_reason || "–", 60)),
    fact("last stage", wire(boot.last_stage ?? "–", 40)),
    fact("last code", wire(boot.last_code ?? "–", 4)),
    fact("rules", wire(boot.table, 60)),
    boot.trial ? fact("trial", wire(boot.trial, 20)) : null,
    boot.lost ? fact("lost or refused", String(boot.lost)) : null,
    page.closed_reason ? fact("closed because", wire(page.closed_reason, 120)) : null,
    boot.passes_of ? fact("one pass of", el("a", { href: `/boot/${encodeURIComponent(boot.passes_of)}` }, "a looping boot")) : null);
}

/** Until when a boot was watched, in seconds from its start: one that stands is, beyond its last sign of life. */
function watchedUntil(boot) {
  const watched = boot.outcome in STOOD && boot.ended ? (new Date(boot.ended) - new Date(boot.started)) / 1000 : 0;
  return Math.max(boot.duration_s, watched, ...boot.findings.map((one) => one.cleared_t ?? one.t), 0.1);
}

/** How long a stalled boot was watched standing. */
function stoodFor(boot) {
  const length = watchedUntil(boot) - boot.duration_s;
  return length > 0.5 ? `, then stood ${length.toFixed(length < 10 ? 1 : 0)} s` : "";
}

function actions(page, path) {
  const { boot } = page;
  const link = `${location.origin}/boot/${encodeURIComponent(boot.id)}`;
  const field = el("input", { readonly: true, value: link, "aria-label": "Link to this boot", size: "34", hidden: true });
  const copy = el("button", { type: "button", class: "plain", id: "share" }, "Link to share");
  copy.addEventListener("click", async () => {
    field.hidden = false;
    field.select();
    try {
      await navigator.clipboard.writeText(link);
      copy.textContent = "Link copied";
    } catch {
      copy.textContent = "Copy it from here:";
    }
  });
  return el("div", { class: "actions" },
    page.before ? el("a", { class: "plain", href: `/boot/${encodeURIComponent(page.before)}`, rel: "prev" }, "◀ boot before") : null,
    page.after ? el("a", { class: "plain", href: `/boot/${encodeURIComponent(page.after)}`, rel: "next" }, "boot after ▶") : null,
    page.before ? el("a", { class: "plain", href: `/compare?of=${encodeURIComponent(page.before)}&of=${encodeURIComponent(boot.id)}` }, "Compare with the one before") : null,
    page.capture ? el("a", { class: "plain", href: `${path}/capture`, download: "" }, "Download capture") : el("span", { class: "soft" }, archived() ? "its capture is on its bench" : page.gone || "its capture is gone"),
    copy, field);
}

function finding(one, machine) {
  return el("article", { class: "finding", "data-kind": one.kind, id: `f${one.no}` },
    el("h3", {}, el("span", { class: "no" }, one.no), KINDS[one.kind], one.stage ? [" in ", wire(one.stage, 40)] : null,
      one.code ? [" at code ", wire(one.code, 4)] : null, ` after ${seconds(one.t)}`),
    el("p", { class: "soft" }, "rule ", wire(one.rule, 80), one.limit_s ? `, limit ${seconds(one.limit_s)} (${one.limit_kind === "explicit" ? "from the table" : "learned from good boots"})` : "",
      one.cleared_t !== null ? `; it went on after ${seconds(one.cleared_t - one.t)}` : ""),
    one.means ? el("p", {}, told(one.means, 600, machine)) : null,
    one.detail ? el("p", {}, told(one.detail, 600, machine)) : null,
    one.try?.length ? [el("p", {}, el("strong", {}, "To try, cheapest first:")), el("ol", {}, one.try.map((step) => el("li", {}, told(step, 300, machine))))] : null,
    one.caution ? el("p", { class: "caution" }, el("strong", {}, "Caution: "), told(one.caution, 400)) : null);
}

function checks(list) {
  return el("div", {}, el("h2", {}, "Checks"), el("ul", {}, list.map((one) =>
    el("li", {}, el("span", { class: "outcome", "data-is": one.passed ? "finished" : "link-lost" }, shape(one.passed ? "finished" : "link-lost"), one.passed ? "passed" : "failed"),
      " ", wire(one.name, 80), el("span", { class: "soft" }, ` at ${seconds(one.t)}`)))));
}

/** Round steps for an axis of about `wanted` marks. */
function stepFor(span, wanted) {
  const raw = span / wanted;
  const ten = 10 ** Math.floor(Math.log10(raw));
  return [1, 2, 5, 10].map((m) => m * ten).find((s) => s >= raw);
}

function drawStages(box, page, findings, record) {
  const { boot } = page;
  const width = Math.max(280, box.clientWidth || 280);
  const label = width < 560 ? 92 : LABEL;
  const stages = boot.stages;
  const usual = new Map(page.usual.map((one) => [one.stage, one]));
  const missed = page.ladder.filter((name) => findings.some((f) => f.kind === "skipped" && f.stage === name) && !stages.some((s) => s.name === name));
  const end = watchedUntil(boot);
  const right = 56;
  const x = (t) => label + ((width - label - right) * t) / (end * 1.02);
  const rows = stages.length + missed.length;
  const top = 26 + (findings.length ? 24 : 0);
  const lanes = top + rows * ROW + 8;
  const high = lanes + 52;
  const parts = [];
  const step = stepFor(end, width < 560 ? 4 : 9);
  for (let t = 0; t <= end * 1.001; t += step) {
    parts.push(svg("line", { class: "grid", x1: x(t), x2: x(t), y1: 20, y2: high - 6 }),
      svg("text", { class: "faint", x: x(t), y: 13, "text-anchor": "middle" }, `${+t.toFixed(4)} s`));
  }
  // Under the words, whose edges keep them readable.
  for (const one of findings) {
    const at = Math.min(x(one.t), width - 14);
    parts.push(svg("line", { class: "flag-line", x1: at, x2: at, y1: top - 8, y2: high - 6 }));
  }
  // What was skipped has its row where the ladder has it.
  const order = stages.map((stage) => stage.name);
  const first = (name) => order.findIndex((one) => page.ladder.indexOf(one) > page.ladder.indexOf(name));
  for (const name of missed) order.splice(first(name) < 0 ? order.length : first(name), 0, name);
  const row = (name) => top + order.indexOf(name) * ROW;
  stages.forEach((stage, n) => {
    const y = row(stage.name);
    const stood = n === stages.length - 1 && boot.outcome in STOOD;
    const until = stages[n + 1]?.t ?? (stood ? end : boot.duration_s);
    const known = usual.get(stage.name);
    if (known?.n) {
      const edge = width - 4;
      const [low, middle, high] = [known.low, known.median, known.high].map((t) => Math.min(edge, x(stage.t + t)));
      parts.push(svg("rect", { class: "band", x: Math.min(low, edge - 3), y: y + 2, width: Math.max(3, high - low), height: ROW - 6 }),
        middle < edge ? svg("line", { class: "band-line", x1: middle, x2: middle, y1: y + 2, y2: y + ROW - 4 })
          : svg("text", { class: "faint", x: edge - 2, y: y + 18, "text-anchor": "end" }, "▶"));
    }
    parts.push(
      svg("rect", { class: `bar${stood ? " ended" : ""}`, x: x(stage.t), y: y + 7, width: Math.max(2, x(until) - x(stage.t)), height: ROW - 16 },
        svg("title", {}, `${harmless(stage.name, 60)}: at ${seconds(stage.t, stage.u)} ± ${seconds(stage.u)}, took ${seconds(until - stage.t)}`)),
      svg("line", { class: "whisker", x1: x(Math.max(0, stage.t - stage.u)), x2: Math.max(x(stage.t + stage.u), x(Math.max(0, stage.t - stage.u)) + 1), y1: y + ROW - 13.5, y2: y + ROW - 13.5 }),
      svg("text", { x: label - 8, y: y + 18, "text-anchor": "end" }, short(stage.name, label < 100 ? 12 : 17)),
      svg("text", { class: "faint", x: Math.min(x(until) + 6, width - right + 2), y: y + 18 }, stood ? WORDS[boot.outcome] : n === stages.length - 1 ? "" : seconds(until - stage.t)));
  });
  missed.forEach((name) => {
    const y = row(name);
    parts.push(svg("text", { x: label - 8, y: y + 18, "text-anchor": "end" }, short(name, label < 100 ? 12 : 17)),
      svg("text", { class: "faint", x: label + 4, y: y + 18 }, "✕ never reached"));
  });
  findings.forEach((one) => {
    const at = Math.min(x(one.t), width - 14);
    parts.push(svg("a", { href: `#f${one.no}`, "aria-label": `finding ${one.no}: ${KINDS[one.kind]}` },
        svg("rect", { class: "flag", x: at - 10, y: top - 27, width: 20, height: 20, rx: 2 }),
        svg("text", { class: "flag-word", x: at, y: top - 12, "text-anchor": "middle" }, String(one.no))));
  });
  const codes = record?.codes ?? [];
  const lines = record?.lines ?? [];
  for (const [name, list, cls, y] of [["codes", codes, "tick-code", lanes + 8], ["console", lines, "tick-line", lanes + 30]]) {
    parts.push(svg("text", { class: "faint", x: label - 8, y: y + 11, "text-anchor": "end" }, name));
    let d = "";
    let last = -9;
    for (const one of list) {
      const px = Math.round(x(one.t) * 2) / 2;
      if (px - last < 0.5) continue;
      last = px;
      d += `M${px} ${y}v14`;
    }
    parts.push(svg("path", { class: cls, d }));
  }
  put(box, svg("svg", { class: "drawing", viewBox: `0 0 ${width} ${high}`, width, height: high, role: "group",
    "aria-label": `Stages of this boot on a time axis of ${seconds(end)}; the list below tells the same` }, parts),
  el("p", { class: "soft" }, page.usual.some((one) => one.n) ? "Copper: this boot. Green: where the stage ended in earlier good boots, line at the median. Thin mark at a bar's start: give or take."
    : "Copper: this boot. No good boots of this machine yet to compare with."));
}

/** The instant of a stage among records: that of the code or line that began it, though rounded elsewhere. */
function instant(stage, records) {
  let best = null;
  for (const one of records) if (Math.abs(one.t - stage.t) < SAME_S && (best === null || Math.abs(one.t - stage.t) < Math.abs(best - stage.t))) best = one.t;
  return best ?? stage.t;
}

function drawBoth(body, note, boot, findings, record, meanings) {
  const records = [...record.codes, ...record.lines];
  const rows = [
    ...record.codes.map((one) => ({ t: one.t, u: one.u, order: 1, code: one })),
    ...record.lines.map((one) => ({ t: one.t, u: one.u, order: 1, line: one })),
    ...boot.stages.map((one) => ({ t: instant(one, records), u: one.u, order: 0, stage: one })),
    ...findings.map((one) => ({ t: one.t, u: 0, order: 2, finding: one })),
  ].sort((a, b) => a.t - b.t || a.order - b.order);
  note.textContent = record.problem ? `${harmless(record.problem, 300)}` : record.left_out ? `${record.left_out} more are in the capture.` : `${record.codes.length} codes, ${record.lines.length} lines, read again from the capture.`;
  let within = ""; // what the codes of a stage mean is said once, where it begins
  put(body, rows.slice(0, SHOWN).map((row) => {
    const u = row.u || 0;
    const time = el("span", { class: "clock" }, seconds(row.t, u || 0.001), u ? el("small", {}, ` ±${u < 0.0995 ? `${Math.round(u * 1000)} ms` : seconds(u)}`) : null);
    if (row.stage) within = `stage ${row.stage.name}`;
    if (row.stage) return el("div", { class: "both-row rung" }, time, el("span", {}, "stage"), el("span", {}, wire(row.stage.name, 60)));
    if (row.finding) return el("div", { class: "both-row found" }, time, el("span", {}, el("span", { class: "no" }, row.finding.no)), el("a", { href: `#f${row.finding.no}` }, KINDS[row.finding.kind]));
    if (row.line) return el("div", { class: "both-row" }, time, el("span", {}), el("span", { class: "text" }, wire(row.line.text, 1000)));
    const means = meanings[row.code.code] === within ? "" : meanings[row.code.code];
    return el("div", { class: "both-row" }, time, el("span", { class: "hex" }, harmless(row.code.code, 4), row.code.known ? null : "?",
      row.code.port ? el("small", { class: "soft" }, ` ${row.code.port.toString(16).toUpperCase()}h`) : null),
    el("span", { class: "soft" }, means ? wire(means, 160) : row.code.known ? "" : "not in the table"));
  }), rows.length > SHOWN ? el("p", { class: "soft" }, `${rows.length - SHOWN} more rows are in the capture.`) : null);
}
