"""Which jumper move solves it: other positions of the cards tried out, fewest moves first."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from itertools import chain, combinations, islice, product
from typing import Annotated

from pydantic import Field

from benchd.rom.contention import compose
from benchd.rom.forms import Address, Count, RomForm
from benchd.rom.hidden import Hidden, hidden
from benchd.rom.layout import Layout, Window, conflict, overlaps
from benchd.rom.measured import MeasuredMap
from benchd.rom.otherrules import Disagreement, disagreements
from benchd.rom.predict import ScanPrediction, outcomes, predict
from benchd.rom.scan import walk
from benchd.rom.usual import Usual, not_in_map

TRY_LIMIT = 4000
"""Combinations of positions whose overlaps are looked at."""
SCAN_LIMIT = 10
"""Combinations, out of those that overlap least, that are also scanned."""
SHOW_LIMIT = 6

Moves = tuple[tuple[str, int | None], ...]


@dataclass(frozen=True, slots=True)
class Placed(RomForm):
    """A window and the base it is moved to; None: off."""

    window: str
    base: Address | None


@dataclass(frozen=True, slots=True)
class Way(RomForm):
    """A set of jumper moves and what is left after it: overlapping bytes, and ROMs that do not run."""

    moves: tuple[Placed, ...]
    overlapping_bytes: Count
    not_running: tuple[str, ...]
    solves: bool
    """True if nothing overlaps and every ROM runs."""


@dataclass(frozen=True, slots=True)
class Room(RomForm):
    """The free bases for something of `size` bytes."""

    name: str
    size: Count
    bases: tuple[Address, ...]


@dataclass(frozen=True, slots=True)
class MapReport(ScanPrediction):
    """What `benchd map --json` prints: the prediction, jumper moves that help, room for what is wanted.

    `hidden` is what cannot be reached under something laid over it, `disagreements` are ROMs that scans of other
    machines would see and others miss, `usual` are usual windows that the map does not have.
    """

    moves: tuple[Way, ...]
    room: tuple[Room, ...]
    hidden: tuple[Hidden, ...] = ()
    disagreements: tuple[Disagreement, ...] = ()
    usual: tuple[Usual, ...] = ()
    measured: Annotated[MeasuredMap | None, Field(exclude_if=lambda held: held is None)] = None
    """What a machine told beside it, where that was asked for."""

    @property
    def sound(self) -> bool:
        """True if nothing overlaps, nothing is hidden, and every ROM in the map runs."""
        return not self.hidden and ScanPrediction.sound.fget(self)  # type: ignore[attr-defined,no-any-return]


def report(layout: Layout, room: tuple[Room, ...], measured: MeasuredMap | None = None) -> MapReport:
    """Return the prediction for `layout` with the jumper moves that would help, `room`, and what was measured."""
    found = predict(layout)
    values = {one.name: getattr(found, one.name) for one in fields(found)}
    return MapReport(
        **values,
        moves=ways_out(layout),
        room=room,
        hidden=hidden(layout.windows),
        disagreements=disagreements(layout),
        usual=not_in_map(layout.windows),
        measured=measured,
    )


def apply(windows: tuple[Window, ...], moves: Moves) -> tuple[Window, ...]:
    """Return the windows with the named ones at their new bases."""
    bases = dict(moves)
    return tuple(w.moved(bases[w.name]) if w.name in bases else w for w in windows)


def ways_out(layout: Layout) -> tuple[Way, ...]:
    """Return the best sets of one or two jumper moves; empty where the setup is sound or no jumper helps.

    A set counts only if it leaves fewer overlapping bytes or fewer idle ROMs, and no more of the other.
    """
    if not any(window.positions for window in layout.windows):
        return ()
    now = _judge(layout, ())
    if now.solves:
        return ()
    rough = sorted(_rough(layout.windows, now.not_running))[:SCAN_LIMIT]
    judged = [_judge(layout, moves) for *_, moves in rough]
    better = [
        way
        for way in judged
        if len(way.not_running) <= len(now.not_running)
        and way.overlapping_bytes <= now.overlapping_bytes
        and _left(way) < _left(now)
    ]
    better.sort(key=lambda way: (not way.solves, len(way.moves), *_left(way)))
    return tuple(better[:SHOW_LIMIT])


def _left(way: Way) -> tuple[int, int]:
    return way.overlapping_bytes, len(way.not_running)


def _judge(layout: Layout, moves: Moves) -> Way:
    changed = Layout(apply(layout.windows, moves), layout.rules, layout.floating)
    memory = compose(changed)
    roms = outcomes(changed, memory, walk(changed, memory))
    running = {rom.window for rom in roms if rom.runs}
    idle = tuple(dict.fromkeys(rom.window for rom in roms if rom.window not in running))
    left = sum(one.size for one in overlaps(changed.windows))
    return Way(tuple(Placed(*move) for move in moves), left, idle, solves=not left and not idle)


class _Tries:
    """Other positions of the windows, and the bytes that windows share: none exactly if nothing overlaps.

    `troubled` are the numbers of windows that share bytes or are `idle`; `gain` is what a window at another of
    its bases shares more than now.
    """

    def __init__(self, windows: tuple[Window, ...], idle: tuple[str, ...]) -> None:
        self.windows = windows
        self.now = [(w, base, base + w.size) for w in windows for base in w.bases]
        shared = [self.alone(n, window.base) for n, window in enumerate(windows)]
        self.troubled = {n for n, window in enumerate(windows) if window.name in idle or shared[n]}
        self.choices = [[base for base in dict.fromkeys(w.positions) if base != w.base] for w in windows]
        self.gain = {
            (n, base): self.alone(n, base) - shared[n] for n, bases in enumerate(self.choices) for base in bases
        }

    def pairs(self) -> Iterator[tuple[tuple[int, int | None], ...]]:
        """Yield two moves at once, one of them of a troubled window."""
        for a, b in combinations(range(len(self.windows)), 2):
            if not self.troubled.isdisjoint((a, b)):
                for base_a, base_b in product(self.choices[a], self.choices[b]):
                    yield (a, base_a), (b, base_b)

    def alone(self, a: int, base: int | None) -> int:
        """What window `a` at `base` shares with all others where they are."""
        window = self.windows[a]
        total = 0
        for low in window.bases_at(base):
            high = low + window.size
            for other, first, end in self.now:
                if first < high and low < end and conflict(window, other):
                    total += (high if high < end else end) - (low if low > first else first)
        return total

    def pair(self, a: int, base_a: int | None, b: int, base_b: int | None) -> int:
        """What windows `a` and `b` share at these bases."""
        one, two = self.windows[a], self.windows[b]
        if not conflict(one, two):
            return 0
        return sum(
            max(0, min(x + one.size, y + two.size) - max(x, y))
            for x in one.bases_at(base_a)
            for y in two.bases_at(base_b)
        )

    def both_moved(self, a: int, base_a: int | None, b: int, base_b: int | None) -> int:
        """What moving both shares more than the sum of what each alone would."""
        here_a, here_b = self.windows[a].base, self.windows[b].base
        together = self.pair(a, base_a, b, base_b) + self.pair(a, here_a, b, here_b)
        return together - self.pair(a, base_a, b, here_b) - self.pair(a, here_a, b, base_b)


def _rough(windows: tuple[Window, ...], idle: tuple[str, ...]) -> Iterator[tuple[int, int, int, Moves]]:
    """Yield (shared bytes against now, moves, number, which) for one and two moves that do not add to them.

    At least one of the moved windows shares bytes or is `idle`.
    """
    tries = _Tries(windows, idle)
    singles = ((one,) for one in tries.gain if one[0] in tries.troubled)
    pairs = islice(tries.pairs(), max(0, TRY_LIMIT - len(tries.gain)))
    for number, moved in enumerate(chain(singles, pairs)):
        change = sum(tries.gain[one] for one in moved)
        if len(moved) == 2:
            change += tries.both_moved(*moved[0], *moved[1])
        if change <= 0:
            yield change, len(moved), number, tuple((windows[n].name, base) for n, base in moved)
