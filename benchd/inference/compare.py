"""Two or more groups of boots compared: where they part, what only one has, timing, finishing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from benchd.errors import UsageError
from benchd.inference import timing
from benchd.inference.answers import Comparison, Finish, Median, Names, NotCounted, Rate, Side, StageShift, TimeToFinish
from benchd.inference.bootlog import UNKNOWN_END, BootGroup, BootLog, stage_order
from benchd.inference.divergence import divergences, only_one, order_changes
from benchd.inference.wording import counted, percent

MAX_GROUPS = 12
SHOWN = 0.05
"""An adjusted p below this is called a difference."""


def compare(groups: Sequence[BootGroup]) -> tuple[Comparison, ...]:
    """Every group after the first against the first; p values of stages adjusted over all of them (Holm).

    Raises UsageError for fewer than 2 or more than 12 groups, or more than 200 stages.
    """
    if not 2 <= len(groups) <= MAX_GROUPS:
        raise UsageError(f"{counted(len(groups), 'group')} to compare; give from 2 to {MAX_GROUPS}")
    pairs = [_pair(groups[0], other) for other in groups[1:]]
    adjusted = iter(timing.holm([s.p for pair in pairs for s in pair.stages if s.p is not None]))
    out = []
    for pair in pairs:
        stages = tuple(stage if stage.p is None else _adjusted(stage, next(adjusted)) for stage in pair.stages)
        pair = replace(pair, stages=stages)
        out.append(replace(pair, sentence=_sentence(pair)))
    return tuple(out)


def _adjusted(stage: StageShift, p: float) -> StageShift:
    return replace(stage, p_adjusted=p, more_boots=None if p < SHOWN else stage.more_boots)


def _pair(a: BootGroup, b: BootGroup) -> Comparison:
    notes: list[str] = []
    first, lasting = divergences(a, b, notes)
    return Comparison(
        names=Names(a.name, b.name),
        sentence="",
        first_divergence=first,
        lasting_divergence=lasting,
        only=only_one(a, b),
        order=order_changes(a, b),
        stages=_stages(a, b),
        finish=_finish(a, b),
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
    return Finish(rates[0], rates[1], p, more, NotCounted(*lost))


def _time_to_finish(a: BootGroup, b: BootGroup) -> TimeToFinish:
    sides = [([boot.end_s for boot in g.boots], [boot.finished for boot in g.boots]) for g in (a, b)]
    a_median, b_median = (Median(timing.kaplan_meier(*side).median_s()) for side in sides)
    found = timing.log_rank(sides[0], sides[1])
    return TimeToFinish(a_median, b_median, *(found or (None, None)))


def _stages(a: BootGroup, b: BootGroup) -> tuple[StageShift, ...]:
    names = stage_order([*a.boots, *b.boots])
    times = [_times(group.boots, names) for group in (a, b)]
    return tuple(_shift(name, times[0][name], times[1][name]) for name in names)


def _shift(name: str, a: tuple[list[float], int], b: tuple[list[float], int]) -> StageShift:
    left, right = (Side(len(t), float(np.median(t)) if t else None, ended) for t, ended in (a, b))
    found = timing.shift(a[0], b[0])
    if found is None:
        return StageShift(name, left, right)
    more = timing.more_boots_for_shift(a[0], b[0])
    return StageShift(name, left, right, found.shift_s, found.low_s, found.high_s, found.p, more_boots=more)


def _times(boots: Sequence[BootLog], names: Sequence[str]) -> dict[str, tuple[list[float], int]]:
    times: dict[str, list[float]] = {name: [] for name in names}
    ended = dict.fromkeys(names, 0)
    for boot in boots:
        firsts = {mark.name: mark for mark in reversed(boot.stages)}
        for mark in firsts.values():
            if mark.took_s is None:
                ended[mark.name] += not boot.finished
            else:
                times[mark.name].append(mark.took_s)
    return {name: (times[name], ended[name]) for name in names}


def _sentence(pair: Comparison) -> str:
    """What differs, most telling first; or how far from telling the boots are."""
    a, b = pair.names.a, pair.names.b
    parts = _rates_differ(pair) + _times_differ(pair)
    parting = pair.lasting_divergence or pair.first_divergence
    if parting is not None:
        parts.append(parting.words(a, b))
    if pair.order:
        parts.append(f"{pair.order[0].later} comes before {pair.order[0].earlier} in {b}")
    if parts:
        text = "; ".join(parts)
        return text[0].upper() + text[1:] + "."
    finish = pair.finish
    boots = [counted(rate.n + lost, "boot") for rate, lost in _both(finish)]
    text = f"No difference shown between {a} ({boots[0]}) and {b} ({boots[1]})"
    if finish.more_boots:
        text += (
            f"; finishing rates of {percent(finish.a.k / finish.a.n)} and {percent(finish.b.k / finish.b.n)} "
            f"would take about {counted(finish.more_boots, 'more boot')} each to settle"
        )
    return text + "."


def _both(finish: Finish) -> tuple[tuple[Rate, int], tuple[Rate, int]]:
    return (finish.a, finish.not_counted.a), (finish.b, finish.not_counted.b)


def _rates_differ(pair: Comparison) -> list[str]:
    one, other, p = pair.finish.a, pair.finish.b, pair.finish.p
    if p is None or p >= SHOWN:
        return []
    often = "less" if other.k / other.n < one.k / one.n else "more"
    sure = "p below 0.0001" if p < 0.0001 else f"p {p:.2g}"
    return [
        f"{pair.names.b} finishes {often} often than {pair.names.a} "
        f"({other.k} of {other.n} against {one.k} of {one.n}, {sure})"
    ]


def _times_differ(pair: Comparison) -> list[str]:
    """The two largest shifts that are shown."""
    shown = [(s.shift_s, s) for s in pair.stages if s.p_adjusted is not None and s.p_adjusted < SHOWN and s.shift_s]
    out = []
    for shift_s, stage in sorted(shown, key=lambda one: -abs(one[0]))[:2]:
        ends = sorted(abs(end) for end in (stage.shift_low, stage.shift_high) if end is not None)
        interval = f" ({ends[0]:.3g} to {ends[1]:.3g} s)" if len(ends) == 2 else ""
        word = "longer" if shift_s > 0 else "less"
        out.append(f"stage {stage.name} takes {abs(shift_s):.3g} s {word} in {pair.names.b}{interval}")
    return out
