// Compare: two to six boots or trials. Where they differ, how often they finish, what takes longer.
import { el, put, shape, svg, wire, harmless, short } from "../dom.js";
import { ask, percent, seconds, when, WORDS } from "../talk.js";

const MARKS = ["●", "◆", "■", "▲", "▼", "✚"];
const MOST = 6;

export async function show(main, { start }) {
  const of = new URLSearchParams(location.search).getAll("of").slice(0, MOST);
  const picker = await makePicker(of);
  const body = el("div", {});
  put(main, el("h1", {}, "Compare"), picker, body);
  if (of.length < 2) {
    put(body, el("p", { class: "wait" }, "Choose two to six boots or trials."));
    return;
  }
  put(body, el("p", { class: "wait" }, "Reading captures and comparing …"));
  const query = of.map((id) => `of=${encodeURIComponent(id)}`).join("&");
  const page = await ask(`/api/compare?${query}`);
  put(body, ...draw(page, query, start));
}

async function makePicker(of) {
  const [boots, trials] = await Promise.all([ask("/api/boots?limit=60"), ask("/api/trials").catch(() => [])]);
  const options = [
    ["", "–"],
    ...trials.slice(-40).reverse().map((one) => [one.id, `trial ${one.id}: ${Object.entries(one.changed).map(([f, l]) => `${f} ${l}`).join(", ") || "as it stood"}`]),
    ...boots.map((one) => [one.id, `${one.machine}, ${when(one.started)}, ${WORDS[one.outcome]}`]),
  ];
  const slots = Array.from({ length: Math.min(MOST, Math.max(2, of.length + 1)) }, (_, n) => {
    const known = options.some(([id]) => id === of[n]);
    const select = el("select", { id: `of${n}` }, !known && of[n] ? el("option", { value: of[n] }, harmless(of[n], 60)) : null,
      options.map(([id, text]) => el("option", { value: id }, harmless(text, 80))));
    select.value = of[n] ?? "";
    return select;
  });
  const go = el("button", { class: "big", type: "submit" }, "Compare");
  const form = el("form", { class: "pickers", "aria-label": "What to compare" },
    slots.map((select, n) => el("label", { for: `of${n}` }, n ? `against it ${n > 1 ? n : ""}` : "first", select)), go);
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const chosen = [...new Set(slots.map((s) => s.value).filter(Boolean))];
    location.assign(`/compare?${chosen.map((id) => `of=${encodeURIComponent(id)}`).join("&")}`);
  });
  return form;
}

function draw(page, query) {
  const whole = page.comparison;
  page.comparisons = whole ? [whole, ...(whole.others ?? [])] : [];
  const names = new Map(page.groups.map((one, n) => [one.name, n]));
  const key = el("ul", { class: "group-key" }, page.groups.map((one, n) =>
    el("li", { class: `g${n}` }, el("span", { "aria-hidden": "true" }, MARKS[n]), label(one), el("span", { class: "soft" }, one.boots.length > 1 ? `${one.boots.length} boots` : ""))));
  const sentences = page.comparisons.map((one) => el("div", {}, el("p", { class: "sentence" }, wire(one.sentence, 1000)),
    one.changes?.length ? el("p", {}, "Changed between them: ", el("strong", {}, wire(one.changes.map((c) => `${c.factor} from ${c.from} to ${c.to}`).join("; "), 600))) : null));
  const ladders = el("div", {});
  drawLadders(ladders, page);
  new ResizeObserver(() => drawLadders(ladders, page)).observe(ladders);
  const chart = el("img", { alt: "Times of each stage in each group; the table below gives medians and shifts", class: "drawing" });
  const paint = () => {
    const dark = getComputedStyle(document.documentElement).colorScheme.startsWith("dark");
    const width = Math.round(Math.min(1100, Math.max(300, chart.parentElement?.clientWidth - 44 || 900)));
    chart.src = `/api/compare/times.svg?${query}&theme=${dark ? "dark" : "light"}&width=${width}`;
  };
  window.addEventListener("look", paint);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", paint);
  requestAnimationFrame(paint);
  return [key, ...sentences,
    section("Ladders, side by side", ladders, ...page.comparisons.map((one) => parting(one, names))),
    section("How often they finish", rates(page)),
    section("How long stages take", chart, el("p", { class: "soft" }, "Each mark is one boot; the pale bar is the middle half, the dark tick the median."),
      ...page.comparisons.map((one) => shifts(one, names))),
    ...page.comparisons.map((one) => leftovers(one, names)).filter(Boolean)];
}

const section = (title, ...parts) => el("section", { class: "part" }, el("h2", {}, title), parts);
const label = (group) => (group.trial ? el("a", { href: `/boots?trial=${group.name}` }, `trial ${group.name}`)
  : el("a", { href: `/boot/${encodeURIComponent(group.name)}` }, wire(group.name, 60)));
const marked = (name, names) => el("strong", { class: `g${names.get(name)}` }, `${MARKS[names.get(name)]} `, wire(name, 60));

/** The stage after which two ladders part, by the time of the last thing that both have. */
function partedAfter(page, one) {
  const cut = one.lasting_divergence ?? one.first_divergence;
  if (!cut) return null;
  const first = page.groups.find((group) => group.name === one.names.a);
  const t = cut.before.at(-1)?.t_s ?? 0;
  const passed = first.ladder.filter((rung) => rung.median_at !== null && rung.median_at <= t + 1e-6);
  return passed.length ? page.stages.indexOf(passed.at(-1).name) : -1;
}

function drawLadders(box, page) {
  const width = Math.max(280, box.clientWidth || 280);
  const names = Math.min(150, width * 0.34);
  const column = Math.min(340, (width - names) / page.groups.length);
    const gap = 38;
  const y = (n) => 30 + n * gap;
  const high = y(page.stages.length - 1) + 34;
  const parts = page.stages.map((name, n) => svg("text", { x: names - 14, y: y(n) + 5, "text-anchor": "end" }, short(name, width < 560 ? 13 : 18)));
  page.groups.forEach((group, g) => {
    const middle = names + column * (g + 0.32);
    const reached = group.ladder.map((rung, n) => (rung.k ? n : -1)).filter((n) => n >= 0);
    const rail = [svg("text", { x: middle, y: 12, "text-anchor": "middle" }, MARKS[g])];
    if (reached.length) rail.push(svg("line", { class: "rail", x1: middle, x2: middle, y1: y(reached[0]), y2: y(reached.at(-1)) }));
    group.ladder.forEach((rung, n) => {
      const half = Math.min(44, column * 0.22);
      const share = rung.k / rung.n;
      if (rung.k) {
        rail.push(svg("rect", { class: "rung-edge", x: middle - half, y: y(n) - 8, width: 2 * half, height: 16, rx: 2 }),
          svg("rect", { class: "rung-full", x: middle - half, y: y(n) - 8, width: 2 * half * share, height: 16, rx: 2 }));
      } else rail.push(svg("rect", { class: "rung-none", x: middle - half, y: y(n) - 8, width: 2 * half, height: 16, rx: 2 }));
      const words = !rung.k ? "✕" : `${rung.n > 1 && rung.k < rung.n ? `${rung.k}/${rung.n} ` : ""}${seconds(rung.median_at)}`;
      if (column > 96) rail.push(svg("text", { class: "faint", x: middle + half + 8, y: y(n) + 5 }, words));
      else rail.at(-1).append(svg("title", {}, words));
    });
    parts.push(svg("g", { class: `g${g}` }, rail));
  });
  const cuts = new Set(page.comparisons.map((one) => partedAfter(page, one)).filter((n) => n !== null));
  for (const n of cuts) {
    const at = y(n) + gap / 2;
    parts.push(svg("line", { class: "part-line", x1: names - 8, x2: width - 4, y1: at, y2: at }),
      svg("text", { class: "part-word", x: names - 14, y: at + 5, "text-anchor": "end" }, "they differ"));
  }
  put(box, svg("svg", { class: "drawing", viewBox: `0 0 ${width} ${high}`, width, height: high, role: "img",
    "aria-label": `Ladders side by side: ${page.groups.map((g) => `${harmless(g.name, 40)} reaches ${g.ladder.filter((r) => r.k).length} of ${page.stages.length} stages`).join("; ")}` }, parts));
}

function parting(one, names) {
  const cut = one.lasting_divergence ?? one.first_divergence;
  if (!cut) return el("p", { class: "soft" }, "Codes and lines go the same way in ", marked(one.names.a, names), " and ", marked(one.names.b, names), ".");
  const list = (points, none) => (points.length ? el("ol", {}, points.map((p) => el("li", {}, wire(p.text, 120), el("span", { class: "soft" }, ` ${seconds(p.t_s)}${p.seen < p.of ? `, ${p.seen} of ${p.of}` : ""}`)))) : el("p", { class: "soft" }, none));
  return el("div", {}, el("h3", {}, cut.rejoins ? "Where they differ, and meet again" : "Where they differ for good"),
    el("div", { class: "parting" },
      el("div", {}, el("p", {}, "both had"), list(cut.before, "nothing: they differ from the start")),
      el("div", { class: `g${names.get(one.names.a)}` }, el("p", {}, marked(one.names.a, names), " goes on with"), list(cut.a, "nothing more")),
      el("div", { class: `g${names.get(one.names.b)}` }, el("p", {}, marked(one.names.b, names), " goes on with"), list(cut.b, "nothing more"))));
}

function rates(page) {
  const rows = new Map();
  for (const one of page.comparisons) {
    rows.set(one.names.a, one.finish.a);
    rows.set(one.names.b, one.finish.b);
  }
  return [
    page.groups.map((group, n) => {
      const rate = rows.get(group.name);
      if (!rate) return null;
      return el("div", { class: `rate g${n}` }, el("strong", {}, `${MARKS[n]} `, wire(group.name, 40)),
        el("div", { class: "rate-line", role: "img", "aria-label": `between ${percent(rate.low)} and ${percent(rate.high)}` },
          el("span", { class: "rate-span", style: { left: `${100 * rate.low}%`, width: `${100 * (rate.high - rate.low)}%` } }),
          rate.n ? el("span", { class: "rate-dot", style: { left: `${(100 * rate.k) / rate.n}%` } }) : null),
        el("span", {}, `${rate.k} of ${rate.n}`, el("span", { class: "soft" }, ` (${Math.round(100 * rate.low)}–${Math.round(100 * rate.high)} %)`)));
    }),
    el("p", { class: "soft" }, "Left none, right all; the wide mark is the 95 % interval. Boots cut short or with a lost link are not counted."),
    page.comparisons.map((one) => el("p", { class: "soft" }, wire(one.names.a, 40), " against ", wire(one.names.b, 40), ": ",
      one.finish.p === null ? "nothing to compare" : `p ${one.finish.p.toPrecision(2)}`,
      one.finish.more_boots ? `; too few boots to tell: about ${one.finish.more_boots} more of each needed` : "")),
  ];
}

function shifts(one, names) {
  const widest = Math.max(0.001, ...one.stages.flatMap((s) => [s.shift_s, s.shift_low, s.shift_high].map((v) => Math.abs(v ?? 0))));
  const at = (s) => 50 + (48 * s) / widest;
  return el("div", {}, el("h3", {}, marked(one.names.b, names), " against ", marked(one.names.a, names)),
    el("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": "Shifts of stage times" }, el("table", { class: "stacked shifts" },
      el("thead", {}, el("tr", {}, ["stage", "first", "other", "shift", "shorter | longer", "p", ""].map((h, n) => el("th", { class: n > 0 && n < 4 ? "num" : null, scope: "col" }, h)))),
      el("tbody", {}, one.stages.map((s) => el("tr", {},
        el("th", { scope: "row" }, wire(s.name, 40)),
        el("td", { class: "num", "data-name": "first" }, seconds(s.a.median_s), el("span", { class: "soft" }, ` ×${s.a.n}`)),
        el("td", { class: "num", "data-name": "other" }, seconds(s.b.median_s), el("span", { class: "soft" }, ` ×${s.b.n}`)),
        el("td", { class: "num", "data-name": "shift" }, s.shift_s === null ? "–" : `${s.shift_s > 0 ? "+" : ""}${seconds(s.shift_s)}`),
        el("td", { class: "wide" }, s.shift_s === null ? null : el("div", { class: "shift" },
          s.shift_low === null ? null : el("i", { style: { left: `${at(Math.min(s.shift_low, s.shift_high))}%`, width: `${Math.max(1, at(Math.max(s.shift_low, s.shift_high)) - at(Math.min(s.shift_low, s.shift_high)))}%` } }),
          el("b", { style: { left: `${at(s.shift_s)}%` } }))),
        el("td", { "data-name": "p" }, s.p_adjusted === null ? "too few" : s.p_adjusted < 0.0001 ? "below 0.0001" : s.p_adjusted.toPrecision(2)),
        el("td", { class: "wide" }, s.p_adjusted !== null && s.p_adjusted < 0.05 ? el("strong", {}, "differs") : s.more_boots ? el("span", { class: "soft" }, `too few boots to tell; ${s.more_boots} more needed`) : "")))))));
}

function leftovers(one, names) {
  const parts = [];
  if (one.only_one_has.length) {
    parts.push(el("h3", {}, "What only one has"), el("ul", {}, one.only_one_has.slice(0, 30).map((o) =>
      el("li", {}, marked(o.side === "a" ? one.names.a : one.names.b, names), " ", wire(o.text, 160), el("span", { class: "soft" }, ` (${o.k} of ${o.n} ${o.n === 1 ? "boot" : "boots"})`)))));
  }
  if (one.order_changes.length) {
    parts.push(el("h3", {}, "Stages that changed places"), el("ul", {}, one.order_changes.slice(0, 20).map((o) =>
      el("li", {}, wire(o.later, 40), " comes before ", wire(o.earlier, 40), " in ", marked(one.names.b, names)))));
  }
  const told = Object.entries(one.predictions ?? {});
  if (one.reached?.length) {
    parts.push(el("h3", {}, "Stages that one reaches more often"), el("ul", {}, one.reached.map((r) => el("li", {}, wire(r.stage, 60), `: ${r.a.k} of ${r.a.n} against ${r.b.k} of ${r.b.n}`))));
  }
  if (one.checks?.length) {
    parts.push(el("h3", {}, "Checks"), el("ul", {}, one.checks.map((c) => el("li", {}, wire(c.check, 80), `: ${c.a.passed} of ${c.a.done} passed, against ${c.b.passed} of ${c.b.done}`))));
  }
  if (told.length) parts.push(el("h3", {}, "ROM scan: predicted and seen"), told.map(([name, list]) => el("ul", {}, list.map((text) => el("li", {}, wire(name, 40), ": ", wire(text, 300))))));
  if (one.measured?.length) {
    parts.push(el("h3", {}, "As the machine itself read"), el("ul", { class: "measured-changes" }, one.measured.slice(0, 40).map((m) =>
      el("li", {}, wire(m.what === "moved" ? `The ROM at ${m.a} is at ${m.b} now` : `${m.where}: ${m.a}, then ${m.b}`, 300)))));
  }
  if (one.notes.length) parts.push(el("h3", {}, "Notes"), el("ul", {}, one.notes.map((n) => el("li", { class: "soft" }, wire(n, 300)))));
  return parts.length ? section("Other differences", parts) : null;
}
