// Starting a trial: what runs ends only when a person says so, and a boot that began just before may be the new one's.
import { el, put, told, wire } from "../dom.js";
import { send } from "../talk.js";
import { doing } from "./care.js";

/** Return a function that starts a trial of a study. Questions are put into `box`; `act(work, button)` does and reloads. */
export function starter(box, act, study, machine) {
  const close = el("button", { type: "button", class: "plain" }, "No");
  close.addEventListener("click", () => put(box));
  const show = (...parts) => {
    put(box, el("div", { class: "question", role: "alert" }, parts));
    box.scrollIntoView({ block: "nearest" });
    box.querySelector("button")?.focus();
  };

  async function begin(body) {
    put(box);
    try {
      const answer = await send("/api/trials", { study, machine, ...body });
      const before = answer.boot_before;
      const trial = answer.started.trial.id;
      if (before) {
        show(el("p", {}, `A boot began ${Math.round(before.began_s)} s before: is it this trial's?`),
          doing(`Yes, it belongs to ${trial}`, async () => {
            await send(`/api/boots/${encodeURIComponent(before.boot)}/move`, { trial });
            put(box);
          }, act, "big"), close);
      }
    } catch (error) {
      const running = error.answer?.running;
      if (!running) throw error;
      const count = (n, word) => `${n} ${word}${n === 1 ? "" : "s"}`;
      show(el("p", {}, "Trial ", wire(running.id, 20), ` is running, with ${count(error.answer.boots, "boot")} and ${count(error.answer.results, "result")}.`),
        doing(["End ", running.id, " and start the new one"], () => begin({ ...body, end_running: running.id }), act, "big"), close);
    }
  }
  return (body, button) => act(() => begin(body), button);
}

/** The sentence on a trial that was left running since an earlier day, with the button that ends it. */
export const leftRunning = (words, trial, act) => el("div", { class: "forgotten" }, el("p", {}, told(words, 300)),
  doing("End it", () => send(`/api/trials/${encodeURIComponent(trial)}/end`), act));
