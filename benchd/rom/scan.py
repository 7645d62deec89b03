"""The option-ROM scan, walked by rule over composed memory: which headers are found and run, in what order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from benchd.rom.contention import Memory
from benchd.rom.layout import Area, Layout, Window, areas
from benchd.rom.numbers import BLOCK, MEGABYTE, hex_address, round_up
from benchd.rom.scanrules import BLOCK_BYTES, Pass, ScanRules
from benchd.rom.structs import SIGNATURE


@dataclass(frozen=True, slots=True)
class Slot:
    """One slot that the scan looks at.

    `party` names the window (several joined by " + ") that answers at `at`. `checksum_ok` and `runs` are
    None where something the sum needs is unknown; `checksum_ok` is None too where no header was found.
    `next` is where the scan goes on, whether or not the sweep still covers it.
    """

    at: int
    found: bool
    party: str | None
    checksum_ok: bool | None
    runs: bool | None
    next: int
    note: str
    length: int = 0

    def to_json(self) -> dict[str, object]:
        """The published shape; addresses as upper-case hex."""
        return {
            "at": hex_address(self.at),
            "found": self.found,
            "party": self.party,
            "checksum_ok": self.checksum_ok,
            "runs": self.runs,
            "next": hex_address(self.next),
            "note": self.note,
            "length_bytes": self.length,
        }


@dataclass(frozen=True, slots=True)
class Walk:
    """Every slot visited, in order; `endless` is set where the scan would never move on."""

    slots: tuple[Slot, ...]
    endless: bool


class _Parties:
    def __init__(self, windows: Sequence[Window]) -> None:
        self.windows = windows
        self.places = areas(windows)

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
        at = sweep.first
        while at <= sweep.last and at < MEGABYTE:
            slot = _look(layout.rules, sweep, memory, parties, at)
            slots.append(slot)
            if slot.next <= at:
                return Walk(tuple(slots), True)
            at = slot.next
    return Walk(tuple(slots), False)


def _look(rules: ScanRules, sweep: Pass, memory: Memory, parties: _Parties, at: int) -> Slot:
    here = parties.names(parties.over(at, at + 1))
    party = " + ".join(here) if here else None
    step = BLOCK_BYTES if sweep.block else sweep.step
    raw, sure = memory.read(at, 2)
    if not sure:
        note = "nothing is known of what reads here; taken as no header"
        return Slot(at, False, party, None, False, at + step, note)
    if raw != SIGNATURE:
        return Slot(at, False, party, None, False, at + step, "")
    raw, sure = memory.read(at + 2, 1)
    blocks = raw[0]
    if not sure and not sweep.block:
        note = "header found, but nothing is known of its length byte"
        return Slot(at, True, party, None, None, at + step, note)
    if not sweep.block and blocks == 0 and rules.zero_length == "reject":
        note = "length byte 00h: refused"
        return Slot(at, True, party, False, False, _after_bad(rules, at, step, 0), note)
    count = _sum_bytes(rules, sweep, blocks)
    good, note = _sum(memory, parties, at, count)
    length = BLOCK_BYTES if sweep.block else blocks * BLOCK
    if good is None and rules.checksum:
        return Slot(at, True, party, None, None, at + step, note, length)
    runs = bool(good) or not rules.checksum
    if runs:
        after, more = _after_good(rules, sweep, at, step, blocks)
        if good is False:
            note = f"{note}; the scan does not check sums"
    else:
        after, more = _after_bad(rules, at, step, blocks), ""
    note = "; ".join(part for part in (note, _neighbours(parties, at, length, here), more) if part)
    return Slot(at, True, party, good, runs, after, note, length)


def _sum_bytes(rules: ScanRules, sweep: Pass, blocks: int) -> int:
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


def _after_good(rules: ScanRules, sweep: Pass, at: int, step: int, blocks: int) -> tuple[int, str]:
    if sweep.block or rules.after_good == "step":
        return at + step, ""
    if rules.round_bits == 8:
        units = max(1, step // BLOCK)
        rounded = round_up(blocks, units) & 0xFF
        if rounded == 0:
            return at, "the block count rounds to 00h in eight bits: the scan stays here for ever"
        return at + rounded * BLOCK, ""
    after = at + round_up(blocks * BLOCK, step)
    if after == at:
        return at, "length 00h: the scan stays here for ever"
    return after, ""


def _after_bad(rules: ScanRules, at: int, step: int, blocks: int) -> int:
    if rules.after_bad == "length" and blocks:
        return at + round_up(blocks * BLOCK, step)
    return at + step


def _neighbours(parties: _Parties, at: int, length: int, here: list[str]) -> str:
    others = [name for name in parties.names(parties.over(at, at + length)) if name not in here]
    if others:
        return f"its length also covers {', '.join(others)}"
    if length and not any(area.end >= at + length for area in parties.over(at, at + 1)):
        return "its length reaches past its window"
    return ""
