// Asking the daemon, and words for what it says.

/** A request's JSON. Throws an Error with the daemon's own sentence; its `answer` is all that it said. */
export async function ask(path, options = {}) {
  let answer;
  try {
    answer = await fetch(path, { credentials: "same-origin", ...options });
  } catch {
    throw new Error("the daemon does not answer");
  }
  if (answer.status === 401) {
    location.assign(`/login?next=${encodeURIComponent(location.pathname)}`);
    throw new Error("a token is needed");
  }
  if (!answer.ok) {
    const error = new Error(`${answer.status} ${answer.statusText}`);
    try {
      error.answer = await answer.json();
      error.message = error.answer.detail ?? error.message;
    } catch { /* not JSON: the status says it */ }
    throw error;
  }
  return answer.status === 204 ? null : answer.json();
}

/** Change something: JSON, which a form of another site cannot send. */
export const send = (path, body, method = "POST") =>
  ask(path, { method, headers: { "Content-Type": "application/json" }, body: JSON.stringify(body ?? {}) });

/** Whether this is an archive of several benches: what would change something is not drawn then. */
export const archived = () => document.body.dataset.archive === "yes";

export const WORDS = {
  running: "running",
  finished: "finished",
  stalled: "STALLED",
  looped: "LOOPING",
  "cut-short": "cut short",
  recorded: "recorded",
  "link-lost": "link lost",
  idle: "no boot yet",
};

export const KINDS = {
  stall: "stalled",
  loop: "looping",
  skipped: "stage skipped",
  late: "out of order",
  slow: "slow",
  fault: "fault told by the machine",
  "unknown-code": "unknown code",
  "setup-differs": "not set up as was said",
  "wrong-table": "wrong rule table",
  "wrong-speed": "wrong line speed",
  "swapped-links": "links exchanged",
  quiet: "quiet",
};

/** Seconds with the digits that their uncertainty allows. */
export function seconds(s, u) {
  if (s === null || s === undefined) return "–";
  let digits = u > 0 ? Math.max(0, Math.min(4, Math.ceil(-Math.log10(u)))) : s < 10 ? 2 : s < 100 ? 1 : 0;
  if (u > 0 && s >= 1000) digits = Math.min(digits, 1);
  return `${s.toFixed(digits)} s`;
}

/** A running clock: tenths while they can be read, then minutes and seconds. */
export function clock(s) {
  if (s < 100) return s.toFixed(1);
  const whole = Math.floor(s);
  const [h, m, rest] = [Math.floor(whole / 3600), Math.floor(whole / 60) % 60, whole % 60];
  return h ? `${h}:${String(m).padStart(2, "0")}:${String(rest).padStart(2, "0")}` : `${m}:${String(rest).padStart(2, "0")}`;
}

/** A wall time as a label. */
export function when(iso, short = false) {
  const at = new Date(iso);
  if (Number.isNaN(at.valueOf())) return iso;
  const year = short && at.getFullYear() === new Date().getFullYear() ? undefined : "numeric";
  const day = at.toLocaleDateString(undefined, { year, month: "short", day: "numeric" });
  return `${day}, ${at.toLocaleTimeString(undefined, { hour12: false })}`;
}

export const percent = (p) => (p > 0.995 ? "over 99 %" : p > 0 && p < 0.005 ? "under 1 %" : `${Math.round(p * 100)} %`);

/** Things kept in this browser only. */
export const kept = {
  get(name, other) {
    try {
      return localStorage.getItem(`benchd.${name}`) ?? other;
    } catch {
      return other;
    }
  },
  set(name, value) {
    try {
      localStorage.setItem(`benchd.${name}`, value);
    } catch { /* storage is switched off */ }
  },
};
