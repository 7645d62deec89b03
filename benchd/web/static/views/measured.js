// What the machine itself read, beside its map; and the program that makes it tell.
import { el, svg, shape, told, wire, harmless } from "../dom.js";

const hex = (at) => at.toString(16).toUpperCase().padStart(5, "0");
const END = 0x100000;

const READ = { floating: "nobody answers (floating)", ff: "FFh", content: "something answers", changing: "changes between two passes", untold: "unknown: the line was damaged" };
const STRIP = 20;

/** What the machine read, block by block, along the right edge: a fill for what answers, a frame for what differs. */
export function measuredStrip(measured, y, left, inner) {
  const x = left + inner - STRIP - 4;
  const parts = [svg("rect", { class: "m-ground", x: x - 2, y: y(0xc0000), width: STRIP + 4, height: y(END) - y(0xc0000) }, svg("title", {}, "as the machine itself read"))];
  for (const one of measured.blocks) {
    const at = parseInt(one.at, 16);
    const word = one.measured.split(" ")[0];
    parts.push(svg("rect", { class: `m-${word}`, x, y: y(at) + 0.3, width: STRIP, height: y(at + 0x800) - y(at) - 0.6 },
      svg("title", {}, `${one.at}: ${READ[word] ?? `${one.measured}h throughout`}`)));
  }
  for (const one of measured.differences) {
    const [from, to] = [parseInt(one.from, 16), parseInt(one.to, 16) + 1];
    parts.push(svg("rect", { class: "m-differs", x: x - 4, y: y(from), width: STRIP + 8, height: Math.max(4, y(to) - y(from)) },
      svg("title", {}, `${one.from}-${one.to}: ${harmless(one.text, 300)}`)));
  }
  return parts;
}

/** What the machine told of itself, where that is another thing than the map says. */
export function measuredCard(measured) {
  if (!measured) return null;
  const whole = measured.complete ? "The report came whole." : `The report is not whole: ${measured.notes.join("; ")}.`;
  const legend = [["content", "something answers"], ["ff", "FFh"], ["floating", "nobody"], ["changing", "changes"], ["untold", "unknown"]];
  return el("section", { class: "part", "aria-labelledby": "h-measured" }, el("h2", { id: "h-measured" }, "As the machine itself read"),
    el("p", {}, "In ", el("a", { href: `/boot/${encodeURIComponent(measured.boot)}` }, "this boot"), ". ", told(whole, 600)),
    measured.differences.length
      ? el("ul", { class: "scan-list" }, measured.differences.map((one) => el("li", { "data-kind": one.kind }, el("span", { class: "tag not" }, shape("link-lost"), one.from), el("span", {}, el("strong", {}, `to ${one.to}: `), told(one.text, 300)))))
      : el("p", { class: "verdict" }, shape("finished"), " Nothing differs from the map."),
    measured.images.length ? el("p", { class: "soft" }, "Recognised: ", measured.images.map((one, n) => [n ? ", " : "", wire(one.image, 60), ` at ${one.at}`, one.blocks < one.of ? ` (${one.blocks} of ${one.of} blocks)` : ""])) : null,
    el("p", { class: "soft" }, `Free as measured: ${measured.free.map((one) => `${one.from}-${one.to}`).join(", ") || "nothing"}.`),
    el("ul", { class: "m-key", "aria-label": "The strip at the right of the map" }, legend.map(([name, word]) => el("li", {}, svg("svg", { viewBox: "0 0 14 14", width: 14, height: 14, "aria-hidden": "true", class: "drawing" }, svg("rect", { class: `m-${name}`, x: 1, y: 1, width: 12, height: 12 })), word))));
}

const WIRES = [["2 receives", "3 sends"], ["3 sends", "2 receives"], ["5 ground", "5 ground"]];

/** The program that makes the machine tell: three files, and the cable. */
export function reporterCard(page) {
  const bases = [...new Set(["C8000", ...(page.map.measured?.free ?? page.map.free).flatMap((one) => starts(one))])].sort().slice(0, 24);
  const base = el("select", { id: "r-base" }, bases.map((one) => el("option", { value: one }, one)));
  const disk = el("select", { id: "r-disk" }, ["360K", "720K", "1.2M", "1.44M"].map((one) => el("option", { value: one }, one)));
  const uart = el("select", { id: "r-uart" }, ["3F8", "2F8", "3E8", "2E8"].map((one, n) => el("option", { value: one }, `COM${n + 1} (${one})`)));
  const speed = el("select", { id: "r-speed" }, [9600, 1200, 2400, 4800, 19200, 38400, 57600, 115200].map((one) => el("option", { value: one }, `${one} bit/s`)));
  const files = [["rom", "Option ROM, 8 KiB", "for a socket or a card that has one"], ["floppy", "Floppy image", "written sector by sector, then booted"], ["com", "DOS program", "started by name"]];
  const links = files.map(([kind, name, what]) => [kind, el("a", { class: "file", download: true, "data-kind": kind }, name), what]);
  const aim = () => {
    for (const [kind, link] of links) link.href = `/api/reporter/${kind}?${new URLSearchParams({ uart: uart.value, speed: speed.value, ...(kind === "rom" ? { base: base.value } : {}), ...(kind === "floppy" ? { disk: disk.value } : {}) })}`;
  };
  for (const one of [base, disk, uart, speed]) one.addEventListener("change", aim);
  aim();
  const field = (name, one) => el("label", { class: "field" }, name, one);
  return el("section", { class: "part reporter", "aria-labelledby": "h-reporter" }, el("h2", { id: "h-reporter" }, "Ask the machine itself"),
    el("p", {}, "A small program on the old machine reads its first megabyte and tells over the null-modem cable who answers where. It writes to no card."),
    el("div", { class: "fields" }, field("serial port", uart), field("speed", speed), field("ROM stands at", base), field("floppy", disk)),
    el("ul", { class: "files" }, links.map(([, link, what]) => el("li", {}, link, el("span", { class: "soft" }, ` ${what}`)))),
    el("h3", {}, "The cable: three wires, handshake pins looped"),
    el("table", { class: "wiring" }, el("caption", { class: "soft" }, "Null modem, 9 pins at both ends"),
      el("thead", {}, el("tr", {}, el("th", { scope: "col" }, "old machine"), el("th", { scope: "col" }, "this computer"))),
      el("tbody", {}, WIRES.map(([a, b]) => el("tr", {}, el("td", {}, a), el("td", {}, b))),
        el("tr", {}, el("td", {}, "7 to 8; 4 to 6 and 1"), el("td", {}, "7 to 8; 4 to 6 and 1")))),
    el("p", { class: "caution" }, "Power off and unplug before a ROM or a card is put in; ISA is not hot-plug. Two mains-powered machines joined by a cable share their grounds: check both for ground faults first."));
}

/** Starts of 2 KiB from which 8 KiB are free, every 16 KiB at most. */
function starts(one) {
  const out = [];
  for (let at = Math.ceil(parseInt(one.from, 16) / 0x4000) * 0x4000; at + 0x2000 <= parseInt(one.to, 16) + 1; at += 0x4000) if (at >= 0xc0000 && at < 0xf0000) out.push(hex(at));
  return out;
}

/** The option ROMs that a boot's report read, with the files whose bytes they are. */
export function reportImages(measured) {
  return el("div", {}, el("h2", {}, "Images in its report"), measured.complete ? null : el("p", { class: "soft" }, "The report is not whole."),
    measured.roms.length ? el("ul", { class: "scan-list" }, measured.roms.map((one) => el("li", {},
      el("span", { class: `tag ${one.sum_ok ? "yes" : "not"}` }, shape(one.sum_ok ? "finished" : "link-lost"), one.sum_ok ? "sum fits" : "sum is wrong"),
      el("span", {}, el("strong", {}, one.at), ` ${one.length_bytes / 1024} KiB `, one.image ? ["is ", el("strong", {}, wire(one.image, 80))] : el("span", { class: "soft" }, "no image of the study")))))
      : el("p", { class: "soft" }, "The processor read no option ROM."));
}
