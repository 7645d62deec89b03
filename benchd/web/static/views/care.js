// Putting right what was entered wrongly: small forms for boots, results and trials, and the log of what people did.
import { el, harmless, put, shape, told, wire } from "../dom.js";
import { archived, ask, send, when } from "../talk.js";

const LOG = 60;

/** A button that does one thing by `act(work, button)`; none in an archive. */
export function doing(text, work, act, cls = "plain") {
  if (archived()) return null;
  const button = el("button", { type: "button", class: cls }, text);
  button.addEventListener("click", () => act(work, button));
  return button;
}

/** A form of one line: a labelled field and a button; `work(value)` is done when it is sent. */
export function oneLine(label, field, text, work, act) {
  const button = el("button", { type: "submit", class: "plain" }, text);
  const form = el("form", { class: "care-line" }, el("label", {}, label, field), button);
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    act(() => work(field.value.trim()), button);
  });
  return form;
}

/** Something that asks before it is done. `words` is the question. */
export function sure(text, words, yes, work, act) {
  const box = el("span", { class: "sure", role: "status" });
  const open = el("button", { type: "button", class: "plain" }, text);
  const no = el("button", { type: "button", class: "plain" }, "No");
  no.addEventListener("click", () => { put(box, open); open.focus(); });
  open.addEventListener("click", () => { put(box, el("span", {}, words), doing(yes, work, act, "big"), no); no.focus(); });
  return put(box, open);
}

const boots = "/api/boots";
const of = (id) => encodeURIComponent(id);

/** Results with their numbers, each to be taken back, and those that were, to be put back. */
export function resultList(results, taken, act, label = "Results entered") {
  if (!results.length && !taken.length) return el("p", { class: "soft" }, "No result was entered by hand.");
  const row = (one, back) => el("li", { class: back ? "gone" : null },
    el("span", {}, el("strong", {}, `#${one.id} `), shape(one.passed ? "finished" : "link-lost"), one.passed ? " passed: " : " failed: ", wire(one.check, 80)),
    el("span", { class: "soft" }, one.trial ? [" trial ", wire(one.trial, 20)] : null, one.boot ? [" ", el("a", { href: `/boot/${of(one.boot)}` }, "its boot")] : null, ` ${when(one.entered, true)}`, one.note ? [" ", wire(one.note, 200)] : null),
    back ? doing(`Put #${one.id} back`, () => send(`/api/results/${one.id}/put-back`), act) : doing(`Take #${one.id} back`, () => send(`/api/results/${one.id}`, {}, "DELETE"), act));
  return el("ul", { class: "care-list", "aria-label": label }, results.map((one) => row(one, false)), taken.map((one) => row(one, true)));
}

/** The log of what people did, newest first; asked for when it is opened. */
export function history(query) {
  const list = el("ol", { class: "care-list" });
  const box = el("details", { class: "history" }, el("summary", {}, "What was done so far"), list);
  box.addEventListener("toggle", async () => {
    if (!box.open) return;
    try {
      const lines = await ask(`/api/log?limit=${LOG}&${query}`);
      put(list, lines.length ? [...lines].reverse().map((one) => el("li", {}, el("span", { class: "soft" }, `${when(one.at, true)}, ${one.by}: `), told(one.what, 500))) : el("li", { class: "soft" }, "Nothing yet."));
    } catch (error) {
      put(list, el("li", { class: "wrong" }, harmless(error.message, 300)));
    }
  });
  return box;
}

/** What a person says of one boot: its trial, whether it counts, labels, a note, results. */
export function bootCare(page, trials, act) {
  const { boot } = page;
  if (archived()) return bootSaid(page);
  const path = `${boots}/${of(boot.id)}`;
  const own = trials.filter((one) => one.machine === boot.machine).slice(-60).reverse();
  const names = own.map((one) => [one.id, `${one.name ? `${one.name} (${one.id})` : one.id}, ${one.study}`]);
  if (boot.trial && !own.some((one) => one.id === boot.trial)) names.unshift([boot.trial, boot.trial]);
  const trial = el("select", {}, [["", "no trial"], ...names].map(([id, text]) => el("option", { value: id }, harmless(text, 80))));
  trial.value = boot.trial ?? "";
  const reason = el("input", { type: "text", maxlength: "400", placeholder: "why it says nothing" });
  const labels = el("input", { type: "text", value: (boot.labels ?? []).join(", "), placeholder: "cold start, lid open" });
  const note = el("textarea", { rows: "2", maxlength: "10000", value: boot.note ?? "" });
  return el("section", { class: "part care", "aria-labelledby": "h-care" }, el("h2", { id: "h-care" }, "Your notes on this boot"),
    boot.left_out ? el("div", { class: "caution" }, el("strong", {}, "Left out: "), wire(boot.left_out, 400), " ", doing("Count it again", () => send(`${path}/count`), act)) : null,
    page.outside ? el("p", { class: "caution" }, "Results were entered for it, and it belongs to no trial: they count nowhere.") : null,
    el("div", { class: "care-grid" },
      oneLine("labels, separated by commas", labels, "Keep", (value) => send(`${path}/labels`, { labels: value.split(",").map((one) => one.trim()).filter(Boolean) }), act),
      oneLine("note", note, "Keep", (value) => send(`${path}/note`, { text: value }), act),
      oneLine("trial", trial, "Move", (value) => send(`${path}/move`, { trial: value || null }), act),
      boot.left_out ? null : oneLine("leave it out, because", reason, "Leave out", (value) => send(`${path}/leave-out`, { reason: value }), act)),
    el("h3", {}, "Results, by number"), resultList(page.results ?? [], page.taken_back ?? [], act), history(`boot=${of(boot.id)}`));
}

/** The same where it can only be read. */
function bootSaid(page) {
  const { boot } = page;
  return el("section", { class: "part care", "aria-labelledby": "h-care" }, el("h2", { id: "h-care" }, "What was said of this boot at its bench"),
    boot.left_out ? el("p", { class: "caution" }, el("strong", {}, "Left out: "), wire(boot.left_out, 400)) : null,
    resultList(page.results ?? [], page.taken_back ?? [], null), history(`boot=${of(boot.id)}`));
}

/** What was entered in a study, to be put right: results, names of trials, trials without boots, the study itself. */
export function studyCare(page, act) {
  const study = page.study.name;
  if (archived()) {
    return el("details", { class: "care" }, el("summary", {}, "What was entered at its bench"),
      resultList(page.results, page.taken_back ?? [], null), history(`study=${of(study)}`));
  }
  const trials = [...page.trials].reverse();
  const select = el("select", {}, trials.map((one) => el("option", { value: one.id }, harmless(one.name ? `${one.id}: ${one.name}` : one.id, 80))));
  const box = el("div", {});
  const draw = () => {
    const one = trials.find((t) => t.id === select.value);
    if (!one) return put(box);
    const name = el("input", { type: "text", maxlength: "60", value: one.name ?? "" });
    const path = `/api/trials/${of(one.id)}`;
    return put(box, oneLine("its name", name, "Rename", (value) => send(`${path}/name`, { name: value }), act),
      one.boots.length ? el("p", { class: "soft" }, `It has ${one.boots.length} ${one.boots.length === 1 ? "boot" : "boots"}: move them to another trial before it can be deleted. Open a boot to move it or leave it out.`)
        : sure(`Delete ${one.id}`, `Delete ${one.id} with its results? It can be brought back.`, "Delete it", () => send(path, {}, "DELETE"), act),
      history(`trial=${of(one.id)}`));
  };
  select.addEventListener("change", draw);
  draw();
  const back = el("div", {});
  const details = el("details", { class: "care" }, el("summary", {}, "Put something right"),
    el("h3", {}, "Results, by number"), resultList(page.results, page.taken_back ?? [], act),
    trials.length ? [el("h3", {}, "A trial"), el("label", { class: "care-line" }, "trial", select), box] : null, back,
    el("h3", {}, "This study"), history(`study=${of(study)}`),
    sure("Delete the study", `Delete it with its ${page.trials.length} trials? An export is written first, and it can be brought back.`, "Delete it", async () => {
      const gone = await send(`/api/studies/${of(study)}/delete`, { yes: true });
      sessionStorage.setItem("benchd.gone", `${gone.study} is deleted. All of it is in ${gone.file}.`);
      location.assign("/studies");
    }, act));
  details.addEventListener("toggle", async () => {
    if (!details.open) return;
    const { trials: gone } = await ask("/api/deleted").catch(() => ({ trials: [] }));
    const own = gone.filter((one) => (one.trial ?? one).study === study).map((one) => (one.trial ?? one).id);
    put(back, own.length ? [el("h3", {}, "Deleted trials"), own.map((id) => doing(`Bring ${id} back`, () => send(`/api/trials/${of(id)}/restore`), act))] : null);
  });
  return details;
}
