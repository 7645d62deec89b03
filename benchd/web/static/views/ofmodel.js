// Beside one boot: how long its stages usually take on all benches that have this model, and where its boots stand.
import { el, put, wire } from "../dom.js";
import { percent, seconds } from "../talk.js";
import { fetchShared, grid, notReached, sum, where } from "./models.js";

const PLACES = 3;

/** A section that fills itself when the archive has answered; null for a boot of no known model. */
export function ofModel(page) {
  const { boot } = page;
  if (!boot.model) return null;
  const said = el("div", {}, el("p", { class: "wait" }, "Asking the archive …"));
  fetchShared(boot.model).then((shared) => {
    put(said, shared.view ? told(page, shared.view) : shared.problem ? notReached(shared.problem) : null);
    said.dataset.asked = "yes";
  });
  return el("section", { class: "part", id: "of-model", "aria-labelledby": "h-model" }, el("h2", { id: "h-model" }, "Its model, ", wire(boot.model, 64)), said,
    el("p", {}, el("a", { href: `/model/${encodeURIComponent(boot.model)}` }, "At which code boots of this model stand")));
}

function told(page, view) {
  const { boot } = page;
  const stood = boot.outcome === "stalled" || boot.outcome === "looped";
  const same = (place) => stood && place.table === boot.table && place.stage === boot.last_stage && place.code === boot.last_code;
  const mine = view.places.filter(same);
  const places = [...mine, ...view.places.filter((place) => !same(place))].slice(0, PLACES);
  const times = new Map(view.times.filter((one) => one.table === boot.table).map((one) => [one.stage, one]));
  return [el("p", {}, "On all benches: ", sum(view)),
    times.size ? grid("Stage times of the model", ["stage", "this boot", ...(page.usual.length ? ["usual here"] : []), "usual on all benches", "middle half there", "good boots there"],
      boot.stages.map((stage, n) => row(stage, boot.stages[n + 1], page.usual, times.get(stage.name)))) : el("p", { class: "soft" }, "No good boots by these rules there yet."),
    places.length ? el("ul", { class: "plain-list" }, places.map((place) => el("li", {}, el("strong", {}, percent(place.share)), " of the boots that tell stand in ", where(place),
      same(place) ? ", as this one does" : null, el("span", { class: "soft" }, ` (${percent(place.low)} to ${percent(place.high)}; ${place.boots === 1 ? "1 boot" : `${place.boots} boots`}, by bench: `,
        Object.entries(place.counts).slice(0, 6).map(([name, count], n) => [n ? ", " : null, wire(name, 64), ` ${count}`]), ")")))) : el("p", { class: "soft" }, "None stood anywhere.")];
}

function row(stage, next, usual, there) {
  const here = usual.find((one) => one.stage === stage.name);
  return [wire(stage.name, 60), next ? seconds(next.t - stage.t) : "–", ...(usual.length ? [here?.n ? `${seconds(here.median)} (${here.n})` : "–"] : []),
    there ? seconds(there.median) : "–", there ? `${seconds(there.quarter)} to ${seconds(there.three_quarters)}` : "–", there?.n ?? 0];
}
