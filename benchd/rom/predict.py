"""The prediction for one setup: overlaps, free stretches, the scan, and what becomes of every ROM.

`predict` makes it, `to_json` and `from_json` store it; `agree` holds it against a boot.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated

from pydantic import Field

from benchd.rom.contention import Clash, Memory, clashes, compose
from benchd.rom.forms import Address, Code, RomForm
from benchd.rom.layout import Layout, Overlap, Stretch, Window, free, overlaps, width_clashes
from benchd.rom.numbers import SYSTEM_ROM, hex_address, show_size
from benchd.rom.scan import Slot, Walk, walk
from benchd.rom.scanrules import ScanRules, Sweep


@dataclass(frozen=True, slots=True)
class Signs(RomForm):
    """What shows that a ROM ran: POST codes (in JSON hexadecimal), a stage, text on the console."""

    codes: tuple[Code, ...] = ()
    stage: str | None = None
    text: str | None = None


@dataclass(frozen=True, slots=True)
class Outcome(RomForm):
    """What becomes of one ROM header: where it stands, whether it runs (None: cannot be told), why.

    `order` counts the ROMs that run, from 1. `signs` are those that its window names.
    """

    window: str
    at: Address | None
    runs: bool | None
    order: int | None
    why: str
    signs: Signs = field(default_factory=Signs)


@dataclass(frozen=True, slots=True)
class ScanPrediction(RomForm):
    """What the scan of a setup is expected to do: overlaps, free stretches, slot by slot, and every ROM's fate."""

    rules: ScanRules
    overlaps: tuple[Overlap, ...]
    free: tuple[Stretch, ...]
    slots: Annotated[tuple[Slot, ...], Field(alias="scan")]
    endless: bool
    roms: tuple[Outcome, ...]
    clashes: Annotated[tuple[Clash, ...], Field(alias="contention")]
    findings: tuple[str, ...]

    @property
    def collides(self) -> bool:
        """True if two devices answer at one address."""
        return bool(self.overlaps)

    @property
    def sound(self) -> bool:
        """True if nothing overlaps and every ROM in the map runs."""
        return not self.overlaps and not self.endless and all(rom.runs is True for rom in self.roms)


def predict(layout: Layout) -> ScanPrediction:
    """Return what the scan of `layout` is expected to do. Deterministic; never raises for a valid layout."""
    memory = compose(layout)
    walked = walk(layout, memory)
    roms = outcomes(layout, memory, walked)
    return ScanPrediction(
        rules=layout.rules,
        overlaps=overlaps(layout.windows),
        free=free(layout.windows, layout.rules),
        slots=walked.slots,
        endless=walked.endless,
        roms=roms,
        clashes=clashes(layout, memory),
        findings=tuple(_findings(layout, walked, roms)),
    )


def outcomes(layout: Layout, memory: Memory, walked: Walk) -> tuple[Outcome, ...]:
    """Return what becomes of every option-ROM header of `layout`, given its memory and its scan.

    The system BIOS is none: it is what scans.
    """
    visited = {slot.at: slot for slot in walked.slots}
    order = {slot.at: n for n, slot in enumerate((s for s in walked.slots if s.runs), 1)}
    out = []
    for window in layout.windows:
        if window.kind != "rom" or _is_system_bios(layout.rules, window):
            continue
        signs = Signs(window.codes, window.stage, window.text)
        if window.base is None:
            out.append(Outcome(window.name, None, False, None, "its card is set to off", signs))
            continue
        places = window.top_headers()
        if not places:
            why = "its image has no header (55h AAh) on a slot of 2 KiB"
            out.append(Outcome(window.name, None, False, None, why, signs))
        for base in window.bases:
            for place in places:
                at = base + place
                runs, why = _fate(layout.rules, memory, walked, visited, at)
                out.append(Outcome(window.name, at, runs, order.get(at), why, signs))
    return tuple(out)


def _is_system_bios(rules: ScanRules, window: Window) -> bool:
    """True for a ROM that the processor starts from at reset, if no scan looks at any of it below F0000.

    A card's ROM that merely lies where nobody scans is an option ROM that does not run.
    """
    places = [(base, min(base + window.size, SYSTEM_ROM)) for base in window.bases]
    looked_at = any(max(a, first) < min(b, end) for a, b in rules.domain() for first, end in places)
    return window.starts and not looked_at


def _fate(
    rules: ScanRules, memory: Memory, walked: Walk, visited: Mapping[int, Slot], at: int
) -> tuple[bool | None, str]:
    if at in visited:
        slot = visited[at]
        if not slot.found:
            if slot.note:
                return None, slot.note
            raw, _ = memory.read(at, 2)
            return False, f"its header cannot be read: {raw.hex(' ').upper()} instead of 55 AA"
        if slot.runs is None:
            return None, slot.note
        return slot.runs, slot.note
    for slot in walked.slots:
        if slot.runs and slot.at < at < slot.next:
            return False, f"it lies inside the length of what runs at {hex_address(slot.at)}: stepped over"
    if not rules.passes:
        return False, f"this BIOS does not scan ({rules.remark or rules.name})"
    inside = [low for low, high in rules.domain() if low <= at < high]
    if not inside:
        spans = ", ".join(f"{hex_address(low)}-{hex_address(high - 1)}" for low, high in rules.domain())
        return False, f"it lies outside what the scan looks at ({spans})"
    if walked.endless:
        return False, f"the scan never gets past {hex_address(walked.slots[-1].at)}"
    return False, _off_the_slots(rules, walked, at)


def _off_the_slots(rules: ScanRules, walked: Walk, at: int) -> str:
    """Say why no slot of the scan falls on `at`."""
    why = None
    for sweep in rules.passes:
        if sweep.first <= at < sweep.end:
            before = [slot for slot in walked.slots if sweep.first <= slot.at < at]
            why = why or _passed_by(sweep, before, at)
    return why or f"it lies on no slot of {show_size(rules.step)}"


def _passed_by(sweep: Sweep, before: list[Slot], at: int) -> str | None:
    """Say which of the slots before `at` made its sweep miss it; None for none of them."""
    if sweep.first_only and before and before[-1].runs:
        return f"the scan runs one ROM from {hex_address(sweep.first)} on, that at {hex_address(before[-1].at)}"
    shifted = next((slot for slot in before if (slot.next - sweep.first) % sweep.stride), None)
    if shifted is not None and (at - sweep.first) % sweep.stride == 0:
        return (
            f"the ROM at {hex_address(shifted.at)} has {shifted.length_bytes:,} bytes: from there on the slots lie "
            f"{show_size(sweep.stride)} apart from its end, {hex_address(shifted.next)}, and none falls here"
        )
    stepped = next((slot for slot in reversed(before) if slot.found and slot.next > at), None)
    if stepped is not None:
        return f"the scan steps over it from the ROM at {hex_address(stepped.at)}, which it does not run"
    return None


def _findings(layout: Layout, walked: Walk, roms: tuple[Outcome, ...]) -> list[str]:
    out = []
    if not layout.rules.passes:
        out.append(f"this BIOS runs no option ROM from a card: {layout.rules.remark}")
    if walked.endless:
        out.append(f"the scan stays at {hex_address(walked.slots[-1].at)} for ever: {walked.slots[-1].note}")
    for window in layout.windows:
        out += _window_findings(window)
        times = sum(1 for rom in roms if rom.window == window.name and rom.runs)
        if times > 1 and (window.mirrors or window.pad is None):
            out.append(f"{window.name} runs {times} times: its mirrors show its header again")
    return out + width_clashes(layout.windows)


def _window_findings(window: Window) -> list[str]:
    out = []
    if window.image is not None:
        if not window.image:
            out.append(f"{window.name}: its image is empty")
        elif window.front + len(window.image) > window.size:
            out.append(
                f"{window.name}: {window.front + len(window.image):,} bytes of padding and image, but the "
                f"window shows {window.size:,}: the rest cannot be read there"
            )
    elif window.kind == "rom":
        verify = 'add `image = "file.bin"` so that it can be verified'
        out.append(f"{window.name}: no image given, so what it holds is assumed; {verify}")
    for offset, size in window.registers:
        header = window.image is not None and window.front < offset + size and offset <= window.front + 1
        if header:
            out.append(f"{window.name}: its registers cover its own header")
    return out
