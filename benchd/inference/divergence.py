"""Where two groups of boots part: first divergence, what only one has, stages that changed places."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchd.harmless import clean
from benchd.inference.align import Tokens, pair
from benchd.inference.bootlog import MAX_EVENTS, BootGroup, BootLog
from benchd.inference.consensus import Folded, Rung, consensus, fold

CONTEXT = 3
ALIGNED_MOST = 300
"""Boots of a group that are aligned (evenly chosen); presence and times are counted over all."""
REORDER_WINDOW = 6
"""A token that both sides have within so many places is a change of order, not a divergence."""
ONLY_MOST = 100
ORDER_MOST = 50
ORDER_SHARE = 0.9


@dataclass(frozen=True, slots=True)
class Point:
    """One rung of a group's consensus: what, its median time, and how many boots of those aligned have it."""

    text: str
    t_s: float
    seen: int
    of: int

    def to_json(self) -> dict[str, object]:
        return {"text": self.text, "t_s": round(self.t_s, 6), "seen": self.seen, "of": self.of}


@dataclass(frozen=True, slots=True)
class Divergence:
    """The first place where the common ladders part: `before` as seen in a, then each side's next rungs.

    An empty `a` or `b` means that group has nothing more.
    """

    before: tuple[Point, ...]
    a: tuple[Point, ...]
    b: tuple[Point, ...]
    rejoins: bool = False

    def words(self, a_name: str, b_name: str) -> str:
        after = f"after {_named(self.before[-1].text)}" if self.before else "from the start"
        part = "they part for a while" if self.rejoins else "they part"
        return f"{part} {after}: {_goes(a_name, self.a)}, {_goes(b_name, self.b)}"

    def to_json(self) -> dict[str, object]:
        return {
            "before": [point.to_json() for point in self.before],
            "rejoins": self.rejoins,
            "a": [point.to_json() for point in self.a],
            "b": [point.to_json() for point in self.b],
        }


@dataclass(frozen=True, slots=True)
class OnlyOne:
    """A code or (masked) line that boots of one group have and none of the other: k of n boots."""

    side: str
    text: str
    k: int
    n: int

    def to_json(self) -> dict[str, object]:
        return {"side": self.side, "text": self.text, "k": self.k, "n": self.n}


@dataclass(frozen=True, slots=True)
class OrderChange:
    """`earlier` comes before `later` in a, and after it in b; shares are of boots that have both."""

    earlier: str
    later: str
    a_share: float
    b_share: float

    def to_json(self) -> dict[str, object]:
        return {
            "earlier": self.earlier,
            "later": self.later,
            "a_share": round(self.a_share, 4),
            "b_share": round(self.b_share, 4),
        }


def divergences(a: BootGroup, b: BootGroup, notes: list[str]) -> tuple[Divergence | None, Divergence | None]:
    """Where the common ladders of two groups first part, and where they part for good.

    None where they agree or there are no events. A slow card loses codes, so a lone gap after which
    both go on alike is weak evidence: the second value then tells more than the first.
    """
    tokens = Tokens()
    ladders = []
    for group in (a, b):
        chosen = _evenly(group.boots)
        if len(chosen) < len(group.boots):
            notes.append(f"{group.name}: {len(chosen)} of {len(group.boots)} boots aligned, evenly chosen")
        cut = sum(len(boot.events) > MAX_EVENTS for boot in group.boots)
        if cut:
            notes.append(f"{group.name}: {cut} boots have more than {MAX_EVENTS} events; the rest is not aligned")
        folded = [fold(boot, tokens) for boot in chosen]
        ladders.append((chosen, folded, consensus(folded)))
    (boots_a, folded_a, rungs_a), (boots_b, folded_b, rungs_b) = ladders
    columns = pair([r.token for r in rungs_a], [r.token for r in rungs_b])

    def at_column(at: int) -> Divergence:
        before = [x for x, y in columns[:at] if x is not None and y is not None][-CONTEXT:]
        next_a = [x for x, _ in columns[at:] if x is not None][:CONTEXT]
        next_b = [y for _, y in columns[at:] if y is not None][:CONTEXT]
        return Divergence(
            tuple(_point(rungs_a[x], boots_a, folded_a, tokens) for x in before),
            tuple(_point(rungs_a[x], boots_a, folded_a, tokens) for x in next_a),
            tuple(_point(rungs_b[y], boots_b, folded_b, tokens) for y in next_b),
            rejoins=any(x is not None and y is not None for x, y in columns[at:]),
        )

    parted = [
        at
        for at, (i, j) in enumerate(columns)
        if (i is None or j is None) and not _moved(columns, at, rungs_a, rungs_b)
    ]
    if not parted:
        return None, None
    common = max((at for at, (i, j) in enumerate(columns) if i is not None and j is not None), default=-1)
    lasting = next((at for at in parted if at > common), None)
    return at_column(parted[0]), None if lasting is None else at_column(lasting)


def only_one(a: BootGroup, b: BootGroup) -> tuple[OnlyOne, ...]:
    """Codes and lines that only one group has, those of most boots first, at most 100."""
    known: dict[tuple[str, str], str] = {}
    counts: list[Counter[str]] = []
    for group in (a, b):
        count: Counter[str] = Counter()
        for boot in group.boots:
            own = set()
            for event in boot.events[:MAX_EVENTS]:
                key = (event.kind, event.value)
                token = known.get(key)
                if token is None:
                    token = known[key] = event.token()
                own.add(token)
            count.update(own)
        counts.append(count)
    out = [
        OnlyOne(side, clean(text), k, len(group.boots))
        for side, group, mine, other in (("a", a, counts[0], counts[1]), ("b", b, counts[1], counts[0]))
        for text, k in mine.items()
        if text not in other
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


def _evenly(boots: Sequence[BootLog]) -> list[BootLog]:
    if len(boots) <= ALIGNED_MOST:
        return list(boots)
    return [boots[i * len(boots) // ALIGNED_MOST] for i in range(ALIGNED_MOST)]


def _moved(
    columns: Sequence[tuple[int | None, int | None]], at: int, rungs_a: Sequence[Rung], rungs_b: Sequence[Rung]
) -> bool:
    """Whether the token at a one-sided column stands one-sided on the other side nearby."""
    i, j = columns[at]
    token = rungs_a[i].token if i is not None else rungs_b[j or 0].token
    near = columns[max(0, at - REORDER_WINDOW) : at + REORDER_WINDOW + 1]
    if i is not None:
        return any(x is None and y is not None and rungs_b[y].token == token for x, y in near)
    return any(y is None and x is not None and rungs_a[x].token == token for x, y in near)


def _point(rung: Rung, boots: Sequence[BootLog], folded: Sequence[Folded], tokens: Tokens) -> Point:
    times = [boots[b].events[folded[b].starts[place]].t_s for b, place in enumerate(rung.places.tolist()) if place >= 0]
    return Point(clean(str(tokens.names[rung.token])), float(np.median(times)), len(times), len(boots))


def _named(token: str) -> str:
    """A code as it is, a console line in quotes: its own commas and full stops are not the sentence's."""
    return f'the line "{token.removeprefix("line ")}"' if token.startswith("line ") else token


def _goes(name: str, points: Sequence[Point]) -> str:
    return f"{name} goes on to {_named(points[0].text)}" if points else f"{name} ends there"
