"""One evening at a simulated bench: a person follows a policy until the cause is settled, and is held to the truth.

next   what `benchd next` ranks first, also where it says: reseat, let it rest, see the failing start or the cure again.
ofat   one factor at a time: the failing start is the baseline, each factor in turn is set to each of its other levels
       for one boot, then one boot of the baseline, then round again. As soon as the weighing calls a cause separated it
       is confirmed as `next` would confirm it: its proposal, where that is one of confirming; else the start and the
       last setup that worked in turn. It is spared the boots that put a factor back.

Both are weighed after every boot by `weigh`, and stop when it says settled; or after `CAP` boots; or when `next` itself
says stop. What is counted until then: boots, hardware changes (each time a factor that moves hardware is set, and each
reseating), minutes. The calibration table goes on to `CALIBRATED` boots at least, so that stopping does not colour it.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

from inference.worlds import Bench, World, setups_of

from benchd.inference.answers import Cause, NextTrial, Proposal, Weighing
from benchd.inference.causes import weigh
from benchd.inference.next_trial import propose
from benchd.inference.study import BootResult, Condition, Study, TrialCounts

CAP = 60
CALIBRATED = 12
BINS = 10
VERDICT_AT = 0.95
LISTED_FROM = 0.01
NEAR_KINDS = {
    "unlisted": {"unlisted", "intermittent"},
    "contact": {"contact"},
    "cold": {"cold"},
    "warm": {"warm"},
    "healed": {"healed"},
    "broke": {"broke"},
    "falling": {"falling"},
}
"""By the truth: what a weighing may call it."""


@dataclass
class Evening:
    """What came of it. `table`: per tenth of probability, how many causes were given it, their sum, how many true."""

    row: str
    number: int
    policy: str
    boots: int = 0
    hardware: int = 0
    minutes: float = 0.0
    settled: bool | None = None
    """Whether the cause that was settled is the true one; None where none was settled."""
    settled_as: str = ""
    first: bool | None = None
    """Whether the first explanation to hold 95 % was true; None where none did."""
    first_at: int = 0
    stopped: bool = False
    """Whether `next` said stop before anything was settled."""
    results: str = ""
    table: list[list[float]] = field(default_factory=lambda: [[0.0, 0.0, 0.0] for _ in range(BINS)])

    def to_json(self) -> dict[str, Any]:
        return asdict(self)


@dataclass(frozen=True)
class Step:
    """What the person does before the next boot."""

    setup: Mapping[str, str]
    reseat: bool = False
    rest_minutes: float | None = None


def says(condition: Condition, setup: Mapping[str, str]) -> bool:
    """Whether a condition holds, read from its published fields."""
    level = setup[condition.factor]
    if condition.relation in ("equals", "differs"):
        return (level == setup[str(condition.other)]) == (condition.relation == "equals")
    named = set(condition.levels) or {condition.level}
    return (level in named) == (condition.relation == "is")


def is_true(world: World, cause: Cause) -> bool:
    """Whether a cause is the world's: it expects failure in the very setups, or names what it is besides setups.

    In a mixed world either alone counts as true as well: neither would be a wrong thing to say.
    """
    near = set().union(*(NEAR_KINDS[kind] for kind in world.kinds)) if world.kinds else set()
    if cause.special is not None and not cause.conditions:
        return cause.special in near
    # A cause that comes and goes where the rule holds is the rule failing part of the time.
    if world.rule is None or (cause.special is not None and cause.special not in near | {"intermittent", "unlisted"}):
        return False
    factors = set(world.rule.factors())
    for one in cause.conditions:
        factors |= {one.factor, *([one.other] if one.other is not None else [])}
    needed = cause.needed or (1 if cause.form == "any" else len(cause.conditions))
    return all(
        (sum(says(one, setup) for one in cause.conditions) >= needed) == world.rule.holds(setup)
        for setup in setups_of(world.study, factors)
    )


def one_at_a_time(study: Study, start: Mapping[str, str]) -> Iterator[dict[str, str]]:
    """Every other level of every factor once a round, one factor off the baseline, then the baseline."""
    while True:
        for factor in study.factors:
            for level in factor.levels:
                if level != start[factor.name]:
                    yield {**start, factor.name: level}
        yield dict(start)


@dataclass
class Notebook:
    """The trials as the person enters them: a new one whenever something is changed, reseated or told to rest."""

    trials: list[TrialCounts] = field(default_factory=list)

    def enter(self, step: Step, result: BootResult) -> None:
        last = self.trials[-1] if self.trials else None
        if last is not None and last.setup == step.setup and not step.reseat and step.rest_minutes is None:
            results = (*last.results, result)
            self.trials[-1] = self._trial(last.name, step, results)
        else:
            self.trials.append(self._trial(f"T{len(self.trials) + 1}", step, (result,)))

    @staticmethod
    def _trial(name: str, step: Step, results: tuple[BootResult, ...]) -> TrialCounts:
        return TrialCounts(name, dict(step.setup), sum(one.ok for one in results), len(results), results=results)

    @property
    def last_good(self) -> Mapping[str, str] | None:
        return next((one.setup for one in reversed(self.trials) if one.successes == one.boots), None)


def as_step(trial: NextTrial) -> Step:
    rest = None if trial.rest_s is None else trial.rest_s / 60
    return Step(dict(trial.setup), trial.reseat, rest)


class Person:
    """Weighs the trials, and says what to do next: whether to give up, and the step."""

    def __init__(self, world: World, bench: Bench, book: Notebook) -> None:
        self.world, self.bench, self.book = world, bench, book

    def propose(self) -> Proposal:
        return propose(self.world.study, self.book.trials, self.bench.setup, limit=1)

    def weigh(self) -> Weighing:
        return weigh(self.world.study, self.book.trials)

    def look(self) -> tuple[Weighing, bool, Step]:
        raise NotImplementedError


class Follower(Person):
    """Does what `next` says."""

    def look(self) -> tuple[Weighing, bool, Step]:
        found = self.propose()
        return found.weighing, found.stop, as_step(found.ranked[0])


class OneAtATime(Person):
    """Changes one factor at a time, and confirms what is separated."""

    def __init__(self, world: World, bench: Bench, book: Notebook) -> None:
        super().__init__(world, bench, book)
        self._plan = one_at_a_time(world.study, world.start)
        self._turns: Iterator[bool] = itertools.cycle([True, False])

    def look(self) -> tuple[Weighing, bool, Step]:
        now = self.weigh()
        if not now.separated or now.settled:
            return now, False, Step(next(self._plan))
        best = self.propose().ranked[0]
        if best.kind != "separate":
            return now, False, as_step(best)
        cure = self.book.last_good
        return now, False, Step(self.world.start if cure is None or next(self._turns) else cure)


def play(world: World, policy: str, number: int = 0, seed: int = 1, cap: int = CAP) -> Evening:
    """One evening, the same for the same numbers."""
    bench = world.bench([seed, number, 77])
    book = Notebook()
    out = Evening(world.row, number, policy)
    person = (Follower if policy == "next" else OneAtATime)(world, bench, book)
    step, done = Step(dict(world.start)), False
    while bench.boots < cap and not (done and bench.boots >= CALIBRATED):
        moment = bench.do(step.setup, reseat=step.reseat, rest_minutes=step.rest_minutes)
        failed = bench.fails(moment)
        rest = moment.off_minutes * 60 if moment.number > 1 else None
        book.enter(step, BootResult(not failed, rest, moment.opened))
        now, stop, following = person.look()
        _note(out, world, now, bench)
        out.results += "F" if failed else "."
        if not done:
            out.boots, out.hardware, out.minutes = bench.boots, bench.hardware, round(bench.minutes, 1)
        if now.settled and not done:
            out.settled, out.settled_as, done = is_true(world, now.causes[0]), now.causes[0].text, True
        if stop and not done:
            out.stopped = done = True
        step = following
    return out


def _note(out: Evening, world: World, now: Weighing, bench: Bench) -> None:
    """The first verdict at 95 %, and the calibration of what was said after this boot."""
    judged = [(one, is_true(world, one)) for one in now.causes if one.probability >= LISTED_FROM]
    together = sum(one.probability for one, true in judged if true)
    lead = now.causes[0]
    if out.first is None and now.failures:
        if is_true(world, lead):
            out.first = True if together >= VERDICT_AT else None
        elif now.separated or lead.probability >= VERDICT_AT:
            out.first = False
        out.first_at = bench.boots if out.first is not None else 0
    if not now.failures:
        return
    # Causes that are true count as one, however many ways there are to say it.
    given = [(together, True)] if together else []
    given += [(one.probability, False) for one, true in judged if not true]
    for probability, true in given:
        place = out.table[min(int(probability * BINS), BINS - 1)]
        place[0] += 1
        place[1] += probability
        place[2] += true
