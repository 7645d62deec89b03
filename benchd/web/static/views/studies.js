// Studies: one line each, a form for a new one, and those that were deleted.
import { el, harmless, put, wire } from "../dom.js";
import { archived, ask, send, when } from "../talk.js";
import { doing } from "./care.js";
import { newStudy } from "./newstudy.js";

export async function show(main, { start }) {
  const [studies, deleted] = await Promise.all([ask("/api/studies"), ask("/api/deleted").catch(() => ({ studies: [] }))]);
  const told = el("p", { class: "conclusion", role: "status" }, harmless(sessionStorage.getItem("benchd.gone") ?? "", 400));
  sessionStorage.removeItem("benchd.gone");
  const act = (work) => work().then(() => show(main, { start }), (error) => { told.textContent = harmless(error.message, 400); });
  const names = [...new Set(deleted.studies.map((one) => one.name ?? one.study))];
  put(main, el("h1", {}, "Studies"), told,
    studies.length ? el("ul", {}, studies.map((one) => el("li", { class: "part" },
      el("h2", {}, el("a", { href: `/study/${encodeURIComponent(one.name)}` }, wire(one.name, 120))),
      one.question ? el("p", { class: "sentence" }, wire(one.question, 400)) : null,
      el("p", { class: "meta" }, el("span", {}, "goal ", el("strong", {}, wire(one.goal, 120))), el("span", {}, el("strong", {}, one.factors), one.factors === 1 ? " factor" : " factors"),
        el("span", {}, el("strong", {}, one.trials), one.trials === 1 ? " trial" : " trials"),
        el("span", {}, one.running ? ["trial ", el("strong", {}, wire(one.running, 20)), " is running"] : "nothing is running"), el("span", {}, `edited ${when(one.edited)}`)))))
      : el("p", { class: "wait" }, "No study yet: a question, what counts as success, and what can be changed."),
    archived() ? null : newStudy(start),
    names.length && !archived() ? el("details", { class: "care" }, el("summary", {}, "Deleted studies"), el("div", { class: "actions" }, names.map((name) =>
      doing(["Bring back ", wire(name, 120)], () => send(`/api/studies/${encodeURIComponent(name)}/restore`), act)))) : null);
}
