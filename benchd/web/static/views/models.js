// Models of machines, and of one: at which code and stage its boots stand, on all benches.
import { el, put, wire, harmless } from "../dom.js";
import { ask, percent, seconds } from "../talk.js";

const counted = (number, noun) => `${number} ${noun}${number === 1 ? "" : "s"}`;

export async function show(main, { argument }) {
  return argument ? one(main, await ask(`/api/models/${encodeURIComponent(argument)}`)) : all(main, await ask("/api/models"));
}

function all(main, models) {
  const names = Object.entries(models);
  document.title = "models";
  put(main, el("h1", {}, "Models of machines"),
    names.length ? el("ul", { class: "plain-list" }, names.map(([name, boots]) => el("li", { class: "part" },
      el("h2", {}, el("a", { href: `/model/${encodeURIComponent(name)}` }, wire(name, 64))), el("p", { class: "soft" }, counted(boots, "boot")))))
      : el("p", { class: "wait" }, "No boot is of a known model: benches set model under [[machine]] in their settings."));
}

function one(main, found) {
  document.title = `${harmless(found.model, 64)}: where its boots stand`;
  const others = found.boots - found.tells;
  put(main, el("h1", {}, "Where boots of ", wire(found.model, 64), " stand"),
    el("p", { class: "sentence" }, `${counted(found.boots, "boot")} of ${counted(found.machines.length, "machine")}: ${found.finished} finished, ${found.stood} stood${others ? `, ${others} cut short or without link` : ""}.`),
    found.places.length ? el("ol", { class: "places" }, found.places.slice(0, 40).map((place) => spot(place, found))) : el("p", { class: "wait" }, "None stood anywhere."),
    found.times.length ? times(found.times) : null,
    el("section", { class: "part" }, el("h2", {}, "Machines"), grid("Machines", ["machine", "boots", "finished", "stood"],
      found.machines.map((m) => [el("a", { href: `/boots?machine=${encodeURIComponent(m.machine)}` }, wire(m.machine, 80)), m.boots, m.finished, m.stood]))));
}

function spot(place, found) {
  const width = (share) => `${(100 * share).toFixed(1)}%`;
  return el("li", { class: "part place" },
    el("h2", {}, place.stage ? wire(place.stage, 60) : "before any stage", place.code ? [" at code ", wire(place.code, 4)] : null, place.outcome === "looped" ? ", looping" : null),
    el("div", { class: "place-bar", "aria-hidden": "true" }, el("i", { class: "band", style: { left: width(place.low), width: width(place.high - place.low) } }), el("i", { class: "tick", style: { left: width(place.share) } })),
    el("p", {}, el("strong", {}, `${percent(place.share)}`), ` of the boots that tell (${percent(place.low)} to ${percent(place.high)}): ${counted(place.boots, "boot")} on ${place.machines} of ${counted(found.machines.length, "machine")}`),
    el("p", { class: "soft" }, `by ${found.by}: `, Object.entries(place.counts).slice(0, 12).map(([name, count], n) => [n ? ", " : null, wire(name, 64), ` ${count}`]), "; rules ", wire(place.table, 60)),
    el("p", {}, "newest: ", place.newest.map((id, n) => [n ? ", " : null, el("a", { href: `/boot/${encodeURIComponent(id)}` }, wire(id, 80))])));
}

function times(list) {
  return el("section", { class: "part" }, el("h2", {}, "How long its stages usually take, in good boots"), grid("Stage times", ["stage", "usual", "middle half", "shortest to longest", "good boots"],
    list.map((t) => [wire(t.stage, 60), seconds(t.median), `${seconds(t.quarter)} to ${seconds(t.three_quarters)}`, `${seconds(t.low)} to ${seconds(t.high)}`, t.n])));
}

function grid(label, heads, rows) {
  return el("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": label }, el("table", {},
    el("thead", {}, el("tr", {}, heads.map((head) => el("th", { scope: "col" }, head)))),
    el("tbody", {}, rows.map(([first, ...rest]) => el("tr", {}, el("th", { scope: "row" }, first), rest.map((cell) => el("td", {}, cell)))))));
}
