// Models of machines, and of one: at which code and stage its boots stand, on all benches.
import { el, put, wire, harmless } from "../dom.js";
import { archived, ask, percent, seconds } from "../talk.js";

const counted = (number, noun) => `${number} ${noun}${number === 1 ? "" : "s"}`;

export async function show(main, { argument }) {
  if (!argument) return all(main, await ask("/api/models"));
  const path = `/api/models/${encodeURIComponent(argument)}`;
  const elsewhere = el("div", { id: "shared" });
  let trouble = null;
  try {
    one(main, await ask(path));
  } catch (error) {
    trouble = error;
    put(main, el("h1", {}, "Where boots of ", wire(argument, 64), " stand"), el("p", { class: "wait" }, `Here: ${harmless(error.message, 300)}.`));
  }
  if (archived()) {
    if (trouble) throw trouble;
    return;
  }
  main.append(elsewhere);
  fetchShared(argument).then((shared) => {
    if (shared.view) put(elsewhere, el("h1", {}, "On all benches"), body(shared.view, false));
    else if (shared.problem) put(elsewhere, notReached(shared.problem));
    else if (trouble) put(elsewhere, el("p", { class: "soft" }, "Other benches are not asked: [archive] is not set in the settings."));
  });
}

/** What the archive tells of a model; never an error: what kept it is its `problem`. */
export async function fetchShared(model) {
  try {
    return await ask(`/api/models/${encodeURIComponent(model)}/shared`);
  } catch (error) {
    return { view: null, problem: error.message };
  }
}

export const notReached = (problem) => el("p", { class: "wait" }, `Boots on other benches cannot be shown: ${harmless(problem, 400)}`);

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
  put(main, el("h1", {}, "Where boots of ", wire(found.model, 64), " stand"), body(found, true));
}

/** In one sentence: how many boots there are, and what became of them. */
export function sum(found) {
  const others = found.boots - found.tells;
  return `${counted(found.boots, "boot")} of ${counted(found.machines.length, "machine")}: ${found.finished} finished, ${found.stood} stood${others ? `, ${others} cut short or without link` : ""}.`;
}

/** All that is known of a model. `here`: its boots and machines are in this store and have pages. */
function body(found, here) {
  return [el("p", { class: "sentence" }, sum(found)),
    found.places.length ? el("ol", { class: "places" }, found.places.slice(0, 40).map((place) => spot(place, found, here))) : el("p", { class: "wait" }, "None stood anywhere."),
    found.times.length ? times(found.times) : null,
    el("section", { class: "part" }, el("h2", {}, "Machines"), grid("Machines", ["machine", "boots", "finished", "stood"],
      found.machines.map((m) => [here ? el("a", { href: `/boots?machine=${encodeURIComponent(m.machine)}` }, wire(m.machine, 80)) : wire(m.machine, 80), m.boots, m.finished, m.stood])))];
}

function spot(place, found, here) {
  const width = (share) => `${(100 * share).toFixed(1)}%`;
  return el("li", { class: "part place" },
    el("h2", {}, where(place)),
    el("div", { class: "place-bar", "aria-hidden": "true" }, el("i", { class: "band", style: { left: width(place.low), width: width(place.high - place.low) } }), el("i", { class: "tick", style: { left: width(place.share) } })),
    el("p", {}, el("strong", {}, `${percent(place.share)}`), ` of the boots that tell (${percent(place.low)} to ${percent(place.high)}): ${counted(place.boots, "boot")} on ${place.machines} of ${counted(found.machines.length, "machine")}`),
    el("p", { class: "soft" }, `by ${found.by}: `, Object.entries(place.counts).slice(0, 12).map(([name, count], n) => [n ? ", " : null, wire(name, 64), ` ${count}`]), "; rules ", wire(place.table, 60)),
    el("p", {}, "newest: ", place.newest.map((id, n) => [n ? ", " : null, here ? el("a", { href: `/boot/${encodeURIComponent(id)}` }, wire(id, 80)) : wire(id, 80)])));
}

export const where = (place) => [place.stage ? wire(place.stage, 60) : "before any stage", place.code ? [" at code ", wire(place.code, 4)] : null, place.outcome === "looped" ? ", looping" : null];

function times(list) {
  return el("section", { class: "part" }, el("h2", {}, "How long its stages usually take, in good boots"), grid("Stage times", ["stage", "usual", "middle half", "shortest to longest", "good boots"],
    list.map((t) => [wire(t.stage, 60), seconds(t.median), `${seconds(t.quarter)} to ${seconds(t.three_quarters)}`, `${seconds(t.low)} to ${seconds(t.high)}`, t.n])));
}

export function grid(label, heads, rows) {
  return el("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": label }, el("table", { class: "stacked" },
    el("thead", {}, el("tr", {}, heads.map((head) => el("th", { scope: "col" }, head)))),
    el("tbody", {}, rows.map(([first, ...rest]) => el("tr", {}, el("th", { scope: "row" }, first), rest.map((cell, n) => el("td", { "data-name": heads[n + 1] }, cell)))))));
}
