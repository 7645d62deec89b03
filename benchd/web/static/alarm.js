// What reaches somebody who does not look: a sound of two tones, and the system's notifications. Both off at first.
import { el } from "./dom.js";
import { kept } from "./talk.js";

const AGAIN_MS = 8000;
let sound = null;
let ringing = null;
let allowed = kept.get("sound", "off") === "on";
const standing = new Set();

function tone(context, at, hertz, length) {
  const voice = context.createOscillator();
  const level = context.createGain();
  voice.type = "triangle";
  voice.frequency.value = hertz;
  level.gain.setValueAtTime(0, at);
  level.gain.linearRampToValueAtTime(0.35, at + 0.02);
  level.gain.setValueAtTime(0.35, at + length - 0.05);
  level.gain.linearRampToValueAtTime(0, at + length);
  voice.connect(level).connect(context.destination);
  voice.start(at);
  voice.stop(at + length);
}

function ring() {
  if (!allowed) return;
  sound ??= new AudioContext();
  sound.resume().then(() => {
    for (const [n, hertz] of [660, 440, 660, 440].entries()) tone(sound, sound.currentTime + n * 0.32, hertz, 0.3);
  }).catch(() => {});
}

/** Begin to ring for a machine, until `calm` is told of it. Words are for the notification. */
export function alarm(machine, words) {
  if (standing.has(machine)) return;
  standing.add(machine);
  ring();
  ringing ??= setInterval(ring, AGAIN_MS);
  if (kept.get("notify", "off") === "on" && window.Notification?.permission === "granted") {
    new Notification(words, { tag: `benchd ${machine}`, icon: "/static/mark.svg", requireInteraction: true });
  }
}

/** The machine goes on, or is gone. */
export function calm(machine) {
  standing.delete(machine);
  if (!standing.size && ringing) {
    clearInterval(ringing);
    ringing = null;
  }
}

export const alarms = () => standing.size;

/** The switch of the sound. Pressing it is what lets a browser play: so it plays once. */
export function soundSwitch() {
  const button = el("button", { type: "button", class: "quiet-button", id: "sound", "aria-pressed": String(allowed) });
  const label = () => { button.textContent = allowed ? "sound: on" : "sound: off"; };
  label();
  button.addEventListener("click", () => {
    allowed = !allowed;
    kept.set("sound", allowed ? "on" : "off");
    button.setAttribute("aria-pressed", String(allowed));
    label();
    if (allowed) ring();
    else sound?.suspend();
  });
  return button;
}

/** The switch of notifications; browsers give them only to secure pages, and 127.0.0.1 counts as one. */
export function noticeSwitch() {
  const can = "Notification" in window && window.isSecureContext;
  const on = () => can && kept.get("notify", "off") === "on" && Notification.permission === "granted";
  const button = el("button", { type: "button", class: "quiet-button", id: "notify", disabled: !can });
  const label = () => {
    button.setAttribute("aria-pressed", String(on()));
    button.textContent = !can ? "notices: not here" : on() ? "notices: on"
      : Notification.permission === "denied" ? "notices: refused by the browser" : "notices: off";
  };
  label();
  button.addEventListener("click", async () => {
    if (on()) kept.set("notify", "off");
    else {
      kept.set("notify", "on");
      await Notification.requestPermission();
    }
    label();
  });
  return button;
}
