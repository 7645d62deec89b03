// Studies: one line each.
import { el, put, wire } from "../dom.js";
import { ask, when } from "../talk.js";

export async function show(main) {
  const studies = await ask("/api/studies");
  put(main, el("h1", {}, "Studies"),
    studies.length ? el("ul", {}, studies.map((one) => el("li", { class: "part" },
      el("h2", {}, el("a", { href: `/study/${encodeURIComponent(one.name)}` }, wire(one.name, 120))),
      one.question ? el("p", { class: "sentence" }, wire(one.question, 400)) : null,
      el("p", { class: "meta" }, el("span", {}, "goal ", el("strong", {}, wire(one.goal, 120))), el("span", {}, el("strong", {}, one.factors), one.factors === 1 ? " factor" : " factors"),
        el("span", {}, el("strong", {}, one.trials), one.trials === 1 ? " trial" : " trials"),
        el("span", {}, one.running ? ["trial ", el("strong", {}, wire(one.running, 20)), " is running"] : "nothing is running"), el("span", {}, `edited ${when(one.edited)}`)))))
      : el("p", { class: "wait" }, "No study yet. benchd study makes one: a question, what can be changed, and what counts as success."));
}
