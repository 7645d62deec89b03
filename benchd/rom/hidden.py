"""What cannot be reached because something is laid over it: shadow RAM, upper-memory blocks, a page frame."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from benchd.rom.layout import LAID_OVER, Stretch, Window, conflict

LATER = {"umb": "the upper-memory block", "page-frame": "the page frame"}


@dataclass(frozen=True, slots=True)
class Hidden(Stretch):
    """`window` cannot be reached at these inclusive addresses, because `by` answers there; why, and what to do."""

    window: str
    by: str
    note: str


def hidden(windows: tuple[Window, ...]) -> tuple[Hidden, ...]:
    """Return everything that is laid over something it hides, by address."""
    out: list[Hidden] = []
    for over in windows:
        if over.kind in LAID_OVER:
            for under in windows:
                out += _hides(over, under)
    return tuple(sorted(set(out), key=lambda one: (one.first, one.window, one.by)))


def _hides(over: Window, under: Window) -> Iterator[Hidden]:
    if over.kind == "shadow" and under.kind == "rom":
        for offset, size in under.registers:
            note = (
                f"{over.name} shows a copy of {under.name}, so its registers cannot be read: "
                "switch shadowing of this range off"
            )
            for first, last in _shared(over, under, offset, size):
                yield Hidden(first, last, under.name, over.name, note)
    elif under is not over and conflict(over, under) and not (under.kind in LAID_OVER and under.name < over.name):
        for first, last in _shared(over, under, 0, under.size):
            yield Hidden(first, last, under.name, over.name, _note(over, under))


def _shared(over: Window, under: Window, offset: int, size: int) -> Iterator[tuple[int, int]]:
    for above in over.bases:
        for base in under.bases:
            first, end = max(above, base + offset), min(above + over.size, base + offset + size)
            if first < end:
                yield first, end - 1


def _note(over: Window, under: Window) -> str:
    if over.kind == "shadow":
        return f"{over.name} answers instead of {under.name}: switch shadowing of this range off"
    what = LATER[over.kind]
    if under.kind in LAID_OVER:
        return f"{what} {over.name} and {under.name} claim the same addresses: give each its own range"
    return (
        f"once the memory manager is loaded, {what} {over.name} answers instead of {under.name}: "
        "exclude this range from the memory manager, or move one of the two"
    )
