"""Which jumper move solves it: other positions of the cards tried out, fewest moves first."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from itertools import combinations, islice, product

from benchd.rom.contention import compose
from benchd.rom.forms import Address, Count, Form
from benchd.rom.layout import Layout, Window, overlaps
from benchd.rom.predict import ScanPrediction, outcomes, predict
from benchd.rom.scan import walk

TRY_LIMIT = 4000
"""Combinations of positions whose overlaps are looked at."""
SCAN_LIMIT = 10
"""Combinations, out of those that overlap least, that are also scanned."""
SHOW_LIMIT = 6

Moves = tuple[tuple[str, int | None], ...]


@dataclass(frozen=True, slots=True)
class Placed(Form):
    """A window and the base it is moved to; None: off."""

    window: str
    base: Address | None


@dataclass(frozen=True, slots=True)
class Way(Form):
    """A set of jumper moves and what is left after it: overlapping bytes, and ROMs that do not run."""

    moves: tuple[Placed, ...]
    overlapping_bytes: Count
    not_running: tuple[str, ...]
    solves: bool
    """True if nothing overlaps and every ROM runs."""


@dataclass(frozen=True, slots=True)
class Room(Form):
    """The free bases for something of `size` bytes."""

    name: str
    size: Count
    bases: tuple[Address, ...]


@dataclass(frozen=True, slots=True)
class MapReport(ScanPrediction):
    """What `benchd map --json` prints: the prediction, jumper moves that help, room for what is wanted."""

    moves: tuple[Way, ...]
    room: tuple[Room, ...]


def report(layout: Layout, room: tuple[Room, ...]) -> MapReport:
    """Return the prediction for `layout` with the jumper moves that would help, and `room`."""
    found = predict(layout)
    values = {one.name: getattr(found, one.name) for one in fields(found)}
    return MapReport(**values, moves=ways_out(layout), room=room)


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


class _Shared:
    """Bytes that windows share, pair by pair: nothing is shared exactly if nothing overlaps."""

    def __init__(self, windows: tuple[Window, ...]) -> None:
        self.windows = windows
        self.now = [(w.party, base, base + w.size) for w in windows for base in w.bases]

    def alone(self, a: int, base: int | None) -> int:
        """What window `a` at `base` shares with all others where they are."""
        window = self.windows[a]
        own = window.party
        total = 0
        for low in window.bases_at(base):
            high = low + window.size
            for party, first, end in self.now:
                if first < high and low < end and party != own:
                    total += (high if high < end else end) - (low if low > first else first)
        return total

    def pair(self, a: int, base_a: int | None, b: int, base_b: int | None) -> int:
        """What windows `a` and `b` share at these bases."""
        one, two = self.windows[a], self.windows[b]
        if one.party == two.party:
            return 0
        return sum(
            max(0, min(x + one.size, y + two.size) - max(x, y))
            for x in one.bases_at(base_a)
            for y in two.bases_at(base_b)
        )


def _rough(windows: tuple[Window, ...], idle: tuple[str, ...]) -> Iterator[tuple[int, int, int, Moves]]:
    """Yield (shared bytes against now, moves, number, which) for one and two moves that do not add to them.

    At least one of the moved windows shares bytes or is `idle`.
    """
    shared = _Shared(windows)
    now = {n: shared.alone(n, window.base) for n, window in enumerate(windows)}
    troubled = {n for n, window in enumerate(windows) if window.name in idle or now[n]}
    choices = {
        n: [base for base in dict.fromkeys(window.positions) if base != window.base] for n, window in enumerate(windows)
    }
    gain = {(n, base): shared.alone(n, base) - now[n] for n, bases in choices.items() for base in bases}
    for number, ((n, base), change) in enumerate(gain.items()):
        if change <= 0 and n in troubled:
            yield change, 1, number, ((windows[n].name, base),)
    pairs = (
        (a, base_a, b, base_b)
        for a, b in combinations(choices, 2)
        if not troubled.isdisjoint((a, b))
        for base_a, base_b in product(choices[a], choices[b])
    )
    for number, (a, base_a, b, base_b) in enumerate(islice(pairs, max(0, TRY_LIMIT - len(gain)))):
        here_a, here_b = windows[a].base, windows[b].base
        together = shared.pair(a, base_a, b, base_b) + shared.pair(a, here_a, b, here_b)
        apart = shared.pair(a, base_a, b, here_b) + shared.pair(a, here_a, b, base_b)
        change = gain[a, base_a] + gain[b, base_b] + together - apart
        if change <= 0:
            yield change, 2, number, ((windows[a].name, base_a), (windows[b].name, base_b))
