"""The map as text: upper memory in cells of 2 KiB, then what the cells cannot say."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import groupby

from benchd.rom.contention import Clash
from benchd.rom.layout import Area, Layout, areas, conflict
from benchd.rom.measured import BlockView, MeasuredMap
from benchd.rom.moves import MapReport, Way
from benchd.rom.numbers import SLOT, hex_address, show_size
from benchd.rom.predict import ScanPrediction
from benchd.rom.scan import Slot

ROW = 0x8000
CELLS = ROW // SLOT
KEY = (
    "A letter is a window (small where it fills part of the cell), ## two or more, . nobody.",
    "> a ROM runs, ! found but not run, ? cannot be told, ' a mirror. A cell is 2 KiB.",
)


READ_KEY = "read: . nobody, F FFh, r something, k one value, ~ changes, - unknown; ! differs from the map."
READ = {"floating": ".", "ff": "F", "content": "r", "constant": "k", "changing": "~", "untold": "-"}


def label(number: int) -> str:
    """Return A, B ... Z, AA, AB ... for window `number` (from 0)."""
    high, low = divmod(number, 26)
    return (chr(64 + high) if high else "") + chr(65 + low)


def rows(layout: Layout) -> list[int]:
    """Return the row starts to draw: C0000-EFFFF always, other upper memory where a window answers."""
    used = {area.first // ROW * ROW for area in areas(layout.windows)}
    used |= {(area.end - 1) // ROW * ROW for area in areas(layout.windows)}
    return sorted(row for row in range(0xA0000, 0x100000, ROW) if 0xC0000 <= row < 0xF0000 or row in used)


def _cell(layout: Layout, places: list[Area], marks: dict[int, str], at: int) -> str:
    end = at + SLOT
    here = [area for area in places if area.first < end and at < area.end]
    mark = next((mark for slot, mark in sorted(marks.items()) if at <= slot < end), " ")
    if not here:
        return " ." + mark
    if _really_overlap(here, layout):
        return "##" + mark
    text = label(min(area.window for area in here))
    if not any(area.first <= at and end <= area.end for area in here):
        text = text.lower()
    if mark == " " and all(area.mirror for area in here):
        mark = "'"
    return f"{text:>2}{mark}"


def _really_overlap(here: list[Area], layout: Layout) -> bool:
    return any(
        a.first < b.end and b.first < a.end and conflict(layout.windows[a.window], layout.windows[b.window])
        for n, a in enumerate(here)
        for b in here[n + 1 :]
    )


def scan_marks(slots: Iterable[Slot]) -> dict[int, str]:
    """Return the mark of every slot at which the scan finds a header."""
    return {s.at: ">" if s.runs else "?" if s.runs is None else "!" for s in slots if s.found}


def cells(layout: Layout, prediction: ScanPrediction, measured: MeasuredMap | None = None) -> list[str]:
    """Return the lines of the cell map, a row for each 32 KiB; below it what was measured there."""
    places = areas(layout.windows)
    marks = scan_marks(prediction.slots)
    head = "       " + "".join(f"+{n * SLOT:04X}   "[:6] for n in range(0, CELLS, 2))
    out = [head.rstrip()]
    read = {} if measured is None else {view.at: view for view in measured.blocks}
    for row in rows(layout):
        near = [area for area in places if area.first < row + ROW and row < area.end]
        line = "".join(_cell(layout, near, marks, row + n * SLOT) for n in range(CELLS))
        out.append(f"{row:05X}  {line}".rstrip())
        if row in read:
            out.append("read   " + "".join(_read(read[row + n * SLOT]) for n in range(CELLS)).rstrip())
    return out


def _read(view: BlockView) -> str:
    """The cell of a block that was measured."""
    return f" {READ[view.measured.partition(' ')[0]]}{' ' if view.kind == 'same' else '!'}"


def scan_lines(slots: Iterable[Slot]) -> list[str]:
    """Return the scan, runs of empty slots drawn together."""
    out = []
    for (found, note), group in groupby(slots, key=lambda slot: (slot.found, slot.note)):
        batch = list(group)
        if not found:
            span = hex_address(batch[0].at)
            if len(batch) > 1:
                span += f"-{hex_address(batch[-1].at)}"
            text = f"{len(batch)} slot{'s' if len(batch) > 1 else ''} without header"
            out.append(f"{span:<11}  {text}{f' ({note})' if note else ''}")
            continue
        for slot in batch:
            verdict = "runs" if slot.runs else "cannot be told" if slot.runs is None else "not run"
            who = f"{slot.party}: " if slot.party else ""
            goes = f"goes on at {hex_address(slot.next)}"
            out.append(f"{hex_address(slot.at):<11}  {who}{verdict}, {goes} ({slot.note})")
    return out


def move_text(way: Way) -> str:
    """Return one set of jumper moves as a sentence."""
    moves = " and ".join(
        f"switch {one.window} off" if one.base is None else f"move {one.window} to {hex_address(one.base)}"
        for one in way.moves
    )
    if way.solves:
        return f"{moves}: nothing overlaps and every ROM runs"
    left = [f"{way.overlapping_bytes:,} bytes overlap"] if way.overlapping_bytes else []
    off = {one.window for one in way.moves if one.base is None}
    idle = [name for name in way.not_running if name not in off]
    if idle:
        left.append(f"{', '.join(idle)} does not run")
    if not left:
        return f"{moves}: nothing overlaps and every other ROM runs"
    return f"{moves}: better, but {' and '.join(left)}"


def draw_text(layout: Layout, prediction: MapReport) -> list[str]:
    """Return the whole map as lines."""
    measured = prediction.measured
    key = KEY if measured is None else (*KEY, READ_KEY)
    out = [*cells(layout, prediction, measured), "", *key, ""]
    for number, window in enumerate(layout.windows):
        what = f"{show_size(window.size):>10}  {window.kind:<9} {window.name}"
        for nth, base in enumerate(window.bases):
            span = f"{hex_address(base)}-{hex_address(base + window.size - 1)}"
            more = " (mirror)" if nth else f" {window.image_name}" if window.image_name else ""
            out.append(f"{label(number):>2}  {span}  {what}{more}")
            out += [
                f"    {hex_address(base + offset)}-{hex_address(base + offset + size - 1)}  registers inside it"
                for offset, size in window.registers
            ]
        if window.base is None:
            out.append(f"{label(number):>2}  off          {what}")
    out += _section("overlaps", [
        f"{hex_address(o.first)}-{hex_address(o.last)}  {' and '.join(o.parties)}" for o in prediction.overlaps
    ])  # fmt: skip
    out += _section("hidden", [
        f"{hex_address(one.first)}-{hex_address(one.last)}  {one.window}: {one.note}" for one in prediction.hidden
    ])  # fmt: skip
    out += _section("reads where two answer (bitwise AND: common practice, no source)", [
        f"{hex_address(c.first)}-{hex_address(c.last)}  {c.note}; "
        + _survives(c)
        for c in prediction.clashes
    ])  # fmt: skip
    out += _section(f"scan ({prediction.rules.name})", scan_lines(prediction.slots))
    out += _section("option ROMs", [
        f"{'off  ' if r.at is None else hex_address(r.at)}  {r.window}: {_fate(r.runs, r.order)} ({r.why})"
        for r in prediction.roms
    ])  # fmt: skip
    return out + _what_else(layout, prediction)


def no_room(layout: Layout, name: str) -> str:
    """Why something fits nowhere: a window is asked only at the positions that its jumper has."""
    places = next((w.positions for w in layout.windows if w.name == name and w.positions), ())
    named = ", ".join("off" if place is None else hex_address(place) for place in places)
    return f"none of its jumper's positions ({named}) is free" if places else "no free base"


def _what_else(layout: Layout, prediction: MapReport) -> list[str]:
    """Return what the setup as it is does not decide: other scans, room, moves, notes, what may be forgotten."""
    measured = prediction.measured
    out = _section("scans of other machines would disagree", [one.text for one in prediction.disagreements])
    out += _section("free", [
        f"{hex_address(one.first)}-{hex_address(one.last)}  {show_size(one.size)}" for one in prediction.free
    ])  # fmt: skip
    out += _section("room for" if measured is None else "room for, as measured", [
        f"{one.name}: {', '.join(map(hex_address, one.bases)) or no_room(layout, one.name)}" for one in prediction.room
    ])  # fmt: skip
    out += _measured(measured) if measured is not None else []
    out += _section("jumper moves that help", [move_text(way) for way in prediction.moves])
    out += _section("notes", list(prediction.findings))
    out += _section("usual windows that this map does not have", [
        f"{hex_address(one.first)}-{hex_address(one.last)}  {one.name} ({one.source})" for one in prediction.usual
    ])  # fmt: skip
    return out


def _fate(runs: bool | None, order: int | None) -> str:
    if runs is None:
        return "cannot be told"
    return f"runs as number {order}" if runs else "does not run"


def _survives(clash: Clash) -> str:
    if clash.header_survives is None and not clash.unknown:
        return "no header to lose"
    words = {True: "survives", False: "is lost", None: "cannot be told"}
    return f"header {words[clash.header_survives]}, sum {words[clash.checksum_survives]}"


def _measured(measured: MeasuredMap) -> list[str]:
    """What a machine told, beside the map."""
    boot = f" in boot {measured.boot}" if measured.boot is not None else ""
    told = [f"{hex_address(one.first)}-{hex_address(one.last)}  {one.text}" for one in measured.differences]
    out = _section(f"as measured{boot}, where that differs", told or ["nothing differs from the map"])
    out += _section("the report itself", list(measured.notes))
    out += _section("images that were recognised", [
        f"{hex_address(one.at)}  {one.image}: "
        + ("whole" if one.whole else f"{one.blocks} of its {one.of} blocks")
        + (", a mirror" if one.mirror else "")
        for one in measured.images
    ])  # fmt: skip
    return out + _section("free as measured", [
        f"{hex_address(one.first)}-{hex_address(one.last)}  {show_size(one.size)}" for one in measured.free
    ])  # fmt: skip


def _section(title: str, lines: list[str]) -> list[str]:
    return ["", f"{title}:", *(f"  {line}" for line in lines)] if lines else []
