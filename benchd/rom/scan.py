"""The option-ROM scan, walked by rule over composed memory: which headers are found and run, in what order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from benchd.rom.contention import Memory
from benchd.rom.forms import Address, Count, RomForm
from benchd.rom.layout import LAID_OVER, Area, Layout, Window, areas
from benchd.rom.numbers import BLOCK, MEGABYTE, hex_address, round_up
from benchd.rom.scanrules import BLOCK_BYTES, FollowBad, ScanRules, Sweep
from benchd.rom.structs import SIGNATURE


@dataclass(frozen=True, slots=True)
class Slot(RomForm):
    """One slot that the scan looks at.

    `party` names the window (several joined by " + ") that answers at `at`. `checksum_ok` and `runs` are
    None where something the sum needs is unknown; `checksum_ok` is None too where no header was found.
    `next` is where the scan goes on, whether or not the sweep still covers it.
    """

    at: Address
    found: bool
    party: str | None
    checksum_ok: bool | None
    runs: bool | None
    next: Address
    note: str
    length_bytes: Count = 0


@dataclass(frozen=True, slots=True)
class Walk:
    """Every slot visited, in order; `endless` is set where the scan would never move on."""

    slots: tuple[Slot, ...]
    endless: bool


class _Parties:
    def __init__(self, windows: Sequence[Window]) -> None:
        self.windows = windows
        self.places = [area for area in areas(windows) if windows[area.window].kind not in LAID_OVER]

    def over(self, first: int, end: int) -> list[Area]:
        return [area for area in self.places if area.first < end and first < area.end]

    def names(self, places: list[Area]) -> list[str]:
        numbers = sorted({area.window for area in places})
        return [self.windows[number].name for number in numbers]

    def assumed_good(self, at: int, length: int) -> bool:
        """True if the header at `at` is that of a ROM without image, which alone answers in its length."""
        places = self.over(at, at + length)
        if len(places) != 1:
            return False
        area = places[0]
        window = self.windows[area.window]
        return (
            window.kind == "rom"
            and window.image is None
            and not window.registers
            and at == area.first + window.front
            and at + length <= area.end
        )


def walk(layout: Layout, memory: Memory) -> Walk:
    """Walk the scan of `layout.rules` over `memory`."""
    parties = _Parties(layout.windows)
    slots: list[Slot] = []
    for sweep in layout.rules.passes:
        at, looks = sweep.first, False
        while (at <= sweep.last or looks) and at < MEGABYTE:
            slot = _wrapped(layout.rules, _look(layout.rules, sweep, memory, parties, at))
            slots.append(slot)
            if slot.runs and sweep.first_only:
                break
            if slot.next <= at:
                return Walk(tuple(slots), True)
            at, looks = slot.next, layout.rules.looks_first and bool(slot.runs)
    return Walk(tuple(slots), False)


def _wrapped(rules: ScanRules, slot: Slot) -> Slot:
    """Return `slot`, its next one a low address where the scanner takes what lies past FFFFF for one."""
    if not rules.wraps or slot.next < MEGABYTE:
        return slot
    low = slot.next - MEGABYTE
    why = f"the address passes FFFFF: the scan starts over at {hex_address(low)} and never ends"
    return replace(slot, next=low, note="; ".join(part for part in (slot.note, why) if part))


def _look(rules: ScanRules, sweep: Sweep, memory: Memory, parties: _Parties, at: int) -> Slot:
    here = parties.names(parties.over(at, at + 1))
    party = " + ".join(here) or None
    raw, sure = memory.read(at, 2)
    if not sure or raw != SIGNATURE:
        note = "" if sure else "nothing is known of what reads here; taken as no header"
        return Slot(at, False, party, None, False, at + sweep.stride, note)
    (blocks, *_), sure = memory.read(at + 2, 1)
    if not sweep.block and not sure:
        note = "header found, but nothing is known of its length byte"
        return Slot(at, True, party, None, None, at + sweep.stride, note)
    if not sweep.block and blocks == 0 and rules.zero_length == "reject":
        return Slot(at, True, party, False, False, at + sweep.stride, "length byte 00h: refused")
    return _judge(rules, sweep, memory, parties, at, blocks, here)


def _judge(
    rules: ScanRules, sweep: Sweep, memory: Memory, parties: _Parties, at: int, blocks: int, here: list[str]
) -> Slot:
    """Return the slot of a header whose length byte is `blocks`."""
    party = " + ".join(here) or None
    good, note = _sum(memory, parties, at, _sum_bytes(rules, sweep, blocks))
    length = BLOCK_BYTES if sweep.block else blocks * BLOCK
    if good is None and rules.checksum:
        return Slot(at, True, party, None, None, at + sweep.stride, note, length)
    runs = bool(good) or not rules.checksum
    after = at + _further(rules, sweep, blocks, rules.after_good if runs else rules.after_bad)
    more = ""
    if after == at:
        more = f"its length {blocks:02X}h counts as 0 bytes: the scan stays here for ever"
    if runs and good is False:
        note = f"{note}; the scan does not check sums"
    note = "; ".join(part for part in (note, _neighbours(parties, at, length, here), more) if part)
    return Slot(at, True, party, good, runs, after, note, length)


def _sum_bytes(rules: ScanRules, sweep: Sweep, blocks: int) -> int:
    if sweep.block or blocks == 0:
        return BLOCK_BYTES
    count = blocks * BLOCK
    if rules.sum_bits == 16:
        return (count & 0xFFFF) or BLOCK_BYTES
    return count


def _sum(memory: Memory, parties: _Parties, at: int, count: int) -> tuple[bool | None, str]:
    if parties.assumed_good(at, count):
        return True, f"no image given: taken for a good ROM of {count:,} bytes"
    body, sure = memory.read(at, count)
    if not sure:
        return None, f"the sum of {count:,} bytes cannot be told: some of them are unknown"
    total = sum(body) & 0xFF
    text = f"{count:,} bytes sum to {total:02X}h"
    return total == 0, text


def _further(rules: ScanRules, sweep: Sweep, blocks: int, follow: FollowBad) -> int:
    """Return how many bytes the scan goes on behind a header whose length byte is `blocks`."""
    if sweep.block or follow == "step":
        return sweep.stride
    length = blocks * BLOCK
    if rules.advance_bits == 16:
        length &= 0xFFFF
    if rules.rounding == "step" and rules.round_bits == 8:
        length = (round_up(blocks, max(1, sweep.step // BLOCK)) & 0xFF) * BLOCK
    elif rules.rounding == "step":
        length = round_up(length, sweep.step)
    return length + (sweep.step if follow == "length-and-step" else 0)


def _neighbours(parties: _Parties, at: int, length: int, here: list[str]) -> str:
    others = [name for name in parties.names(parties.over(at, at + length)) if name not in here]
    if others:
        return f"its length also covers {', '.join(others)}"
    if length and not any(area.end >= at + length for area in parties.over(at, at + 1)):
        return "its length reaches past its window"
    return ""
