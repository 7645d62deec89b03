"""Which jumper move solves it: other positions of the cards tried out, fewest moves first."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations, product

from benchd.rom.contention import compose
from benchd.rom.layout import Layout, Window, overlaps
from benchd.rom.numbers import hex_address
from benchd.rom.predict import outcomes
from benchd.rom.scan import walk

TRY_LIMIT = 4000
"""Combinations of positions whose overlaps are looked at."""
SCAN_LIMIT = 10
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
                {"window": name, "base": None if base is None else hex_address(base)} for name, base in self.moves
            ],
            "overlapping_bytes": self.overlapping,
            "not_running": list(self.idle),
            "solves": self.solves,
        }


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
    rough = sorted(_rough(layout.windows, now.idle))[:SCAN_LIMIT]
    judged = [_judge(layout, moves) for *_, moves in rough]
    better = [
        way
        for way in judged
        if len(way.idle) <= len(now.idle)
        and way.overlapping <= now.overlapping
        and (way.overlapping, len(way.idle)) < (now.overlapping, len(now.idle))
    ]
    better.sort(key=lambda way: (not way.solves, len(way.moves), way.overlapping, len(way.idle)))
    return tuple(better[:SHOW_LIMIT])


def _judge(layout: Layout, moves: Moves) -> Way:
    changed = Layout(apply(layout.windows, moves), layout.rules, layout.floating)
    memory = compose(changed)
    roms = outcomes(changed, memory, walk(changed, memory))
    running = {rom.window for rom in roms if rom.runs}
    idle = tuple(dict.fromkeys(rom.window for rom in roms if rom.window not in running))
    left = sum(one.last - one.first + 1 for one in overlaps(changed.windows))
    return Way(moves, left, idle)


class _Shared:
    """Bytes that windows share, pair by pair: nothing is shared exactly if nothing overlaps."""

    def __init__(self, windows: tuple[Window, ...]) -> None:
        self.windows = windows
        self.now = [(w.party, base, base + w.size) for w in windows for base in w.bases]

    def alone(self, a: int, base: int | None) -> int:
        """What window `a` at `base` shares with all others where they are."""
        moved = self.windows[a].moved(base)
        own = moved.party
        total = 0
        for low in moved.bases:
            high = low + moved.size
            for party, first, end in self.now:
                if first < high and low < end and party != own:
                    total += (high if high < end else end) - (low if low > first else first)
        return total

    def pair(self, a: int, base_a: int | None, b: int, base_b: int | None) -> int:
        """What windows `a` and `b` share at these bases."""
        one, two = self.windows[a], self.windows[b]
        if base_a is None or base_b is None or one.party == two.party:
            return 0
        if not one.mirrors and not two.mirrors:
            return max(0, min(base_a + one.size, base_b + two.size) - max(base_a, base_b))
        return sum(
            max(0, min(x + one.size, y + two.size) - max(x, y))
            for x in one.moved(base_a).bases
            for y in two.moved(base_b).bases
        )


def _rough(windows: tuple[Window, ...], idle: tuple[str, ...]) -> Iterator[tuple[int, int, int, Moves]]:
    """Yield (shared bytes against now, moves, number, which) for one and two moves that do not add to them.

    At least one of the moved windows shares bytes or is `idle`.
    """
    shared = _Shared(windows)
    choices = {
        n: [base for base in dict.fromkeys(window.positions) if base != window.base]
        for n, window in enumerate(windows)
        if window.positions
    }
    troubled = {n for n, w in enumerate(windows) if w.name in idle or shared.alone(n, w.base)}
    gain: dict[tuple[int, int | None], int] = {}
    for n, bases in choices.items():
        now = shared.alone(n, windows[n].base)
        gain |= {(n, base): shared.alone(n, base) - now for base in bases}
    number = 0
    for (n, base), change in gain.items():
        number += 1
        if change <= 0 and n in troubled:
            yield change, 1, number, ((windows[n].name, base),)
    for a, b in combinations(choices, 2):
        if a not in troubled and b not in troubled:
            continue
        here_a, here_b = windows[a].base, windows[b].base
        for base_a, base_b in product(choices[a], choices[b]):
            number += 1
            if number > TRY_LIMIT:
                return
            change = (
                gain[a, base_a] + gain[b, base_b]
                + shared.pair(a, base_a, b, base_b) + shared.pair(a, here_a, b, here_b)
                - shared.pair(a, base_a, b, here_b) - shared.pair(a, here_a, b, base_b)
            )  # fmt: skip
            if change <= 0:
                yield change, 2, number, ((windows[a].name, base_a), (windows[b].name, base_b))
