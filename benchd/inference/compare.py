"""Two or more groups of boots compared: where they part, what only one has, timing, finishing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchd.errors import UsageError
from benchd.inference import timing
from benchd.inference.bootlog import UNKNOWN_END, BootGroup, BootLog
from benchd.inference.divergence import Divergence, OnlyOne, OrderChange, divergences, only_one, order_changes
from benchd.inference.timing import Rate
from benchd.inference.wording import counted, percent

MAX_GROUPS = 12
MAX_STAGES = 200
SHOWN = 0.05
"""An adjusted p below this is called a difference."""


@dataclass(frozen=True, slots=True)
class Side:
    """Times of one stage in one group: n complete ones, their median, and boots that ended inside it."""

    n: int
    median_s: float | None
    ended_here: int

    def to_json(self) -> dict[str, object]:
        return {"n": self.n, "median_s": _rounded(self.median_s), "ended_here": self.ended_here}


@dataclass(frozen=True, slots=True)
class StageShift:
    """One stage in both groups. `shift_s` is b minus a; the ends are None when boots are too few."""

    name: str
    a: Side
    b: Side
    shift_s: float | None
    shift_low: float | None
    shift_high: float | None
    p: float | None
    p_adjusted: float | None
    more_boots: int | None

    @property
    def shown(self) -> bool:
        return self.p_adjusted is not None and self.p_adjusted < SHOWN

    def to_json(self) -> dict[str, object]:
        return {
            "name": self.name,
            "a": self.a.to_json(),
            "b": self.b.to_json(),
            "shift_s": _rounded(self.shift_s),
            "shift_low": _rounded(self.shift_low),
            "shift_high": _rounded(self.shift_high),
            "p": self.p,
            "p_adjusted": self.p_adjusted,
            "more_boots": self.more_boots,
        }


@dataclass(frozen=True, slots=True)
class Finish:
    """Finishing rates. Boots cut short or with a lost link are not counted (`not_counted` each side)."""

    a: Rate
    b: Rate
    p: float | None
    more_boots: int | None
    not_counted: tuple[int, int]

    def to_json(self) -> dict[str, object]:
        def side(rate: Rate) -> dict[str, object]:
            return {"k": rate.k, "n": rate.n, "low": round(rate.low, 6), "high": round(rate.high, 6)}

        return {
            "a": side(self.a),
            "b": side(self.b),
            "p": self.p,
            "more_boots": self.more_boots,
            "not_counted": {"a": self.not_counted[0], "b": self.not_counted[1]},
        }


@dataclass(frozen=True, slots=True)
class TimeToFinish:
    """Kaplan-Meier medians with unfinished boots censored, and the log-rank test."""

    a_median_s: float | None
    b_median_s: float | None
    chi2: float | None
    p: float | None

    def to_json(self) -> dict[str, object]:
        return {
            "a": {"median_s": _rounded(self.a_median_s)},
            "b": {"median_s": _rounded(self.b_median_s)},
            "chi2": self.chi2,
            "p": self.p,
        }


@dataclass(frozen=True, slots=True)
class Comparison:
    """One group (b) against the first (a)."""

    a_name: str
    b_name: str
    sentence: str
    first_divergence: Divergence | None
    lasting_divergence: Divergence | None
    only: tuple[OnlyOne, ...]
    order: tuple[OrderChange, ...]
    stages: tuple[StageShift, ...]
    finish: Finish
    time_to_finish: TimeToFinish
    notes: tuple[str, ...]

    def to_json(self) -> dict[str, object]:
        return {
            "names": {"a": self.a_name, "b": self.b_name},
            "sentence": self.sentence,
            "first_divergence": self.first_divergence.to_json() if self.first_divergence else None,
            "lasting_divergence": self.lasting_divergence.to_json() if self.lasting_divergence else None,
            "only_one_has": [one.to_json() for one in self.only],
            "order_changes": [change.to_json() for change in self.order],
            "stages": [stage.to_json() for stage in self.stages],
            "finish": self.finish.to_json(),
            "time_to_finish": self.time_to_finish.to_json(),
            "notes": list(self.notes),
        }


def compare(groups: Sequence[BootGroup]) -> tuple[Comparison, ...]:
    """Every group after the first against the first; p values of stages adjusted over all of them (Holm).

    Raises UsageError for fewer than 2 or more than 12 groups, or more than 200 stages.
    """
    if not 2 <= len(groups) <= MAX_GROUPS:
        raise UsageError(f"{len(groups)} groups to compare; give from 2 to {MAX_GROUPS}")
    pairs = [_pair(groups[0], other) for other in groups[1:]]
    spots = [
        (i, j, stage.p) for i, pair in enumerate(pairs) for j, stage in enumerate(pair.stages) if stage.p is not None
    ]
    adjusted = timing.holm([p for _, _, p in spots])
    stages = [list(pair.stages) for pair in pairs]
    for (i, j, _), p in zip(spots, adjusted, strict=True):
        stage = stages[i][j]
        more = None if p < SHOWN else stage.more_boots
        stages[i][j] = replace(stage, p_adjusted=p, more_boots=more)
    out = []
    for pair, own in zip(pairs, stages, strict=True):
        pair = replace(pair, stages=tuple(own))
        out.append(replace(pair, sentence=_sentence(pair)))
    return tuple(out)


def to_json(comparisons: Sequence[Comparison]) -> dict[str, object]:
    """The first comparison's keys; further ones, when there are any, under `others`."""
    out = comparisons[0].to_json()
    if len(comparisons) > 1:
        out["others"] = [comparison.to_json() for comparison in comparisons[1:]]
    return out


def _pair(a: BootGroup, b: BootGroup) -> Comparison:
    notes: list[str] = []
    finish = _finish(a, b)
    first, lasting = divergences(a, b, notes)
    return Comparison(
        a_name=a.name,
        b_name=b.name,
        sentence="",
        first_divergence=first,
        lasting_divergence=lasting,
        only=only_one(a, b),
        order=order_changes(a, b),
        stages=_stages(a, b),
        finish=finish,
        time_to_finish=_time_to_finish(a, b),
        notes=tuple(notes),
    )


def _finish(a: BootGroup, b: BootGroup) -> Finish:
    rates, lost = [], []
    for group in (a, b):
        known = [boot for boot in group.boots if boot.outcome not in UNKNOWN_END]
        rates.append(timing.wilson(sum(boot.finished for boot in known), len(known)))
        lost.append(len(group.boots) - len(known))
    p = timing.fisher(rates[0], rates[1])
    more = None if p is None or p < SHOWN else timing.more_boots_for_rates(rates[0], rates[1])
    return Finish(rates[0], rates[1], p, more, (lost[0], lost[1]))


def _time_to_finish(a: BootGroup, b: BootGroup) -> TimeToFinish:
    sides = [([boot.end_s for boot in g.boots], [boot.finished for boot in g.boots]) for g in (a, b)]
    medians = [timing.kaplan_meier(*side).median_s() for side in sides]
    found = timing.log_rank(sides[0], sides[1])
    return TimeToFinish(medians[0], medians[1], *(found or (None, None)))


def stage_order(boots: Sequence[BootLog]) -> list[str]:
    """Stage names by the mean place at which boots enter them."""
    places: dict[str, list[int]] = {}
    for boot in boots:
        for i, name in enumerate(dict.fromkeys(mark.name for mark in boot.stages)):
            places.setdefault(name, []).append(i)
    if len(places) > MAX_STAGES:
        raise UsageError(f"the boots have {len(places)} stages; at most {MAX_STAGES} can be compared")
    return sorted(places, key=lambda name: sum(places[name]) / len(places[name]))


def _stages(a: BootGroup, b: BootGroup) -> tuple[StageShift, ...]:
    names = stage_order([*a.boots, *b.boots])
    times = [_times(group.boots, names) for group in (a, b)]
    out = []
    for name in names:
        (ta, ended_a), (tb, ended_b) = times[0][name], times[1][name]
        sides = [Side(len(t), float(np.median(t)) if t else None, ended) for t, ended in ((ta, ended_a), (tb, ended_b))]
        found = timing.shift(ta, tb)
        out.append(
            StageShift(
                name,
                sides[0],
                sides[1],
                found.shift_s if found else None,
                found.low_s if found else None,
                found.high_s if found else None,
                found.p if found else None,
                None,
                timing.more_boots_for_shift(ta, tb) if found else None,
            )
        )
    return tuple(out)


def _times(boots: Sequence[BootLog], names: Sequence[str]) -> dict[str, tuple[list[float], int]]:
    times: dict[str, list[float]] = {name: [] for name in names}
    ended = dict.fromkeys(names, 0)
    for boot in boots:
        seen: set[str] = set()
        for mark in boot.stages:
            if mark.name in seen:
                continue
            seen.add(mark.name)
            if mark.took_s is None:
                ended[mark.name] += not boot.finished
            else:
                times[mark.name].append(mark.took_s)
    return {name: (times[name], ended[name]) for name in names}


def _sentence(pair: Comparison) -> str:
    a, b, finish = pair.a_name, pair.b_name, pair.finish
    parts = []
    if finish.p is not None and finish.p < SHOWN:
        less = finish.b.k / finish.b.n < finish.a.k / finish.a.n
        parts.append(
            f"{b} finishes {'less' if less else 'more'} often than {a} "
            f"({finish.b.k} of {finish.b.n} against {finish.a.k} of {finish.a.n}, {_p(finish.p)})"
        )
    shown = sorted((s for s in pair.stages if s.shown and s.shift_s), key=lambda s: -abs(s.shift_s or 0.0))
    for stage in shown[:2]:
        assert stage.shift_s is not None
        interval = ""
        if stage.shift_low is not None and stage.shift_high is not None:
            ends = sorted((abs(stage.shift_low), abs(stage.shift_high)))
            interval = f" ({ends[0]:.3g} to {ends[1]:.3g} s)"
        word = "longer" if stage.shift_s > 0 else "less"
        parts.append(f"stage {stage.name} takes {abs(stage.shift_s):.3g} s {word} in {b}{interval}")
    parting = pair.lasting_divergence or pair.first_divergence
    if parting is not None:
        parts.append(parting.words(a, b))
    if pair.order:
        change = pair.order[0]
        parts.append(f"{change.later} comes before {change.earlier} in {b}")
    if parts:
        text = "; ".join(parts)
        return text[0].upper() + text[1:] + "."
    n_a = finish.a.n + finish.not_counted[0]
    n_b = finish.b.n + finish.not_counted[1]
    text = f"No difference shown between {a} ({_boots(n_a)}) and {b} ({_boots(n_b)})"
    if finish.more_boots:
        text += (
            f"; finishing rates of {percent(finish.a.k / finish.a.n)} and {percent(finish.b.k / finish.b.n)} "
            f"would take about {counted(finish.more_boots, 'more boot')} each to settle"
        )
    return text + "."


def _p(p: float) -> str:
    return "p below 0.0001" if p < 0.0001 else f"p {p:.2g}"


def _boots(n: int) -> str:
    return "1 boot" if n == 1 else f"{n} boots"


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 6)
