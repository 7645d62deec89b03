// What hands at the bench need beside a machine's card: the running trial, what was seen, the last boots, what is next.
import { el, harmless, put, shape, told, wire } from "../dom.js";
import { ask, seconds, send, when, WORDS } from "../talk.js";
import { leftRunning } from "./starting.js";

const STRIP = 8;
const AGAIN_MS = 2000;

/** A boot in a word: by the goal where that is known, else by how it ended. */
function judged(boot, verdicts) {
  if (boot.left_out) return { is: "left", shape: "idle", word: `left out: ${boot.left_out}` };
  const one = verdicts.get(boot.id);
  if (one?.ok === true) return { is: "good", shape: "finished", word: one.source === "boot" ? `goal reached: ${one.why}` : one.why };
  if (one?.ok === false) return { is: "bad", shape: "link-lost", word: one.source === "boot" ? `goal not reached: ${one.why}` : one.why };
  return { is: boot.outcome, shape: boot.outcome, word: WORDS[boot.outcome] };
}

const hourOf = (iso) => new Date(iso).toLocaleTimeString(undefined, { hour12: false, hour: "2-digit", minute: "2-digit" });

/** The part of Now below, or beside, a machine's card. `show(picture)` is called with each picture. */
export class Bench {
  constructor(machine) {
    this.machine = machine;
    this.key = "";
    this.asked = -AGAIN_MS;
    this.busy = false;
    this.nextOf = "";
    this.trial = el("div", { class: "running-trial" });
    this.hands = el("div", { class: "hands" });
    this.said = el("p", { class: "said", role: "status" });
    this.next = el("div", { class: "what-next" });
    this.strip = el("ol", { class: "strip", "aria-label": "Last boots, newest first" });
    this.node = el("div", { class: "slot" }, this.trial, this.hands, this.said,
      el("div", { class: "last-boots" }, el("h3", {}, "last boots"), this.strip), this.next);
    this.buildHands();
  }

  buildHands() {
    const press = (name, cls, look, work) => {
      const button = el("button", { type: "button", class: cls, "data-see": name }, shape(look), el("span", {}, name));
      button.addEventListener("click", () => this.act(work, button));
      return button;
    };
    const enter = (passed) => async () => {
      await this.countAgain();
      const got = await send("/api/results", { check: "goal", passed, trial: this.picture.trial });
      const back = el("button", { type: "button", class: "quiet-button" }, "take it back");
      back.addEventListener("click", () => this.act(async () => {
        await send(`/api/results/${got.id}`, {}, "DELETE");
        put(this.said, `Result ${got.id} is taken back.`);
      }, back));
      put(this.said, `Result ${got.id}: ${passed ? "passed" : "failed"}, for ${got.boot ? "the newest boot" : "the trial"}. `, back,
        got.warning ? el("span", { class: "caution" }, el("strong", {}, "Warning: "), told(got.warning, 300)) : null);
    };
    const note = el("input", { type: "text", maxlength: "2000", placeholder: "a note for this trial", "aria-label": "A note for this trial", name: "note" });
    const add = el("button", { type: "submit", class: "plain" }, "Add");
    const form = el("form", { class: "note-line" }, note, add);
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      const text = note.value.trim();
      if (!text) return note.focus();
      return this.act(async () => {
        await send(`/api/trials/${encodeURIComponent(this.picture.trial)}/notes`, { text });
        note.value = "";
        put(this.said, "The note is kept with the trial.");
      }, add);
    });
    put(this.hands, el("div", { class: "glove three", role: "group", "aria-label": "What did you see? It is entered for the newest boot of this trial." },
      press("passed", "pass", "finished", enter(true)), press("failed", "fail", "link-lost", enter(false)),
      press("unsure", "unsure", "idle", () => this.unsure())), form);
    this.hands.hidden = true;
  }

  /** The newest boot of the running trial, as far as the strip knows. */
  get newest() {
    return this.boots?.find((boot) => boot.trial === this.picture.trial && !boot.passes_of);
  }

  async unsure() {
    const boot = this.newest;
    if (!boot) throw new Error("This trial has no boot yet: there is nothing to leave out.");
    await send(`/api/boots/${encodeURIComponent(boot.id)}/leave-out`, { reason: "unsure, as seen at the bench" });
    const back = el("button", { type: "button", class: "quiet-button" }, "count it again");
    back.addEventListener("click", () => this.act(async () => {
      await this.countAgain();
      put(this.said, "It counts again.");
    }, back));
    put(this.said, `The boot of ${hourOf(boot.started)} is left out. `, back);
  }

  /** What a person is sure of now need not be left out any more. */
  async countAgain() {
    if (this.newest?.left_out) await send(`/api/boots/${encodeURIComponent(this.newest.id)}/count`);
  }

  // Not `disabled`: that would take the focus away from whoever works by keyboard.
  async act(work, button) {
    if (this.busy) return;
    this.busy = true;
    button.setAttribute("aria-disabled", "true");
    try {
      await work();
    } catch (error) {
      put(this.said, el("span", { class: "wrong" }, told(error.message, 400)));
    } finally {
      this.busy = false;
      button.removeAttribute("aria-disabled");
    }
    this.asked = -AGAIN_MS;
    await this.load();
  }

  show(picture) {
    this.picture = picture;
    const goal = picture.goal;
    const key = JSON.stringify([picture.trial, picture.boot?.id, picture.boot?.outcome, picture.boot?.ended, goal?.ok, goal?.why]);
    if (key === this.key) return;
    this.key = key;
    this.load();
  }

  /** Ask for the trial and the last boots again, but not oftener than every `AGAIN_MS`: a looping machine boots often. */
  async load() {
    if (this.waits) return;
    const rest = this.asked + AGAIN_MS - performance.now();
    if (rest > 0) {
      this.waits = setTimeout(() => { this.waits = 0; this.load(); }, rest);
      return;
    }
    this.asked = performance.now();
    const { trial, goal } = this.picture;
    const of = encodeURIComponent(this.machine);
    try {
      const [boots, study] = await Promise.all([
        ask(`/api/boots?machine=${of}&limit=${STRIP * 2}`),
        goal ? ask(`/api/studies/${encodeURIComponent(goal.study)}`).catch(() => null) : null,
      ]);
      this.boots = boots;
      this.drawStrip(boots, study);
      this.drawTrial(trial, goal, study);
      const of_ = study ? JSON.stringify([trial, study.trials.map((one) => [one.id, one.ok, one.fail])]) : "";
      if (of_ !== this.nextOf) {
        this.nextOf = of_;
        this.drawNext(study ? await ask(`/api/studies/${encodeURIComponent(goal.study)}/next?limit=1`).catch((error) => ({ advice: error.message, next: [], stop: false })) : null);
      }
    } catch { /* asked again with the next change */ }
  }

  drawStrip(boots, study) {
    const verdicts = new Map((study?.trials ?? []).flatMap((one) => one.boots.map((v) => [v.boot, v])));
    const own = boots.filter((boot) => !boot.passes_of).slice(0, STRIP);
    put(this.strip, own.map((boot) => {
      const how = judged(boot, verdicts);
      return el("li", {}, el("a", { href: `/boot/${encodeURIComponent(boot.id)}`, "data-is": how.is, title: harmless(`${when(boot.started)}: ${how.word}`, 200) },
        shape(how.shape), el("span", { class: "strip-at" }, hourOf(boot.started)), el("span", { class: "unseen" }, ` ${harmless(how.word, 120)}`),
        el("span", { class: "strip-trial" }, boot.trial ? wire(boot.trial, 8) : "–")));
    }));
    this.strip.parentElement.hidden = !own.length;
  }

  drawTrial(trial, goal, study) {
    this.hands.hidden = !trial;
    if (!trial) {
      put(this.trial, el("p", { class: "soft" }, "No trial is running: boots seen now belong to none. ", el("a", { href: "/studies" }, "Studies")));
      return;
    }
    const view = study?.trials.find((one) => one.id === trial);
    const changes = (view?.changes ?? []).map((c) => [wire(c.factor, 40), " ", el("strong", {}, wire(c.to, 40)), el("span", { class: "soft" }, " was ", wire(c.from, 40))]);
    put(this.trial,
      el("p", { class: "trial-line" }, "trial ", el("a", { href: goal ? `/study/${encodeURIComponent(goal.study)}` : "/studies" }, wire(trial, 20)), " ",
        changes.length ? changes.map((one, n) => [n ? ", " : "", one]) : view ? el("span", { class: "soft" }, "as it stood") : null),
      this.picture.trial_left ? leftRunning(this.picture.trial_left.replace(/ `benchd.*/, ""), trial, (work, button) => this.act(work, button)) : null);
  }

  drawNext(answer) {
    const one = answer?.next[0];
    if (!answer || (!one && !answer.advice)) return put(this.next);
    if (!one || answer.stop) return put(this.next, el("h3", {}, answer.stop ? "cause found" : "next trial"), el("p", {}, wire(answer.advice, 400)));
    return put(this.next,
      el("h3", {}, "next trial, ", el("span", { class: "soft" }, `${+one.minutes.toFixed(1)} min`)),
      el("ol", { class: "next-steps" }, one.steps.map((text) => el("li", {}, wire(text, 300)))),
      one.caution ? el("details", { class: "caution" }, el("summary", {}, "Caution: power off and unplug first"), wire(one.caution, 300)) : null);
  }
}

/** Two lengths of silence for one alarm, or the way back out of it. `act(for_s)` asks for it. */
export function silencer(act) {
  const node = el("div", { class: "silence" });
  const button = (text, for_s) => {
    const one = el("button", { type: "button", class: "hush" }, text);
    one.addEventListener("click", () => act(for_s));
    return one;
  };
  let drawn = null;
  return {
    node,
    show(left_s) {
      const state = left_s === null ? "loud" : "silent";
      if (state !== drawn) {
        drawn = state;
        put(node, state === "loud" ? [el("span", {}, "Silence this alarm:"), button("10 min", 600), button("1 h", 3600)]
          : [el("span", {}, "silenced for ", el("span", { class: "number" })), button("Let it sound", 0)]);
      }
      if (left_s !== null) {
        const number = node.querySelector(".number");
        const text = left_s >= 60 ? `${Math.ceil(left_s / 60)} min` : seconds(Math.ceil(left_s), 1);
        if (number.textContent !== text) number.textContent = text;
      }
    },
  };
}
