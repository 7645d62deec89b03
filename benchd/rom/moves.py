"""Which jumper move solves it: other positions of the cards tried out, fewest moves first."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations, product

from benchd.rom.layout import Layout, Window, overlaps
from benchd.rom.numbers import hex_address
from benchd.rom.predict import predict

TRY_LIMIT = 4000
"""Combinations of positions whose overlaps are looked at."""
SCAN_LIMIT = 12
"""Combinations, out of those that overlap least, that are also scanned."""
SHOW_LIMIT = 6

Moves = tuple[tuple[str, int | None], ...]


@dataclass(frozen=True, slots=True)
class Way:
    """A set of jumper moves and what is left after it: overlapping bytes, and ROMs that do not run."""

    moves: Moves
    overlapping: int
    idle: tuple[str, ...]

    @property
    def solves(self) -> bool:
        """True if nothing overlaps and every ROM runs."""
        return self.overlapping == 0 and not self.idle

    def to_json(self) -> dict[str, object]:
        """JSON-ready; base null means the card is set to off."""
        return {
            "moves": [
                {"window": name, "base": None if base is None else hex_address(base)}
                for name, base in self.moves
            ],
            "overlapping_bytes": self.overlapping,
            "not_running": list(self.idle),
            "solves": self.solves,
        }


def _candidates(windows: tuple[Window, ...]) -> Iterator[Moves]:
    choices = [
        [(window.name, base) for base in dict.fromkeys(window.positions) if base != window.base]
        for window in windows
        if window.positions
    ]
    for count in (1, 2):
        for group in combinations(choices, count):
            yield from product(*group)


def apply(windows: tuple[Window, ...], moves: Moves) -> tuple[Window, ...]:
    """Return the windows with the named ones at their new bases."""
    bases = dict(moves)
    return tuple(w.moved(bases[w.name]) if w.name in bases else w for w in windows)


def ways_out(layout: Layout) -> tuple[Way, ...]:
    """Return the best sets of one or two jumper moves; empty where the setup is sound or no jumper helps.

    A set counts only if it leaves fewer overlapping bytes or fewer idle ROMs, and no more of the other.
    """
    now = _judge(layout, ())
    if now.solves:
        return ()
    rough: list[tuple[int, int, int, Moves]] = []
    for number, moves in enumerate(_candidates(layout.windows)):
        if number == TRY_LIMIT:
            break
        left = sum(one.last - one.first + 1 for one in overlaps(apply(layout.windows, moves)))
        if left <= now.overlapping:
            rough.append((left, len(moves), number, moves))
    judged = [_judge(layout, moves) for *_, moves in sorted(rough)[:SCAN_LIMIT]]
    better = [
        way
        for way in judged
        if len(way.idle) <= len(now.idle)
        and (way.overlapping, len(way.idle)) < (now.overlapping, len(now.idle))
    ]
    better.sort(key=lambda way: (not way.solves, len(way.moves), way.overlapping, len(way.idle)))
    return tuple(better[:SHOW_LIMIT])


def _judge(layout: Layout, moves: Moves) -> Way:
    windows = apply(layout.windows, moves)
    prediction = predict(Layout(windows, layout.rules, layout.floating))
    running = {rom.window for rom in prediction.roms if rom.runs}
    idle = tuple(dict.fromkeys(rom.window for rom in prediction.roms if rom.window not in running))
    left = sum(one.last - one.first + 1 for one in prediction.overlaps)
    return Way(moves, left, idle)
