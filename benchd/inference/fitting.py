"""Which rule table explains a record: the codes it knows, the order of its ladder, and where its boots begin and end.

Pure: boots as `parting` tells them apart, and tables, in. A person chooses; this says what speaks for each table.
Four shares, each from 0 to 1:

known    of the different codes that came, those that the table tells of (1 where no code came)
order    of the pairs of stages that came, those in the ladder's order, above what chance gives (half of them)
ladder   of the stages that a boot should show, those that it did
ends     of the boots, those that begin with a start mark of the table and those that end with its final stage

Their product is how well it fits, the last one with half its weight: ends are the most often missed.
"""

from __future__ import annotations

import statistics
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

from benchd.inference.bootlog import Event
from benchd.inference.forms import Form, Rounded3
from benchd.rules.match import Hit, Matcher
from benchd.rules.schema import RuleTable

FITS = 0.6
"""A table fits from here on. Between families of one trade's codes much is known by chance: see the tests' matrix."""
FIRST = 6
"""A start mark among the first so many events is one: noise, and what was lost, may come before it."""
LAST = 0.15
"""A final stage with at most this share of the boot's events after it is an end."""


@dataclass(frozen=True, slots=True)
class Fit(Form):
    """How well a table explains a record; `codes` and `stages` are those of the record that it has."""

    table: str
    score: Rounded3
    known: Rounded3
    order: Rounded3
    ladder: Rounded3
    ends: Rounded3

    @property
    def fits(self) -> bool:
        return self.score >= FITS


def fit(table: RuleTable, boots: Sequence[Sequence[Event]]) -> Fit:
    """Return how well a table explains boots."""
    matcher = Matcher(table)
    codes = {event.value for boot in boots for event in boot if event.kind == "code"}
    kinds = {event.kind for boot in boots for event in boot}
    shares = [_boot(table, [(event, _hits(matcher, event)) for event in boot], kinds) for boot in boots]
    known = _mean([matcher.known(*_code(value)) for value in codes]) if codes else 1.0
    order, ladder, ends = (_mean([share[n] for share in shares]) for n in range(3))
    return Fit(table.name, known * order * ladder * (1 + ends) / 2, known, order, ladder, ends)


def ranked(tables: Iterable[RuleTable], boots: Sequence[Sequence[Event]]) -> list[Fit]:
    """Return how well each table that judges explains the boots, the best first."""
    fits = [fit(table, boots) for table in tables if table.table.judges]
    return sorted(fits, key=lambda one: (-one.score, one.table))


def _mean(shares: Sequence[float]) -> float:
    return statistics.fmean(shares) if shares else 0.0


def _code(value: str) -> tuple[int, int | None, bool]:
    return int(value, 16), None, len(value) == 4


def _hits(matcher: Matcher, event: Event) -> list[Hit]:
    return matcher.code(*_code(event.value)) if event.kind == "code" else matcher.text(event.value)


def _boot(table: RuleTable, seen: Sequence[tuple[Event, list[Hit]]], kinds: set[str]) -> tuple[float, float, float]:
    """Order, ladder and ends of one boot."""
    finals = [i for i, stage in enumerate(table.stage) if stage.final]
    ordered = [i for i in range(min(finals, default=len(table.stage))) if not table.stage[i].anytime]
    first: dict[int, int] = {}
    for place, hit in ((place, hit) for place, (_, hits) in enumerate(seen) for hit in hits if hit.role == "stage"):
        first.setdefault(hit.index, place)
    order = _order(table, [first[i] for i in ordered if i in first])
    ladder = _ladder(table, [i for i in ordered if _can_show(table, i, kinds)], first)
    return order, ladder, _ends(table, seen, max((first[i] for i in finals if i in first), default=-1))


def _ends(table: RuleTable, seen: Sequence[tuple[Event, list[Hit]]], last: int) -> float:
    """Half for a start mark among the first events, half for a final stage (the latest at `last`) among the last."""
    began = any(hit.role == "start" for _, hits in seen[:FIRST] for hit in hits) if table.boot.starts else 0.5
    return (began + (last >= max(0.0, (1 - LAST) * len(seen) - 1))) / 2


def _order(table: RuleTable, came: Sequence[int]) -> float:
    """Of pairs of stages, by where they came, those in the ladder's order, above what chance gives."""
    if table.table.order == "free":
        return float(bool(came))
    pairs = [a <= b for n, a in enumerate(came) for b in came[n + 1 :]]
    return max(0.0, 2 * statistics.fmean(pairs) - 1) if pairs else 0.0


def _ladder(table: RuleTable, shown: Sequence[int], first: Collection[int]) -> float:
    """Of the stages that can be seen, those that came; optional ones and branches only where there are no others."""
    should = [i for i in shown if not (table.stage[i].optional or table.stage[i].branch)] or shown
    return statistics.fmean(i in first for i in should) if should else float(bool(first))


def _can_show(table: RuleTable, index: int, kinds: set[str]) -> bool:
    """Whether a stage can be seen by what there is in the record: codes, or lines."""
    return any(("line" if when.code is None else "code") in kinds for when in table.stage[index].enter)
