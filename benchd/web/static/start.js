// Puts the frame of the page up and hands over to the view that the address names.
import { el, put, shape } from "./dom.js";
import { ask, kept } from "./talk.js";
import { soundSwitch, noticeSwitch } from "./alarm.js";

const VIEWS = [
  [/^\/$/, "now", "/", "Now"],
  [/^\/boots$/, "boots", "/boots", "Boots"],
  [/^\/boot\/(.+)$/, "boot"],
  [/^\/compare$/, "compare", "/compare", "Compare"],
  [/^\/studies$/, "studies", "/studies", "Studies"],
  [/^\/study\/(.+)$/, "study"],
  [/^\/models$/, "models", "/models", "Models"],
  [/^\/model\/(.+)$/, "models"],
  [/^\/map(?:\/(.+))?$/, "map", "/map", "Map"],
];
const PARENT = { boot: "boots", study: "studies" };
/** What an archive shows in place of a view, and what it has not: cards, cables and maps are at the benches. */
const IN_ARCHIVE = { now: "wall", map: null };

function lookSwitch() {
  const names = { auto: "look: as the system", light: "look: light", dark: "look: dark" };
  const next = { auto: "light", light: "dark", dark: "auto" };
  let now = kept.get("look", "auto");
  const button = el("button", { type: "button", class: "quiet-button", id: "look" }, names[now] ?? names.auto);
  button.addEventListener("click", () => {
    now = next[now] ?? "light";
    kept.set("look", now);
    if (now === "auto") delete document.documentElement.dataset.look;
    else document.documentElement.dataset.look = now;
    button.textContent = names[now];
    window.dispatchEvent(new Event("look"));
  });
  return button;
}

function frame(start, view) {
  const here = PARENT[view] ?? view;
  const links = VIEWS.filter((one) => one[2] && (start.archive ? IN_ARCHIVE[one[1]] !== null : one[1] !== "models")).map(([, name, href, label]) =>
    el("li", {}, el("a", { href, "aria-current": name === here ? "page" : null }, label)));
  put(
    document.getElementById("top"),
    el("p", { class: "bench" }, shape("up"), el("bdi", {}, start.bench)),
    el("nav", { "aria-label": "Views" }, el("ul", {}, links)),
    el("div", { class: "switches" }, view === "now" && !start.archive ? [soundSwitch(), noticeSwitch()] : [], lookSwitch()),
  );
}

async function begin() {
  const main = document.getElementById("view");
  const found = VIEWS.map(([pattern, name]) => [pattern.exec(location.pathname), name]).find(([hit]) => hit);
  if (!found) return put(main, el("h1", {}, "There is no such page"));
  const [hit, name] = found;
  const asked = ask("/api/start");
  const here = import(`./views/${name}.js`); // both at once; an archive has another view in few places only
  const start = await asked;
  document.body.dataset.archive = start.archive ? "yes" : "no";
  const shown = start.archive ? IN_ARCHIVE[name] ?? name : name;
  main.classList.add(`view-${shown}`);
  const view = shown === name ? await here : await import(`./views/${shown}.js`);
  frame(start, name);
  try {
    await view.show(main, { start, argument: hit[1] ? decodeURIComponent(hit[1]) : "" });
  } catch (error) {
    put(main, el("h1", {}, "This could not be shown"), el("p", { class: "wrong", role: "alert" }, error.message));
  }
  main.dataset.ready = "yes";
  performance.mark("shown");
}

async function untilItAnswers() {
  for (;;) {
    try {
      return await begin();
    } catch (error) {
      put(document.getElementById("view"),
        el("p", { class: "wait", role: "alert" }, `${error.message}; trying again every second`));
      await new Promise((go) => setTimeout(go, 1000));
    }
  }
}

untilItAnswers();
