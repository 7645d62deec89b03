// Map: the first megabyte of a setup as a picture, and jumpers moved here before the machine is opened.
import { el, put, shape, svg, told, wire, harmless, short } from "../dom.js";
import { ask } from "../talk.js";
import { measuredCard, measuredStrip, reporterCard } from "./measured.js";

const TOP = 0xa0000;
const END = 0x100000;
const UNIT = 0x4000;
const UNIT_PX = 30;
const AGAIN = { rom: "ROM", ram: "RAM", video: "video memory", registers: "registers", shadow: "shadow RAM", umb: "upper-memory block", "page-frame": "page frame" };

const hex = (at) => at.toString(16).toUpperCase().padStart(5, "0");
const size = (n) => (n % 1024 ? `${n} bytes` : `${n / 1024} KiB`);

export async function show(main, { start, argument }) {
  const known = start.machines.filter((one) => one.map);
  const machine = argument || known[0]?.name;
  put(main, el("h1", {}, "First megabyte", machine ? [" of ", wire(machine, 64)] : null));
  if (!machine) {
    main.append(el("p", { class: "wait" }, "No machine has a map yet: add map = \"FILE.toml\" to its part of the settings (see benchd map)."));
    return;
  }
  if (known.length > 1) main.append(el("ul", { class: "group-key" }, known.map((one) => el("li", {}, el("a", { href: `/map/${encodeURIComponent(one.name)}`, "aria-current": one.name === machine ? "page" : null }, wire(one.name, 64))))));
  const body = el("div", {});
  main.append(body);
  const moves = new Map(new URLSearchParams(location.search).getAll("move").map((text) => [text.slice(0, text.lastIndexOf("=")), text.slice(text.lastIndexOf("=") + 1)]));
  const path = `/api/maps/${encodeURIComponent(machine)}`;
  const stands = await ask(path);
  const box = el("div", {});
  const side = el("div", {});
  put(body, el("div", { class: "map-grid" }, el("section", { class: "part", "aria-labelledby": "h-map" }, el("h2", { id: "h-map" }, "A0000 to FFFFF"), box), side));
  let page = stands;
  const draw = () => drawTower(box, page, stands);
  async function load() {
    const query = [...moves].map(([name, place]) => `move=${encodeURIComponent(`${name}=${place}`)}`).join("&");
    history.replaceState(null, "", `${location.pathname}${query ? `?${query}` : ""}`);
    page = await ask(`${path}${query ? `?${query}` : ""}`);
    draw();
    const focused = document.activeElement?.id;
    put(side, ...besides(page, stands, moves, load));
    if (focused) document.getElementById(focused)?.focus();
  }
  await load();
  new ResizeObserver(draw).observe(box);
}

function lanesOf(places) {
  const ends = [];
  return places.map((one) => {
    let lane = ends.findIndex((end) => end <= one.first);
    if (lane < 0) lane = ends.push(0) - 1;
    ends[lane] = one.end;
    return { ...one, lane };
  });
}

function drawTower(box, page, stands) {
  const width = Math.max(260, Math.min(900, box.clientWidth || 260));
  const left = 62;
  const right = width < 420 ? 84 : 118;
  const inner = width - left - right;
  const y = (at) => 8 + ((at - TOP) / UNIT) * UNIT_PX;
  const parts = [svg("defs", {}, svg("pattern", { id: "clash", width: 9, height: 9, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" }, svg("rect", { class: "clash-stripe", width: 4, height: 9 })))];
  for (let at = TOP; at <= END; at += UNIT) {
    const strong = at % 0x10000 === 0;
    parts.push(svg("line", { class: "grid", x1: strong ? left - 8 : left, x2: width - right, y1: y(at), y2: y(at) }));
    if (at < END && (strong || UNIT_PX > 26) && at % 0x8000 === 0) parts.push(svg("text", { class: strong ? null : "faint", x: left - 12, y: y(at) + 5, "text-anchor": "end" }, hex(at)));
  }
  for (const one of page.map.free) {
    const [from, to] = [parseInt(one.from, 16), parseInt(one.to, 16) + 1];
    parts.push(svg("rect", { class: "free", x: left + 3, y: y(from) + 2, width: inner - 6, height: y(to) - y(from) - 4, rx: 2 }));
    if (to - from >= 0x2000) parts.push(svg("text", { class: "faint", x: left + 12, y: (y(from) + y(to)) / 2 + 5 }, `free, ${size(to - from)}`));
  }
  const places = lanesOf(page.windows.flatMap((w) => w.places.map((first) => ({ w, first: Math.max(first, TOP), end: Math.min(first + w.size, END), at: first })))
    .filter((one) => one.end > TOP).sort((a, b) => a.first - b.first));
  const lanes = Math.max(1, ...places.map((one) => one.lane + 1));
  const wide = inner / lanes;
  const labels = [];
  for (const one of places) {
    const clash = places.some((other) => other !== one && other.first < one.end && one.first < other.end);
    const x = left + (clash ? one.lane * wide : 0);
    const w = clash ? wide : inner;
    parts.push(svg("rect", { class: `w-${one.w.kind}`, x: x + 2, y: y(one.first) + 1, width: w - 4, height: Math.max(4, y(one.end) - y(one.first) - 2), rx: 3 },
      svg("title", {}, `${harmless(one.w.name, 60)}: ${hex(one.at)}-${hex(one.at + one.w.size - 1)}`)));
    if (y(one.end) - y(one.first) >= 14) {
      labels.push(svg("text", { class: "on", x: x + 10, y: y(one.first) + Math.min(20, (y(one.end) - y(one.first)) / 2 + 5) }, short(one.w.name, Math.max(4, Math.floor((w - 14) / 8.8)))));
    }
  }
  const words = [];
  for (const one of page.map.overlaps) {
    const [from, to] = [parseInt(one.from, 16), parseInt(one.to, 16) + 1];
    if (to <= TOP) continue;
    parts.push(svg("rect", { class: "clash", x: left + 2, y: y(Math.max(from, TOP)), width: inner - 4, height: Math.max(5, y(to) - y(Math.max(from, TOP))) },
      svg("title", {}, `both answer at ${one.from}-${one.to}: ${one.parties.map((p) => harmless(p, 60)).join(", ")}`)));
    words.push({ at: Math.max(from, TOP), rank: 1, class: "runs-not", word: width < 420 ? "overlap" : "✕ overlap" });
  }
  for (const was of stands.windows) {
    const is = page.windows.find((one) => one.name === was.name);
    if (was.base !== null && was.base !== is?.base && was.base >= TOP) parts.push(svg("rect", { class: "ghost", x: left + 4, y: y(was.base) + 2, width: inner - 8, height: Math.max(6, y(was.base + was.size) - y(was.base) - 4) }, svg("title", {}, `${harmless(was.name, 60)} stands here now`)));
  }
  if (page.map.measured) parts.push(...measuredStrip(page.map.measured, y, left, inner));
  for (const rom of page.map.roms) {
    if (rom.at === null) continue;
    words.push({ at: parseInt(rom.at, 16), rank: 0, class: rom.runs ? "runs" : "runs-not", word: rom.runs ? `▶ ${runs(rom)}` : rom.runs === false ? "✕ passed over" : "? unknown" });
  }
  // Each word stands at its own address. Where several do not fit, those below are pushed down and a thin line leads back.
  let last = -99;
  for (const one of words.sort((a, b) => a.at - b.at || a.rank - b.rank)) {
    const own = y(one.at) + 15;
    const at = Math.max(own, last + 17);
    last = at;
    parts.push(svg("text", { class: one.class, "data-at": hex(one.at), x: width - right + 8, y: at }, one.word));
    if (at - own > 4) parts.push(svg("path", { class: "grid", fill: "none", d: `M${width - right} ${y(one.at) + 1}L${width - right + 6} ${at - 5}` }));
  }
  const high = y(END) + 8;
  put(box, svg("svg", { class: "drawing", viewBox: `0 0 ${width} ${high}`, width, height: high, role: "img",
    "aria-label": `Map of A0000 to FFFFF: ${page.windows.map((w) => `${harmless(w.name, 40)} ${w.base === null ? "off" : `at ${hex(w.base)}`}`).join(", ")}; ${page.map.overlaps.length} overlaps` }, parts, labels));
}

const ORDER = ["first", "second", "third", "fourth", "fifth", "sixth"];
/** When a ROM runs, in words. */
const runs = (rom) => `runs ${ORDER[rom.order - 1] ?? `as number ${rom.order}`}`;

function besides(page, stands, moves, load) {
  const p = page.map;
  const idle = p.roms.filter((rom) => rom.runs === false);
  const lost = p.overlaps.length || idle.length || p.hidden.length;
  const verdict = p.overlaps.length ? `${p.overlaps.length} ${p.overlaps.length === 1 ? "overlap" : "overlaps"}: ${p.overlaps.map((o) => `${o.parties.join(" and ")} both answer at ${o.from}-${o.to}`).join("; ")}`
    : idle.length ? `Nothing overlaps, but ${idle.map((r) => r.window).join(", ")} will not run`
    : p.hidden.length ? `Nothing overlaps, but part of ${[...new Set(p.hidden.map((one) => one.window))].join(", ")} is hidden`
    : "Nothing overlaps, and every ROM should run";
  const moved = [...moves.keys()].length;
  return [
    el("section", { class: "part", "aria-live": "polite" }, el("h2", {}, moved ? "If you moved it so" : "As it stands"),
      el("p", { class: "verdict" }, shape(lost ? "link-lost" : "finished"), " ", wire(verdict, 500)),
      p.hidden.map((one) => el("p", {}, `${one.from}-${one.to}: `, told(one.note, 400))),
      p.contention.filter((c) => !c.header_survives || !c.checksum_survives).map((c) => el("p", {}, wire(c.window, 60), ": ", told(c.note, 300))),
      p.findings.concat(page.notes).map((text) => el("p", { class: "soft" }, told(text, 300)))),
    measuredCard(p.measured),
    el("section", { class: "part" }, el("h2", {}, "Jumpers: try another position"),
      page.windows.some((w) => w.positions.length) ? null : el("p", { class: "soft" }, "The map file gives no window its positions."),
      page.windows.filter((w) => w.positions.length).map((w, n) => jumper(w, n, stands, moves, load)),
      moved ? [el("p", { class: "caution" }, "This moves nothing but the picture. Before you move the jumper itself: power off and unplug; ISA is not hot-plug. Mind static discharge."),
        el("button", { class: "plain", type: "button", id: "back", onclick: () => { moves.clear(); load(); } }, "Back to how it stands")] : null,
      page.map.moves.length ? [el("h3", {}, "What would solve it"), el("ul", { class: "ways" }, page.map.moves.map((way, n) => el("li", {},
        el("button", { class: "plain", type: "button", id: `way${n}`, onclick: () => { for (const m of way.moves) moves.set(m.window, m.base ?? "off"); load(); } },
          way.moves.map((m) => `${harmless(m.window, 40)} to ${m.base ?? "off"}`).join(", ")), " ",
        el("span", { class: "soft" }, outcomeOf(way)))))] : null,
      page.map.room.map((one) => el("p", {}, el("strong", {}, wire(one.name, 60)), ` (${size(one.size)}) fits at: ${one.bases.slice(0, 24).join(", ") || noRoom(page, one.name)}`))),
    el("section", { class: "part" }, el("h2", {}, "Predicted ROM scan"), el("ul", { class: "scan-list" }, p.roms.map((rom) =>
      el("li", {}, tag(rom.runs, rom.runs ? runs(rom) : rom.runs === false ? "passed over" : "unknown"),
        el("span", {}, el("strong", {}, wire(rom.window, 60)), rom.at ? ` at ${rom.at}` : "", el("span", { class: "soft" }, " ", told(rom.why, 300))))))),
    p.disagreements.length ? el("section", { class: "part" }, el("h2", {}, "Scans of other machines"),
      el("ul", { class: "scan-list" }, p.disagreements.map((one) => el("li", {}, tag(null, "not the same"), el("span", {}, told(one.text, 700)))))) : null,
    p.usual.length ? el("section", { class: "part" }, el("details", {}, el("summary", {}, "Usual windows that this map does not have"),
      el("ul", { class: "scan-list" }, p.usual.map((one) => el("li", {}, el("span", {}, `${one.from}-${one.to} ${one.name} `, el("span", { class: "soft" }, `(${one.source})`))))))) : null,
    page.agreement.length ? el("section", { class: "part" }, el("h2", {}, "Beside what ", el("a", { href: `/boot/${encodeURIComponent(page.boot)}` }, "the last boot"), " showed"),
      moved ? el("p", { class: "soft" }, "That boot ran as the machine stood then, not as moved here.") : null,
      el("ul", { class: "scan-list" }, page.agreement.map((one) => el("li", {}, tag(one.agrees, one.agrees === null ? "cannot say" : one.agrees ? "agrees" : "differs"), el("span", {}, told(one.text, 400)))))) : null,
    reporterCard(page),
  ];
}

/** Why something fits nowhere, in the words of the command line: a window is asked at its jumper's positions only. */
function noRoom(page, name) {
  const places = page.windows.find((one) => one.name === name)?.positions ?? [];
  return places.length ? `none of its jumper's positions (${places.map((at) => (at === null ? "off" : hex(at))).join(", ")}) is free` : "no free base";
}

/** What a set of moves leaves, in the words of the command line. */
function outcomeOf(way) {
  if (way.solves) return "nothing overlaps and every ROM runs";
  const off = new Set(way.moves.filter((m) => m.base === null).map((m) => m.window));
  const idle = way.not_running.filter((name) => !off.has(name)).map((name) => harmless(name, 40));
  const left = [way.overlapping_bytes ? `${size(way.overlapping_bytes)} overlap` : "", idle.length ? `${idle.join(", ")} ${idle.length > 1 ? "do" : "does"} not run` : ""].filter(Boolean);
  return left.length ? `better, but ${left.join(" and ")}` : "nothing overlaps and every other ROM runs";
}

const tag = (good, word) => el("span", { class: `tag ${good ? "yes" : "not"}` }, shape(good ? "finished" : good === false ? "link-lost" : "idle"), word);

function jumper(w, n, stands, moves, load) {
  const was = stands.windows.find((one) => one.name === w.name);
  const places = [...new Set([...w.positions, was.base])];
  return el("fieldset", { class: "jumper" }, el("legend", {}, wire(w.name, 60), el("span", { class: "soft" }, ` ${AGAIN[w.kind]}, ${size(w.size)}`)),
    el("div", { class: "choices" }, places.map((place, i) => {
      const id = `j${n}-${i}`;
      const radio = el("input", { type: "radio", name: `jumper-${n}`, id, checked: w.base === place });
      radio.addEventListener("change", () => {
        if (place === was.base) moves.delete(w.name);
        else moves.set(w.name, place === null ? "off" : hex(place));
        load();
      });
      return el("label", { for: id }, radio, place === null ? "off" : hex(place), place === was.base ? el("span", { class: "soft" }, "now") : null);
    })));
}
