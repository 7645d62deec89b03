"""Where two groups of boots part: first divergence, what only one has, stages that changed places."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Literal

import numpy as np

from benchd.harmless import clean
from benchd.inference.align import Tokens, pair
from benchd.inference.answers import Divergence, OnlyOne, OrderChange, Point
from benchd.inference.bootlog import MAX_EVENTS, BootGroup, BootLog, Event, evenly
from benchd.inference.consensus import Rung, consensus, fold

Columns = Sequence[tuple[int | None, int | None]]
"""Two ladders side by side: positions of the rungs paired, None where one side has none."""
CONTEXT = 3
ALIGNED_MOST = 300
"""Boots of a group that are aligned (evenly chosen); presence and times are counted over all."""
REORDER_WINDOW = 6
"""A token that both sides have within so many places is a change of order, not a divergence."""
ONLY_MOST = 100
ORDER_MOST = 50
ORDER_SHARE = 0.9


def divergences(a: BootGroup, b: BootGroup, notes: list[str]) -> tuple[Divergence | None, Divergence | None]:
    """Where the common ladders of two groups first part, and where they part for good.

    None where they agree or there are no events. A slow card loses codes, so a lone gap after which
    both go on alike is weak evidence: the second value then tells more than the first.
    """
    tokens = Tokens()
    left, right = _Ladder(a, tokens, notes), _Ladder(b, tokens, notes)
    columns = pair([r.token for r in left.rungs], [r.token for r in right.rungs])
    parted = [
        at
        for at, (i, j) in enumerate(columns)
        if (i is None or j is None) and not _moved(columns, at, left.rungs, right.rungs)
    ]
    if not parted:
        return None, None
    common = max((at for at, (i, j) in enumerate(columns) if i is not None and j is not None), default=-1)
    lasting = next((at for at in parted if at > common), None)
    return (
        _divergence(columns, parted[0], left, right),
        None if lasting is None else _divergence(columns, lasting, left, right),
    )


class _Ladder:
    """The rungs that a group's boots share, with what was left out told in `notes`."""

    def __init__(self, group: BootGroup, tokens: Tokens, notes: list[str]) -> None:
        self.boots = evenly(group.boots, ALIGNED_MOST)
        if len(self.boots) < len(group.boots):
            notes.append(f"{group.name}: {len(self.boots)} of {len(group.boots)} boots aligned, evenly chosen")
        cut = sum(len(boot.events) > MAX_EVENTS for boot in group.boots)
        if cut:
            notes.append(f"{group.name}: {cut} boots have more than {MAX_EVENTS} events; the rest is not aligned")
        self.folded = [fold(boot, tokens) for boot in self.boots]
        self.rungs = consensus(self.folded)
        self.names = tokens.names

    def points(self, places: Sequence[int]) -> tuple[Point, ...]:
        return tuple(self._point(self.rungs[place]) for place in places)

    def _point(self, rung: Rung) -> Point:
        times = [
            self.boots[b].events[self.folded[b].starts[place]].t_s
            for b, place in enumerate(rung.places.tolist())
            if place >= 0
        ]
        return Point(clean(str(self.names[rung.token])), float(np.median(times)), len(times), len(self.boots))


def _divergence(columns: Columns, at: int, left: _Ladder, right: _Ladder) -> Divergence:
    """What stands before the column `at`, and what each side has next."""
    return Divergence(
        before=left.points([x for x, y in columns[:at] if x is not None and y is not None][-CONTEXT:]),
        rejoins=any(x is not None and y is not None for x, y in columns[at:]),
        a=left.points([x for x, _ in columns[at:] if x is not None][:CONTEXT]),
        b=right.points([y for _, y in columns[at:] if y is not None][:CONTEXT]),
    )


def only_one(a: BootGroup, b: BootGroup) -> tuple[OnlyOne, ...]:
    """Codes and lines that only one group has, those of most boots first, at most 100."""
    known: dict[tuple[str, str], str] = {}

    def token(event: Event) -> str:
        key = (event.kind, event.value)
        return known.get(key) or known.setdefault(key, event.token())

    counts = [Counter(t for boot in g.boots for t in {token(e) for e in boot.events[:MAX_EVENTS]}) for g in (a, b)]
    sides: tuple[tuple[Literal["a", "b"], BootGroup, int], ...] = (("a", a, 0), ("b", b, 1))
    out = [
        OnlyOne(side, clean(text), k, len(group.boots))
        for side, group, own in sides
        for text, k in counts[own].items()
        if text not in counts[1 - own]
    ]
    return tuple(sorted(out, key=lambda one: (-one.k / one.n, one.side, one.text))[:ONLY_MOST])


def order_changes(a: BootGroup, b: BootGroup) -> tuple[OrderChange, ...]:
    """Pairs of stages in one order in at least 90 % of a's boots and in the other in 90 % of b's."""
    names = list(dict.fromkeys(mark.name for g in (a, b) for boot in g.boots for mark in boot.stages))
    shares = [_before_share(group.boots, names) for group in (a, b)]
    found = np.argwhere((shares[0] >= ORDER_SHARE) & (shares[1] <= 1 - ORDER_SHARE))
    ordered = sorted(found.tolist(), key=lambda ij: (abs(ij[0] - ij[1]), ij[0]))
    return tuple(
        OrderChange(names[i], names[j], float(shares[0][i, j]), float(shares[1][i, j])) for i, j in ordered[:ORDER_MOST]
    )


def _before_share(boots: Sequence[BootLog], names: Sequence[str]) -> np.ndarray:
    """Share of boots in which stage i is entered before stage j, nan where no boot has both."""
    index = {name: i for i, name in enumerate(names)}
    place = np.full((len(boots), len(names)), np.nan)
    for row, boot in zip(place, boots, strict=True):
        for position, mark in enumerate(boot.stages):
            if np.isnan(row[index[mark.name]]):
                row[index[mark.name]] = position
    share = np.full((len(names), len(names)), np.nan)
    for i in range(len(names)):
        both = ~np.isnan(place[:, [i]]) & ~np.isnan(place)
        number = both.sum(axis=0)
        before = ((place[:, [i]] < place) & both).sum(axis=0)
        np.divide(before, number, out=share[i], where=number > 0)
        share[i, i] = np.nan
    return share


def _moved(columns: Columns, at: int, rungs_a: Sequence[Rung], rungs_b: Sequence[Rung]) -> bool:
    """Whether the token at a one-sided column stands one-sided on the other side nearby."""
    i, j = columns[at]
    token = rungs_a[i].token if i is not None else rungs_b[j or 0].token
    near = columns[max(0, at - REORDER_WINDOW) : at + REORDER_WINDOW + 1]
    if i is not None:
        return any(x is None and y is not None and rungs_b[y].token == token for x, y in near)
    return any(y is None and x is not None and rungs_a[x].token == token for x, y in near)
