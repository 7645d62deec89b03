"""Simulated benches: a study, what makes its boots fail, and the person in front of it.

Written from facts of the trade, not from how causes are weighed: nothing here knows of priors, rates or
explanations of `benchd.inference`. A bench has 4 to 8 factors of 2 to 4 levels with the work that changing
them takes; two of them may be jumpers with the same levels (two cards, each with its base address). It
starts in a setup that fails, except where something breaks later.

What makes boots fail is one row of `ROWS`:

over setups    one, two or three conditions together, either of two, at least two of three, one of two
               levels out of four, two settings that must be equal or must differ; failing 95 % of the
               time where that holds (or 60, or 40), 3 % elsewhere; with 5 % of results entered wrong.
over time      healed or broken at some boot whatever is changed; failing less and less; failing only
               after a rest of some minutes without power, or only without one.
over hands     a contact that is good or bad anew whenever the cover was off.
elsewhere      half of all boots fail, whatever is changed.
mixed          one condition together with a contact, a rest, or a failure rate that falls.

The person takes the minutes of the change for it, more or less, and makes a pause now and then. Work on
hardware or an image is time without power; a setting is changed with the power on, and some people switch
off and on again all the same.
"""

from __future__ import annotations

import itertools
import math
import zlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from benchd.inference.kinds import KINDS
from benchd.inference.study import Factor, Study

HIGH, LOW = 0.95, 0.03
WRONG_ENTRIES = 0.05
PAUSE_CHANCE, PAUSE_MINUTES = 0.15, 20.0
CONTACT_BAD = 0.5
RESEAT_MINUTES = 6.0

PARTS: tuple[tuple[str, str, tuple[str, ...]], ...] = (
    ("storage-card", "card", ("first", "second", "third", "borrowed")),
    ("display", "adapter", ("mono", "colour", "other-colour", "none")),
    ("irq-jumper", "jumper", ("3", "5", "7", "10")),
    ("slot", "slot", ("slot-1", "slot-2", "slot-4", "slot-6")),
    ("cable", "cable", ("old", "new", "short", "long")),
    ("boot-device", "bios-setting", ("floppy", "disk", "rom", "ask")),
    ("shadow", "bios-setting", ("off", "on", "video-only", "all")),
    ("wait-states", "bios-setting", ("none", "one", "two", "four")),
    ("rom-image", "image", ("v1", "v2", "late", "padded")),
    ("test-program", "test", ("a", "b", "c", "d")),
    ("memory", "other", ("256K", "512K", "640K", "1M")),
)
BASES = ("C800", "CC00", "D000", "D800")
SHARING = ("rom-base", "network-base")


@dataclass(frozen=True)
class Statement:
    """`factor` has one of `levels`; or, with `other`, the two factors stand alike (`alike`) or not."""

    factor: str
    levels: frozenset[str] = frozenset()
    other: str | None = None
    alike: bool = True

    def holds(self, setup: Mapping[str, str]) -> bool:
        if self.other is not None:
            return (setup[self.factor] == setup[self.other]) == self.alike
        return setup[self.factor] in self.levels

    def factors(self) -> tuple[str, ...]:
        return (self.factor,) if self.other is None else (self.factor, self.other)


@dataclass(frozen=True)
class Rule:
    """Holds where at least `needed` of the statements do."""

    statements: tuple[Statement, ...]
    needed: int

    def holds(self, setup: Mapping[str, str]) -> bool:
        return sum(one.holds(setup) for one in self.statements) >= self.needed

    def factors(self) -> frozenset[str]:
        return frozenset(itertools.chain.from_iterable(one.factors() for one in self.statements))


@dataclass(frozen=True)
class Moment:
    """How a boot comes about: its number from 1, whether the cover was off before it, minutes without power.

    `off_minutes` is infinite for the first boot: the machine stood there for a long time.
    """

    number: int
    opened: bool
    off_minutes: float


Chance = Callable[[Moment], float]
"""Chance that a boot fails where the rule holds, by how the boot comes about."""


@dataclass(frozen=True)
class World:
    """A bench and the truth about it.

    `rule` None: no setting or part that is listed has to do with it. `kinds` names what is the truth
    besides (or instead of) the rule: "contact", "cold", "warm", "healed", "broke", "falling", "unlisted".
    """

    row: str
    study: Study
    start: Mapping[str, str]
    rule: Rule | None
    kinds: frozenset[str] = frozenset()
    high: float = HIGH
    low: float = LOW
    wrong_entries: float = 0.0
    turn: int = 0
    """The boot from which on it is healed or broken, or by which a falling rate has fallen by half."""
    rest_minutes: float = 0.0
    either: bool = False
    """Whether the rule alone, and the other kind alone, make it fail; else only both together."""

    def bench(self, seed: Sequence[int]) -> Bench:
        return Bench(self, np.random.default_rng(seed))


@dataclass
class Bench:
    """The machine as it stands: what a boot comes to, and how the person gets there."""

    world: World
    rng: np.random.Generator
    boots: int = 0
    contact_bad: bool = True
    hardware: int = 0
    power_offs: int = 0
    minutes: float = 0.0
    setup: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.setup = dict(self.world.start)

    def do(self, setup: Mapping[str, str], *, reseat: bool = False, rest_minutes: float | None = None) -> Moment:
        """Bring the bench into `setup`, reseat or let it rest as told, and switch on. Returns how the boot came about.

        `rest_minutes` 0: again at once, without a pause; None: as it happens.
        """
        changes = self.world.study.changes(self.setup, setup)
        hard = [change for change in changes if change.hardware]
        opened = bool(hard) or reseat
        off = work = 0.0
        for change in changes:
            taken = change.minutes * math.exp(self.rng.normal(0.0, 0.25))
            work += taken
            if change.hardware:
                off += taken
        if reseat:
            off += RESEAT_MINUTES
            work += RESEAT_MINUTES
        if rest_minutes is None:
            off += self.rng.uniform(0.05, 0.5)
            if self.rng.random() < PAUSE_CHANCE:
                off += self.rng.exponential(PAUSE_MINUTES)
        else:
            off = max(off, rest_minutes + 0.1)
            work = max(work, rest_minutes)
        self.setup = dict(setup)
        self.hardware += len(hard) + reseat
        self.power_offs += opened
        self.minutes += work + self.world.study.boot_minutes
        self.boots += 1
        if self.boots == 1:
            return Moment(1, False, math.inf)
        if opened:
            self.contact_bad = bool(self.rng.random() < CONTACT_BAD)
        return Moment(self.boots, opened, off)

    def fails(self, moment: Moment) -> bool:
        """Switch on: whether the boot fails, as it is entered."""
        failed = bool(self.rng.random() < self.chance(moment))
        return failed ^ bool(self.rng.random() < self.world.wrong_entries)

    def chance(self, moment: Moment) -> float:
        world = self.world
        held = world.rule is None or world.rule.holds(self.setup)
        acts = [self._acts(kind, moment) for kind in sorted(world.kinds)]
        if world.rule is not None and world.either:
            return max([world.high if held else world.low, *(world.high * a for a in acts)])
        return max(world.low, world.high * held * math.prod(acts))

    def _acts(self, kind: str, moment: Moment) -> float:
        """How much of its failing a cause over time or hands makes at this moment, 0 to 1."""
        world = self.world
        match kind:
            case "contact":
                return float(self.contact_bad)
            case "cold":
                return float(moment.off_minutes >= world.rest_minutes)
            case "warm":
                return float(moment.off_minutes < world.rest_minutes)
            case "healed":
                return float(moment.number < world.turn)
            case "broke":
                return float(moment.number >= world.turn)
            case "falling":
                return float(0.5 ** ((moment.number - 1) / world.turn))
        return 1.0


def _study(rng: np.random.Generator, sharing: bool, four: bool) -> Study:
    """Factors with the work they take; `sharing`: two jumpers with equal levels; `four`: one factor has four levels."""
    number = int(rng.integers(4, 9))
    chosen = sorted(rng.choice(len(PARTS), number - 2 * sharing, replace=False).tolist())
    rows = [PARTS[k] for k in chosen]
    sizes = [int(n) for n in rng.choice([2, 3, 4], len(rows), p=[0.5, 0.35, 0.15])]
    if four:
        sizes[int(rng.integers(len(rows)))] = 4
    factors = [_factor(rng, name, kind, levels[:n]) for (name, kind, levels), n in zip(rows, sizes, strict=True)]
    if sharing:
        n = int(rng.integers(2, 5))
        factors += [_factor(rng, name, "jumper", BASES[:n]) for name in SHARING]
    return Study("bench", tuple(factors[i] for i in rng.permutation(len(factors))))


def _factor(rng: np.random.Generator, name: str, kind: str, levels: tuple[str, ...]) -> Factor:
    hardware = {"memory": True}.get(name)
    return Factor(name, levels, kind, round(KINDS[kind][1] * float(rng.uniform(0.7, 1.5)), 1), hardware)


def _of(rng: np.random.Generator, factor: Factor, is_not: float = 0.1) -> Statement:
    """One level of a factor; with three levels or more now and then every level but one."""
    level = str(rng.choice(factor.levels))
    if len(factor.levels) > 2 and rng.random() < is_not:
        return Statement(factor.name, frozenset(factor.levels) - {level})
    return Statement(factor.name, frozenset({level}))


def _conditions(number: int, needed: int | None = None) -> Callable[[np.random.Generator, Study], Rule]:
    def draw(rng: np.random.Generator, study: Study) -> Rule:
        which = sorted(rng.choice(len(study.factors), number, replace=False).tolist())
        return Rule(tuple(_of(rng, study.factors[w]) for w in which), number if needed is None else needed)

    return draw


def _levels(rng: np.random.Generator, study: Study) -> Rule:
    factor = next(one for one in study.factors if len(one.levels) == 4 and one.name not in SHARING)
    levels = rng.choice(factor.levels, 2, replace=False).tolist()
    return Rule((Statement(factor.name, frozenset(levels)),), 1)


def _relation(alike: bool) -> Callable[[np.random.Generator, Study], Rule]:
    """It fails where the two stand alike (they must differ), or where they do not."""

    def draw(rng: np.random.Generator, study: Study) -> Rule:
        return Rule((Statement(SHARING[0], other=SHARING[1], alike=alike),), 1)

    return draw


def _listless(rng: np.random.Generator, study: Study) -> None:
    return None


@dataclass(frozen=True)
class Row:
    """How worlds of a row are made; `listed` where there is a condition over setups to find."""

    title: str
    draw: Callable[[np.random.Generator, Study], Rule | None] = _listless
    kinds: tuple[str, ...] = ()
    high: float = HIGH
    wrong_entries: float = 0.0
    sharing: float = 0.5
    four: bool = False
    turns: tuple[int, int] = (0, 0)
    either: bool = False

    @property
    def listed(self) -> bool:
        return self.draw is not _listless


ROWS: dict[str, Row] = {
    "one": Row("one condition", _conditions(1)),
    "two": Row("two conditions", _conditions(2)),
    "three": Row("three conditions", _conditions(3)),
    "one-60": Row("one condition, failing 60 %", _conditions(1), high=0.6),
    "one-40": Row("one condition, failing 40 %", _conditions(1), high=0.4),
    "falling": Row("failure rate falling over the evening", kinds=("falling",), turns=(5, 16)),
    "cold": Row("cold start: fails only after a rest", kinds=("cold",)),
    "healed": Row("healed by itself after some boots", kinds=("healed",), turns=(3, 16)),
    "broke": Row("broke by itself after some boots", kinds=("broke",), turns=(2, 16)),
    "unlisted": Row("a cause that is not listed, failing half the time", kinds=("unlisted",), high=0.5),
    "contact": Row("a bad contact, drawn anew whenever the cover is off", kinds=("contact",)),
    "equal": Row("two settings must be equal", _relation(alike=False), sharing=1.0),
    "differ": Row("two settings must differ", _relation(alike=True), sharing=1.0),
    "levels": Row("2 of 4 levels", _levels, four=True),
    "two-of-three": Row("two of three", _conditions(3, 2)),
    # What follows was nowhere asked for by name.
    "either": Row("either of two conditions", _conditions(2, 1)),
    "one-entries": Row("one condition, 5 % entered wrong", _conditions(1), wrong_entries=WRONG_ENTRIES),
    "two-entries": Row("two conditions, 5 % entered wrong", _conditions(2), wrong_entries=WRONG_ENTRIES),
    "two-60": Row("two conditions, failing 60 %", _conditions(2), high=0.6),
    "warm": Row("fails only without a rest", kinds=("warm",)),
    "contact-and-one": Row("one condition, while a contact is bad", _conditions(1), kinds=("contact",)),
    "contact-or-one": Row("one condition, and a bad contact beside it", _conditions(1), ("contact",), either=True),
    "cold-and-one": Row("one condition, only after a rest", _conditions(1), kinds=("cold",)),
    "falling-one": Row("one condition, failing less and less", _conditions(1), kinds=("falling",), turns=(15, 40)),
}


def make_world(row: str, seed: int, number: int) -> World:
    """The bench `number` of a row, the same for every policy and machine."""
    made = ROWS[row]
    rng = np.random.default_rng([seed, zlib.crc32(row.encode()), number])
    study = _study(rng, bool(rng.random() < made.sharing), made.four)
    rule = made.draw(rng, study)
    world = World(row, study, _start(rng, study, rule), rule, frozenset(made.kinds), made.high)
    turn = int(rng.integers(*made.turns)) if made.turns[1] else 0
    rest = float(np.exp(rng.uniform(math.log(4.0), math.log(30.0))))
    return replace(world, wrong_entries=made.wrong_entries, turn=turn, rest_minutes=rest, either=made.either)


def _start(rng: np.random.Generator, study: Study, rule: Rule | None) -> dict[str, str]:
    """A setup in which the rule holds, drawn evenly among those."""
    while True:
        start = {factor.name: str(rng.choice(factor.levels)) for factor in study.factors}
        if rule is None or rule.holds(start):
            return start


def setups_of(study: Study, names: Iterable[str]) -> list[dict[str, str]]:
    """Every combination of the levels of some factors, the others at their first level."""
    wanted = sorted(set(names))
    rest = {factor.name: factor.levels[0] for factor in study.factors}
    levels = [study.factor(name).levels for name in wanted]
    return [{**rest, **dict(zip(wanted, row, strict=True))} for row in itertools.product(*levels)]
