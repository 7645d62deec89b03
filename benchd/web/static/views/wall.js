// The wall of an archive: every machine on every bench, those that need somebody first; and how far behind it is.
import { el, harmless, put, shape, told, wire } from "../dom.js";
import { ask, KINDS, when, WORDS } from "../talk.js";

const ASK_MS = 2000;
const OLD_MS = 8000;
const BEHIND_EVERY = 3;
const SHOWN = 400;

export async function show(main, { start }) {
  const sum = el("p", { class: "wall-sum", role: "status" });
  const wall = el("ul", { class: "wall", "aria-label": "Machines" });
  const behind = el("section", { class: "part", "aria-labelledby": "h-behind" });
  const notice = document.getElementById("notice");
  let heard = performance.now();
  let round = 0;
  let drawn = "";
  put(main, el("h1", { class: "unseen" }, "Now, on all benches"), sum, wall, behind);

  async function look() {
    try {
      const machines = await ask("/api/archive/now");
      heard = performance.now();
      const key = JSON.stringify(machines);
      if (key !== drawn) {
        drawn = key;
        draw(machines);
      }
      if (round++ % BEHIND_EVERY === 0) drawBehind(behind, await ask("/api/archive/behind"));
    } catch { /* said below when it lasts */ }
    const old = performance.now() - heard > OLD_MS;
    notice.hidden = !old;
    put(notice, old ? "The archive does not answer. What is shown is old; trying again by itself." : "");
  }

  function draw(machines) {
    const bad = machines.filter((one) => one.alerts.length || one.stuck);
    const benches = new Set(machines.map((one) => one.bench));
    const gone = new Set(machines.filter((one) => !one.online).map((one) => one.bench));
    const words = [bad.length ? `${counted(bad.length, "machine")} ${bad.length === 1 ? "needs" : "need"} somebody` : "All is well",
      `${counted(machines.length, "machine")} on ${counted(benches.size, "bench")}`, gone.size ? `${counted(gone.size, "bench")} silent` : ""];
    sum.textContent = machines.length ? `${words.filter(Boolean).join("; ")}.` : "No bench has told of a machine yet.";
    sum.dataset.bad = bad.length ? "yes" : "no";
    document.title = bad.length ? `▌▌ ${bad.slice(0, 3).map((one) => harmless(one.name, 40)).join(", ")}` : `${harmless(start.bench, 60)}: now`;
    put(wall, machines.slice(0, SHOWN).map(tile), machines.length > SHOWN ? el("li", { class: "soft" }, `and ${machines.length - SHOWN} more`) : null);
  }

  await look();
  setInterval(() => { if (!document.hidden) look(); }, ASK_MS);
}

const counted = (number, noun) => `${number} ${noun}${number === 1 ? "" : noun === "bench" ? "es" : "s"}`;

function tile(one) {
  const alert = one.alerts[0];
  const state = one.online ? one.outcome ?? "idle" : "link-lost";
  const facts = [one.stage && ["in ", wire(one.stage, 40)], one.code && [" at code ", el("strong", {}, wire(one.code, 4))]].filter(Boolean);
  return el("li", { class: "tile", "data-state": state, "data-alarm": (alert || one.stuck) && one.online ? "yes" : "no" },
    el("h2", {}, wire(one.machine, 64), el("span", { class: "soft" }, " on ", wire(one.bench, 64))),
    el("p", { class: "state" }, shape(state), " ", el("span", {}, one.online ? WORDS[state] : one.online === null ? "nothing is known of its bench" : "its bench is not there")),
    facts.length ? el("p", {}, facts) : null,
    one.alerts.slice(0, 2).map((bad) => el("p", { class: "wall-alert" }, `${KINDS[bad.kind] ?? "link down"}: `, wire(bad.kind === "link" ? bad.rule : bad.stage ?? bad.rule, 60), ` since ${when(bad.since, true)}. `, bad.means ? told(bad.means, 160, one.machine) : null)),
    el("p", { class: "soft" }, one.boot ? el("a", { href: `/boot/${encodeURIComponent(one.boot)}` }, "its boot") : null, one.boot ? " · " : null,
      el("a", { href: `/boots?machine=${encodeURIComponent(one.name)}` }, "all its boots"), ` · told ${when(one.at, true)}`));
}

function drawBehind(box, found) {
  const rows = found.benches ?? [];
  put(box, el("h2", { id: "h-behind" }, "How far behind"),
    rows.length ? el("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": "Benches" }, el("table", {},
      el("thead", {}, el("tr", {}, ["bench", "is", "boots", "last event", "missing", "asked"].map((word) => el("th", { scope: "col" }, word)))),
      el("tbody", {}, rows.slice(0, SHOWN).map((one) => el("tr", {}, el("th", { scope: "row" }, wire(one.bench, 64)),
        el("td", {}, one.online ? "there" : one.online === null ? "unknown" : "silent"), el("td", {}, one.boots), el("td", {}, one.last_at ? when(one.last_at, true) : "–"),
        el("td", {}, one.missing ? `${one.missing} ${one.missing === 1 ? "event" : "events"}${one.hears ? "" : "; it hears no asks"}` : "nothing"),
        el("td", {}, one.asked ? `${when(one.asked, true)}, ${one.answered ? "answered" : "no answer yet"}` : "–")))))) : el("p", { class: "soft" }, "No bench was heard of yet."),
    found.refused?.length ? el("p", { class: "soft" }, "Refused messages: ", found.refused.map((one) => `${one.count} ${one.reason}`).join(", "), ".") : null);
}
