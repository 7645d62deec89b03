"""What other scanners would make of a layout: which ROMs some of them run and others miss, why, and what helps."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from benchd.rom.contention import compose
from benchd.rom.forms import Address, RomForm
from benchd.rom.layout import Layout
from benchd.rom.numbers import SLOT, hex_address, round_up
from benchd.rom.predict import Outcome, outcomes
from benchd.rom.scan import Slot, Walk, walk
from benchd.rom.scanrules import PRESETS, ScanRules

DISPLAY_END = 0xC8000
"""ROMs below are the display adapter's: a scanner that starts here looks for that one apart."""
COMMON = (0xC8000, 0xDFFFF)
"""What every scanner of the presets that scans at all looks at."""


@dataclass(frozen=True, slots=True)
class Disagreement(RomForm):
    """A ROM that some scanners run and others miss; both by the names of their rules."""

    window: str
    at: Address
    seen_by: tuple[str, ...]
    missed_by: tuple[str, ...]
    text: str


def disagreements(layout: Layout) -> tuple[Disagreement, ...]:
    """Hold `layout` against every preset that a machine may have, and against its own rules."""
    scanners = {one.name: one for one in PRESETS.values() if one.passes and one.type != "emulator"}
    if layout.rules.passes:
        scanners[layout.rules.name] = layout.rules
    memory = compose(layout)
    walks = {name: walk(replace(layout, rules=one), memory) for name, one in scanners.items()}
    fates: dict[tuple[str, int], dict[str, Outcome]] = {}
    for name, one in scanners.items():
        for rom in outcomes(replace(layout, rules=one), memory, walks[name]):
            if rom.at is not None and not _apart(one, rom.at):
                fates.setdefault((rom.window, rom.at), {})[name] = rom
    told = (_held(window, at, fate, scanners, walks) for (window, at), fate in fates.items())
    return tuple(one for one in told if one is not None)


def _held(
    window: str, at: int, fate: Mapping[str, Outcome], scanners: Mapping[str, ScanRules], walks: Mapping[str, Walk]
) -> Disagreement | None:
    """Return how the scanners disagree about one ROM; None where they do not."""
    seen = tuple(name for name, rom in fate.items() if rom.runs)
    missed = tuple(name for name, rom in fate.items() if rom.runs is False)
    if not seen or not missed:
        return None
    advice: dict[str, list[str]] = {}
    for name in missed:
        advice.setdefault(_remedy(walks[name], at), []).append(name)
    missing = "; ".join(f"missed by {_who(names, scanners)}: {what}" for what, names in advice.items())
    text = f"{window} at {hex_address(at)}: seen by {_who(seen, scanners)}, {missing}"
    return Disagreement(window, at, seen, missed, text)


def _apart(rules: ScanRules, at: int) -> bool:
    return at < DISPLAY_END and not any(low < DISPLAY_END for low, _ in rules.domain())


def _who(names: Sequence[str], scanners: Mapping[str, ScanRules]) -> str:
    """Name the scanners by their types: "all AT-type scans" where no other of that type is left."""
    out = []
    for kind in dict.fromkeys(scanners[name].type for name in names):
        whole = [name for name, one in scanners.items() if one.type == kind]
        some = [name for name in whole if name in names]
        if kind == "own":
            out.append(", ".join(some))
        else:
            scans = "scan" if len(some) == 1 else "scans"
            out.append(f"all {kind}-type scans" if some == whole else f"the {kind}-type {scans} {', '.join(some)}")
    return ", ".join(out[:-1]) + " and " * (len(out) > 1) + out[-1]


def _remedy(walked: Walk, at: int) -> str:
    """Say what would make the scanner run the ROM at `at` as well."""
    if not COMMON[0] <= at <= COMMON[1]:
        return f"a base from {hex_address(COMMON[0])} to {hex_address(COMMON[1])} is looked at by all of them"
    if at % SLOT:
        return "move it to a multiple of 2 KiB"
    here = next((slot for slot in walked.slots if slot.at == at), None)
    if here is not None and here.found:
        return "make its length shorter than 64 KiB and its sum 00h"
    before = [slot for slot in walked.slots if slot.found and slot.at < at]
    shifting = next((slot for slot in before if slot.next % SLOT), None)
    if shifting is not None:
        return f"pad the image of {shifting.party} to {round_up(shifting.length_bytes, SLOT):,} bytes, whole 2 KiB"
    if walked.endless:
        return f"give {walked.slots[-1].party} a length byte from 01h to 7Fh"
    return _uncover(before, at)


def _uncover(before: list[Slot], at: int) -> str:
    covering = next((slot for slot in reversed(before) if slot.next > at), None)
    if covering is None:
        return "choose another base for it"
    if covering.runs:
        return f"move it out of the length of {covering.party}"
    return f"mend the sum of {covering.party}, or move this one behind its length"
