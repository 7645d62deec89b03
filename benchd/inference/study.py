"""Values of a study: one question, the factors that may matter, the setups tried and their results."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Annotated, Literal, get_args

from pydantic import Field

from benchd.errors import UsageError
from benchd.inference.forms import Form
from benchd.inference.kinds import KINDS, Special

MAX_FACTORS = 24
MAX_LEVELS = 24
MAX_TRIALS = 10_000
MAX_BOOTS = 1_000_000
MAX_NAME = 80

CAUTION = (
    "Power off and unplug before moving a card, cable or jumper: ISA is not hot-plug. Mind static discharge; "
    "leave the inside of power supplies and monitors to licensed practice. Local electrical codes come first."
)
"""Printed whenever a trial moves hardware (common practice, no source)."""
CHIP = (
    "Another ROM image means taking a chip out or opening the case, unless it can be written in place "
    "(then say `in_place = true` for this factor)."
)

Relation = Literal["is", "is not", "equals", "differs"]
GOALS = ("stage-reached", "finding-absent", "check-passed", "stage-faster", "result-ok")


@dataclass(frozen=True, slots=True)
class Condition(Form):
    """One statement about a setup.

    `factor` `is` or `is not` `level`, or one of `levels` (then `level` is empty); or `factor` `equals` or `differs`
    from the factor `other` (then both are empty).
    """

    factor: str
    relation: Relation
    level: str = ""
    other: str | None = None
    levels: tuple[str, ...] = ()

    def holds(self, setup: Mapping[str, str]) -> bool:
        """Whether the statement is true of `setup` (a setup without the factor makes it false)."""
        if self.factor not in setup:
            return False
        if self.other is not None:
            return self.other in setup and (setup[self.factor] == setup[self.other]) == (self.relation == "equals")
        return (setup[self.factor] in (self.levels or (self.level,))) == (self.relation == "is")

    def words(self) -> str:
        match self.relation:
            case "equals":
                return f"{self.factor} equals {self.other}"
            case "differs":
                return f"{self.factor} differs from {self.other}"
        return f"{self.factor} {self.relation} {' or '.join(self.levels) or self.level}"


@dataclass(frozen=True, slots=True)
class Factor:
    """Something that can be changed between boots.

    `minutes` is the work of one change; `level_minutes` overrides it per level changed to.
    `moves_hardware` None means: as usual for its `kind`. `in_place`: an image is written without taking a chip out.
    """

    name: str
    levels: tuple[str, ...]
    kind: str = "other"
    minutes: float | None = None
    moves_hardware: bool | None = None
    in_place: bool = False
    level_minutes: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        _check_name("factor", self.name)
        if not 1 <= len(self.levels) <= MAX_LEVELS:
            raise UsageError(
                f"factor '{self.name}' has {len(self.levels)} levels; from 1 to {MAX_LEVELS} are allowed: "
                "leave out levels, or split the factor"
            )
        for level in self.levels:
            _check_name(f"level of factor '{self.name}'", level)
        if len(set(self.levels)) != len(self.levels):
            raise UsageError(f"factor '{self.name}' names a level twice: {', '.join(self.levels)}")
        if self.kind not in KINDS:
            raise UsageError(f"factor '{self.name}' has kind '{self.kind}'; use one of {', '.join(KINDS)}")
        for level, minutes in {"any level": self.minutes, **self.level_minutes}.items():
            if level != "any level" and level not in self.levels:
                raise UsageError(f"factor '{self.name}': minutes given for '{level}', which is no level of it")
            if minutes is not None and not (math.isfinite(minutes) and 0 <= minutes <= 100_000):
                raise UsageError(f"factor '{self.name}': {minutes} minutes for {level}; give a number from 0 to 100000")

    @property
    def hardware(self) -> bool:
        """Whether the power must be off for a change."""
        if self.moves_hardware is not None:
            return self.moves_hardware
        return KINDS[self.kind][0] and not self.in_place

    @property
    def takes_chip(self) -> bool:
        """Whether a change means taking a chip out, or opening the case to reach it."""
        return self.kind == "image" and self.hardware and not self.in_place

    def cost(self, level: str) -> float:
        """Minutes of work to change to `level`."""
        usual = KINDS[self.kind][1] if self.minutes is None else self.minutes
        return self.level_minutes.get(level, usual)


@dataclass(frozen=True, slots=True)
class Exclusion:
    """A combination that cannot exist or must not be tried: all `conditions` together, and why."""

    conditions: tuple[Condition, ...]
    reason: str

    def holds(self, setup: Mapping[str, str]) -> bool:
        return all(condition.holds(setup) for condition in self.conditions)


@dataclass(frozen=True, slots=True)
class Goal:
    """What counts as success of a boot. `target` names the stage, finding or check; `limit_s` seconds."""

    kind: str = "result-ok"
    target: str = ""
    limit_s: float | None = None

    def __post_init__(self) -> None:
        if self.kind not in GOALS:
            raise UsageError(f"goal '{self.kind}' is not known; use one of {', '.join(GOALS)}")
        if self.kind != "result-ok" and not self.target:
            raise UsageError(f"goal '{self.kind}' needs a target: the name of the stage, finding or check")
        if self.kind == "stage-faster" and not (self.limit_s is not None and self.limit_s > 0):
            raise UsageError("goal 'stage-faster' needs a limit in seconds above 0")

    def words(self) -> str:
        match self.kind:
            case "stage-reached":
                return f"stage {self.target} reached"
            case "finding-absent":
                return f"finding {self.target} absent"
            case "check-passed":
                return f"check {self.target} passed"
            case "stage-faster":
                return f"stage {self.target} done within {self.limit_s:g} s"
        return "result ok"


@dataclass(frozen=True, slots=True)
class Change(Form):
    """One factor set from one level to another, with the minutes of work it takes."""

    factor: str
    before: Annotated[str, Field(alias="from")]
    after: Annotated[str, Field(alias="to")]
    minutes: float
    hardware: bool

    def words(self) -> str:
        return f"{self.factor}: {self.before} to {self.after}"


@dataclass(frozen=True, slots=True)
class BootResult:
    """One boot in its place: whether it reached the goal, and what went before it.

    `rest_s`: seconds from power-off to this power-on, None where nobody saw them. `opened`: since the boot before the
    cover was off or something was taken out and put back, whatever the setup says of it.
    """

    ok: bool
    rest_s: float | None = None
    opened: bool = False

    def __post_init__(self) -> None:
        if self.rest_s is not None and not (math.isfinite(self.rest_s) and self.rest_s >= 0):
            raise UsageError(f"a boot after a rest of {self.rest_s} s; give seconds from 0")


@dataclass(frozen=True, slots=True)
class TrialCounts:
    """What one trial came to: its setup, and `successes` of `boots` that reached the goal.

    `checks` maps a check's name to (passed, done). `results`: the same boots one by one in their order; without it
    nothing is known of the order inside the trial.
    """

    name: str
    setup: Mapping[str, str]
    successes: int
    boots: int
    checks: Mapping[str, tuple[int, int]] = field(default_factory=dict)
    results: tuple[BootResult, ...] = ()

    def __post_init__(self) -> None:
        for what, k, n in [
            ("successes", self.successes, self.boots),
            *((f"check '{name}'", k, n) for name, (k, n) in self.checks.items()),
        ]:
            if not 0 <= k <= n <= MAX_BOOTS:
                raise UsageError(f"trial '{self.name}': {what} {k} of {n}; need 0 <= {k} <= {n} <= {MAX_BOOTS}")
        if self.results and (len(self.results), sum(one.ok for one in self.results)) != (self.boots, self.successes):
            raise UsageError(
                f"trial '{self.name}': {self.successes} of {self.boots} boots reached the goal, but its results say "
                f"{sum(one.ok for one in self.results)} of {len(self.results)}"
            )

    @property
    def failures(self) -> int:
        return self.boots - self.successes


@dataclass(frozen=True, slots=True)
class Study:
    """One question with its factors. Raises UsageError when the parts do not fit together."""

    name: str
    factors: tuple[Factor, ...]
    question: str = ""
    goal: Goal = field(default_factory=Goal)
    exclusions: tuple[Exclusion, ...] = ()
    reference: Mapping[str, str] | None = None
    boot_minutes: float = 4.0

    def __post_init__(self) -> None:
        _check_name("study", self.name)
        if not 1 <= len(self.factors) <= MAX_FACTORS:
            raise UsageError(
                f"study '{self.name}' has {len(self.factors)} factors; from 1 to {MAX_FACTORS} are allowed"
            )
        names = [factor.name for factor in self.factors]
        if len(set(names)) != len(names):
            twice = next(name for name in names if names.count(name) > 1)
            raise UsageError(f"study '{self.name}' names factor '{twice}' twice")
        if not (math.isfinite(self.boot_minutes) and self.boot_minutes > 0):
            raise UsageError(f"study '{self.name}': minutes a boot is {self.boot_minutes}; give more than 0")
        for exclusion in self.exclusions:
            if not exclusion.conditions:
                raise UsageError(f"study '{self.name}': an exclusion ({exclusion.reason}) has no conditions")
            for condition in exclusion.conditions:
                self.check_condition(condition)
        if self.reference is not None:
            self.check_setup(self.reference, "the reference setup")

    def factor(self, name: str) -> Factor:
        for factor in self.factors:
            if factor.name == name:
                return factor
        known = ", ".join(factor.name for factor in self.factors)
        raise UsageError(f"study '{self.name}' has no factor '{name}'; it has {known}")

    def check_condition(self, condition: Condition) -> None:
        if condition.relation not in get_args(Relation):
            raise UsageError(f"relation '{condition.relation}' is not known; use 'is', 'is not', 'equals' or 'differs'")
        factor = self.factor(condition.factor)
        if condition.relation in ("equals", "differs"):
            if condition.other is None or condition.other == condition.factor:
                raise UsageError(f"'{condition.factor} {condition.relation}' needs the other factor that is meant")
            self.factor(condition.other)
            return
        for level in condition.levels or (condition.level,):
            self._check_level(factor, level, "a condition")

    def check_setup(self, setup: Mapping[str, str], where: str = "the setup") -> None:
        """Raise UsageError unless `setup` gives every factor, and nothing else, one of its levels."""
        for name in setup:
            self.factor(name)
        for factor in self.factors:
            if factor.name not in setup:
                raise UsageError(f"study '{self.name}': {where} says nothing about factor '{factor.name}'")
            self._check_level(factor, setup[factor.name], where)

    def _check_level(self, factor: Factor, level: str, where: str) -> None:
        if level not in factor.levels:
            raise UsageError(
                f"study '{self.name}': {where} gives factor '{factor.name}' the level '{level}'; "
                f"it has {', '.join(factor.levels)}"
            )

    def check_trials(self, trials: Sequence[TrialCounts]) -> None:
        if len(trials) > MAX_TRIALS:
            raise UsageError(f"study '{self.name}' has {len(trials)} trials; at most {MAX_TRIALS} can be weighed")
        for trial in trials:
            self.check_setup(trial.setup, f"trial '{trial.name}'")

    def excluded(self, setup: Mapping[str, str]) -> str | None:
        """The reason why `setup` must not be tried, or None."""
        return next((e.reason for e in self.exclusions if e.holds(setup)), None)

    def caution(self, changes: Sequence[Change], reseated: bool = False) -> str | None:
        """Return what to be careful of when making changes; None where nothing inside the machine is touched."""
        if not (reseated or any(change.hardware for change in changes)):
            return None
        chip = any(self.factor(change.factor).takes_chip for change in changes)
        return f"{CAUTION} {CHIP}" if chip else CAUTION

    def changes(self, before: Mapping[str, str], after: Mapping[str, str]) -> tuple[Change, ...]:
        """What must be changed to get from one setup to another, in the order of the factors."""
        return tuple(
            Change(f.name, before[f.name], after[f.name], f.cost(after[f.name]), f.hardware)
            for f in self.factors
            if before[f.name] != after[f.name]
        )

    def size(self) -> int:
        """How many setups there are, excluded ones too."""
        return math.prod(len(factor.levels) for factor in self.factors)

    def setups(self) -> Iterator[dict[str, str]]:
        """Every setup that is not excluded, in the order of factors and levels."""
        names = [factor.name for factor in self.factors]
        for levels in itertools.product(*(factor.levels for factor in self.factors)):
            setup = dict(zip(names, levels, strict=True))
            if self.excluded(setup) is None:
                yield setup


@dataclass(frozen=True, slots=True)
class Evidence:
    """Something known besides boots that makes some explanations likelier by `odds` (below 1: less).

    Applies to explanations that name `factor` (and `level`, when given), or to the special one
    called `special` ("nothing", "misleads", "contact", ...).
    """

    reason: str
    odds: float
    factor: str | None = None
    level: str | None = None
    special: str | None = None

    def __post_init__(self) -> None:
        if not 1e-6 <= self.odds <= 1e6:
            raise UsageError(f"evidence '{self.reason}': odds {self.odds}; give a number from 1e-6 to 1e6")
        if (self.factor is None) == (self.special is None):
            raise UsageError(f"evidence '{self.reason}': name a factor or a special explanation, one of them")
        if self.special not in (None, *get_args(Special)):
            raise UsageError(f"evidence '{self.reason}': '{self.special}' is no special explanation")


def _check_name(what: str, name: str) -> None:
    if not name or len(name) > MAX_NAME:
        raise UsageError(f"{what}: the name has {len(name)} characters; from 1 to {MAX_NAME} are allowed")
