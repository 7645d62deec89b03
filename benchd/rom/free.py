"""What is free as a machine itself read it: where nobody answered."""

from __future__ import annotations

from collections.abc import Iterable

from benchd.rom.layout import LAID_OVER, Area, Kind, Layout, Stretch, Window, areas, conflict
from benchd.rom.numbers import SLOT
from benchd.rom.scanrules import ScanRules
from benchd.vocabulary.measured import END, FIRST, Measured, joined

SYSTEM = 0xF0000
"""The system BIOS answers from here on, whether a map says so or not."""


def free_measured(
    measured: Measured, layout: Layout | None = None, but: str | None = None, kind: Kind = "rom"
) -> tuple[Stretch, ...]:
    """Return where nobody answered. A ROM's own FFh is not free: within its length, or its window if that answers.

    Nor is where the map lays something over the bus that hides a window of `kind`: nobody answers there before that.
    `but` is a window whose place counts as free: it is the one that is to be moved.
    """
    empty = _empty(measured)
    windows = layout.windows if layout is not None else ()
    others = [window for window in windows if window.name != but]
    empty -= _answered(others, empty)
    for area in areas(window for window in windows if window.name == but):
        empty.update(at for at in _cells(area) if FIRST <= at < SYSTEM)
    empty -= _laid_over(others, kind)
    return tuple(Stretch(first, end - 1) for first, end in joined(at for at in range(FIRST, END, SLOT) if at in empty))


def _answered(windows: Iterable[Window], empty: set[int]) -> set[int]:
    """All blocks of the windows of which at least one answers."""
    held = [_cells(area) for area in areas(windows)]
    return {at for cells in held if any(one not in empty for one in cells) for at in cells}


def _laid_over(windows: Iterable[Window], kind: Kind) -> set[int]:
    """Blocks of what is laid over the bus and hides a window of `kind`."""
    probe = Window("", None, 1, kind)
    over = areas(window for window in windows if window.kind in LAID_OVER and conflict(window, probe))
    return {at for area in over for at in _cells(area)}


def _empty(measured: Measured) -> set[int]:
    """Blocks that float or read FFh, outside the length of every ROM header."""
    silent = ("floating", "ff")
    out = {block.address for block in measured.blocks if block.class_ in silent and block.address < SYSTEM}
    for header in measured.roms:
        first = int(header.at, 16)
        out.difference_update(range(first, first + header.length_bytes, SLOT))
    return out


def _cells(area: Area) -> range:
    return range(area.first // SLOT * SLOT, area.end, SLOT)


def within(stretches: Iterable[Stretch], rules: ScanRules) -> tuple[Stretch, ...]:
    """Return the parts of some stretches that a scan looks at."""
    out = []
    for low, high in rules.domain():
        for one in stretches:
            first, last = max(one.first, low), min(one.last, high - 1)
            if first <= last:
                out.append(Stretch(first, last))
    return tuple(out)
