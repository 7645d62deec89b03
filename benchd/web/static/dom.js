// Building the page. Text from the bench only ever becomes a text node, and only after harmless().

const HARMFUL = /[\p{Cc}\p{Cf}\p{Cs}\p{Co}\p{Cn}\p{Zl}\p{Zp}]/gu;

/** Text from the wire with controls, direction overrides and unassigned characters written out, cut at limit. */
export function harmless(text, limit = 400) {
  const whole = String(text);
  const shown = whole.slice(0, limit).replace(HARMFUL, (ch) => {
    const code = ch.codePointAt(0);
    return code < 256 ? `\\x${code.toString(16).padStart(2, "0")}` : `\\u${code.toString(16).padStart(4, "0")}`;
  });
  return whole.length > limit ? `${shown}... (${whole.length} characters)` : shown;
}

/** The same for a label with little room: cut with an ellipsis. */
export function short(text, most) {
  const shown = harmless(text, 200);
  return shown.length > most ? `${shown.slice(0, Math.max(1, most - 1))}…` : shown;
}

/** An element that shows text from the bench: isolated, so that its direction cannot reach its neighbours. */
export function wire(text, limit) {
  return el("bdi", { class: "wire", dir: "ltr" }, harmless(text, limit));
}

/** Text of benchd or of a rule table for people: the backticks round names are for terminals; a map is a link here. */
export function told(text, limit = 400, machine = "") {
  const [first, ...rest] = String(text).slice(0, limit).split("`benchd map`");
  const plain = (part) => harmless(part.replaceAll("`", ""), limit);
  const map = () => el("a", { href: machine ? `/map/${encodeURIComponent(machine)}` : "/map" }, "see the map");
  return el("bdi", { class: "wire", dir: "ltr" }, plain(first), rest.map((part) => [map(), plain(part)]));
}

function fill(node, props, children) {
  for (const [key, value] of Object.entries(props ?? {})) {
    if (value === undefined || value === null || value === false) continue;
    if (key.startsWith("on")) node.addEventListener(key.slice(2), value);
    else if (key === "style") for (const [name, one] of Object.entries(value)) node.style.setProperty(name, one);
    else if (key in { checked: 1, value: 1, disabled: 1, hidden: 1 }) node[key] = value;
    else node.setAttribute(key, value === true ? "" : value);
  }
  for (const child of children.flat(Infinity)) {
    if (child !== undefined && child !== null && child !== false) node.append(child);
  }
  return node;
}

/** An HTML element. Children that are strings become text nodes. */
export const el = (tag, props, ...children) => fill(document.createElement(tag), props, children);

/** An SVG element. */
export const svg = (tag, props, ...children) =>
  fill(document.createElementNS("http://www.w3.org/2000/svg", tag), props, children);

/** Replace what a node holds. */
export const put = (node, ...children) => {
  node.replaceChildren(...children.flat(Infinity).filter((c) => c !== undefined && c !== null && c !== false));
  return node;
};

/** Set text only where it differs: most updates change nothing, and layout is what costs. */
export const say = (node, text) => {
  if (node.textContent !== text) node.textContent = text;
};

/** A shape for a state; the word always stands beside it. */
export function shape(name) {
  const paths = {
    running: "M5 3l11 7-11 7z",
    finished: "M2 10.5l3-3 3.5 3.5L15.5 4l3 3L8.5 17z",
    stalled: "M3 3h5v14H3zm9 0h5v14h-5z",
    looped: "M10 3a7 7 0 1 0 7 7h-3a4 4 0 1 1-4-4v3l5-4.5L10 0z",
    "cut-short": "M2 9h5l2-7 3 16 2-9h4v3h-2l-3 8-4-14-1 6H2z",
    "link-lost": "M2 4l3-2 13 14-3 2zM15 2l3 2L5 18l-3-2z",
    idle: "M10 3a7 7 0 1 0 0 14 7 7 0 0 0 0-14zm0 3a4 4 0 1 1 0 8 4 4 0 0 1 0-8z",
    up: "M6 2h2v5h4V2h2v5h2v4a5 5 0 0 1-5 5v3H9v-3a5 5 0 0 1-5-5V7h2z",
    down: "M6 2h2v5h4V2h2v5h2v2H4V7h2zM4 12l3 0 9 6-2 2zM16 12l-3 0-9 6 2 2z",
  };
  return svg("svg", { class: "shape", viewBox: "0 0 20 20", "aria-hidden": "true" },
    svg("path", { d: paths[name] ?? paths.idle }));
}
