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
from collections.abc import Iterable, Sequence
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
    seen = [[(event, _hits(matcher, event)) for event in boot] for boot in boots]
    codes = {event.value for boot in boots for event in boot if event.kind == "code"}
    known = [matcher.known(*_code(value)) for value in codes]
    kinds = {event.kind for boot in boots for event in boot}
    orders, ladders, ends = zip(*(_boot(table, own, kinds) for own in seen), strict=True) if seen else ((), (), ())
    parts = (
        statistics.fmean(known) if known else 1.0,
        _mean(orders),
        _mean(ladders),
        _mean(ends),
    )
    score = parts[0] * parts[1] * parts[2] * (1 + parts[3]) / 2
    return Fit(table.name, score, *parts)


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
    for place, (_, hits) in enumerate(seen):
        for hit in hits:
            if hit.role == "stage":
                first.setdefault(hit.index, place)
    came = [first[i] for i in ordered if i in first]
    pairs = [(a, b) for n, a in enumerate(came) for b in came[n + 1 :]]
    right = sum(a < b or (a == b) for a, b in pairs) / len(pairs) if pairs else 0.0
    order = 1.0 if table.table.order == "free" and came else max(0.0, 2 * right - 1)
    shown = [i for i in ordered if _can_show(table, i, kinds)]
    should = [i for i in shown if not (table.stage[i].optional or table.stage[i].branch)] or shown
    ladder = sum(i in first for i in should) / len(should) if should else float(any(i in first for i in finals))
    began = any(hit.role == "start" for _, hits in seen[:FIRST] for hit in hits) if table.boot.starts else 0.5
    ended = max((first[i] for i in finals if i in first), default=-1)
    return order, ladder, (began + (ended >= 0 and ended >= (1 - LAST) * len(seen) - 1)) / 2


def _can_show(table: RuleTable, index: int, kinds: set[str]) -> bool:
    """Whether a stage can be seen by what there is in the record: codes, or lines."""
    return any(("line" if when.code is None else "code") in kinds for when in table.stage[index].enter)
