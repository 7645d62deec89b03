"""Every explanation that is weighed, enumerated, and their beta-binomial weights in one go.

Model, priors, limits and sources: firmware-notes/causes.md.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from benchd.inference.kinds import INTERMITTENT, MISLEADS, NOTHING, Special
from benchd.inference.literals import Literals, chance_of, joined, literals_of, ways
from benchd.inference.rates import Bools, Floats, Ints, RatePrior
from benchd.inference.rivals import KINDS, KNOWN_GOOD, ORDER_KINDS, RivalPrior, Rivals, bases_of, follow, grid_of
from benchd.inference.study import Condition, Evidence, Study, TrialCounts
from benchd.inference.timeline import Timeline, timeline

HYPOTHESIS_CAP = 60_000
"""Beyond this many, richer forms are left out (and said so), the richest first."""
SPECIAL_ROWS: tuple[Special, ...] = (NOTHING, MISLEADS, INTERMITTENT)

FAILING = RatePrior(((0.75, 18.0, 1.0), (0.25, 2.0, 1.0)))
WORKING = RatePrior(((0.85, 1.0, 24.0), (0.15, 1.0, 5.0)))
ALWAYS = RatePrior(((1.0, 18.0, 1.0),))
IN_BETWEEN = RatePrior(((1.0, 3.0, 3.0),))
RIVALS = RivalPrior()


@dataclass(frozen=True, slots=True)
class Prior:
    """Prior weight of each family of explanations and of fail rates; see firmware-notes/causes.md."""

    one: float = 0.36
    two: float = 0.26
    three: float = 0.07
    either: float = 0.05
    some: float = 0.04
    sets: float = 0.05
    between: float = 0.06
    nothing: float = 0.04
    intermittent: float = 0.035
    misleads: float = 0.035
    is_not: float = 0.25
    rivals: RivalPrior = RIVALS
    failing: RatePrior = FAILING
    working: RatePrior = WORKING
    always: RatePrior = ALWAYS
    in_between: RatePrior = IN_BETWEEN
    reference_boots: int = 3


@dataclass
class Space:
    """All explanations for one study that the setup decides. Row h fails where `needed` of its literals are true.

    `rows`: three literals each; beyond those of `literals` one that is always true, and one that never is. `family`:
    a number for each form; the last three rows, a family too, are special: nothing tried matters, the test misleads,
    intermittent.
    """

    study: Study
    prior: Prior
    literals: Literals
    rows: Ints
    needed: Ints
    family: Ints
    log_prior: Floats
    left_out: tuple[str, ...]
    rival_odds: Floats
    level_index: list[dict[str, int]] = field(default_factory=list)

    @property
    def count(self) -> int:
        return len(self.needed)

    @cached_property
    def family_prior(self) -> Floats:
        """Prior weight of each family of explanations, the special ones left out."""
        return np.bincount(self.family, np.exp(self.log_prior))[:-1].astype(np.float64)

    @cached_property
    def rival_prior(self) -> Floats:
        """Prior weight of each kind of `rivals.KINDS` alone, then of the three special rows."""
        alone = self.prior.rivals.alone * np.array(self.prior.rivals.weights) * self.rival_odds
        total = 1 + float((np.array(self.prior.rivals.weights) * self.rival_odds).sum())
        return np.concatenate([alone, np.exp(self.log_prior[-3:])]) / total

    @cached_property
    def single(self) -> Ints:
        """The literals "factor is level": each also stands beside the rivals."""
        return np.flatnonzero((self.literals.level >= 0) & ~self.literals.negated)

    @cached_property
    def single_rows(self) -> Ints:
        """The explanations that are one of `single` alone: the first family begins with the literals in their order."""
        return self.single

    @cached_property
    def any_form(self) -> Bools:
        """Which explanations need one of their conditions only."""
        return np.asarray(self.needed == 1)

    def encode(self, setups: Sequence[Mapping[str, str]]) -> Ints:
        """Setups as level numbers, one row a setup."""
        names = [factor.name for factor in self.study.factors]
        out = np.empty((len(setups), len(names)), dtype=np.int64)
        for i, setup in enumerate(setups):
            out[i] = [index[setup[name]] for index, name in zip(self.level_index, names, strict=True)]
        return out

    def holds(self, setups: Ints, which: Ints | None = None) -> Bools:
        """Whether explanation h says "fails" of setup s: explanations x setups."""
        number = len(self.literals)
        truth = np.empty((number + 2, len(setups)), dtype=np.uint8)
        truth[:number] = self.literals.hold(setups)
        truth[number], truth[number + 1] = 1, 0
        rows = self.rows if which is None else self.rows[which]
        needed = self.needed if which is None else self.needed[which]
        out = truth[rows[:, 0]] + truth[rows[:, 1]] + truth[rows[:, 2]] >= needed[:, None]
        if self.study.reference is not None:
            # "Nothing tried matters" still grants that the known-good setup works.
            at = self.count - 3 if which is None else np.flatnonzero(which == self.count - 3)
            out[at] = (setups != self.encode([self.study.reference])[0]).any(axis=1)
        return np.asarray(out)

    def conditions(self, h: int) -> tuple[Condition, ...]:
        """The conditions of explanation `h`, none for the special ones."""
        return tuple(self.literals.conditions[i] for i in self.rows[h] if i < len(self.literals))

    def needs(self, h: int) -> int:
        """How many of the conditions of explanation `h` must hold for it to fail."""
        return int(self.needed[h]) - int((self.rows[h] == len(self.literals)).sum())

    def special(self, h: int) -> Special | None:
        """Which special explanation row `h` is, or None."""
        return None if h < self.count - 3 else SPECIAL_ROWS[h - self.count + 3]


@dataclass(frozen=True, slots=True)
class _Family:
    """Explanations of one shape: literals, a row each; the weight they share; how many must be true."""

    literals: Ints
    weight: float
    needed: int


def build_space(study: Study, prior: Prior | None = None, evidence: Sequence[Evidence] = ()) -> Space:
    """Enumerate the explanations of `study` with their prior weights."""
    prior = prior or Prior()
    literals = literals_of(study)
    families, left_out = _families(study, prior, literals)
    rows, logs = _weighed(prior, families, literals)
    # With all that are needed the rows are filled up to three with what is always true.
    own = [3 if family.needed == family.literals.shape[1] else family.needed for family in families]
    needed = np.repeat([*own, 3], [*(len(family.literals) for family in families), 3])
    space = Space(
        study,
        prior,
        literals,
        np.concatenate([*rows, np.full((3, 3), len(literals), dtype=np.int64)]),
        needed,
        np.repeat(np.arange(len(families) + 1), [*(len(family.literals) for family in families), 3]),
        np.concatenate([*logs, np.log([prior.nothing, prior.misleads, prior.intermittent])]),
        tuple(left_out),
        np.ones(len(KINDS)) if study.reference is None else np.array(KNOWN_GOOD),
        [{level: i for i, level in enumerate(factor.levels)} for factor in study.factors],
    )
    for item in evidence:
        if item.special in KINDS:
            space.rival_odds[KINDS.index(item.special)] *= item.odds
        else:
            space.log_prior += np.log(item.odds) * _touched(space, item)
    space.log_prior -= np.logaddexp.reduce(space.log_prior)
    return space


def _weighed(prior: Prior, families: Sequence[_Family], literals: Literals) -> tuple[list[Ints], list[Floats]]:
    """The rows of each family (filled up with a literal that changes nothing), and the logs of their prior weights."""
    rows, logs = [], []
    for family in families:
        order = family.literals.shape[1]
        # What fills up must be true where all are needed, and false where some are.
        padded = np.full((len(family.literals), 3), len(literals) + (family.needed < order), dtype=np.int64)
        padded[:, :order] = family.literals
        rows.append(padded)
        share = prior.is_not ** (literals.negated & (literals.other < 0))[family.literals].sum(axis=1)
        # A study begins with something that fails, so the weights are stated given that: a condition
        # that few setups meet must not pay for being rare.
        chance = chance_of(literals.meets[family.literals], family.needed)
        logs.append(np.log(family.weight) + np.log(share / (share * chance).sum()))
    return rows, logs


def _families(study: Study, prior: Prior, literals: Literals) -> tuple[list[_Family], list[str]]:
    """The families of explanations that there is room for, and what was left out."""
    every = np.arange(literals.plain, dtype=np.int64)
    factors, negated = literals.factor[every], literals.negated[every]
    positive = np.flatnonzero(~negated)
    rest = np.arange(literals.plain, len(literals), dtype=np.int64)
    out = [
        _Family(every[:, None], prior.one, 1),
        _Family(rest[literals.other[rest] < 0][:, None], prior.sets, 1),
        _Family(rest[literals.other[rest] >= 0][:, None], prior.between, 1),
    ]
    left_out: list[str] = []
    room = HYPOTHESIS_CAP - len(literals)
    for what, order, weight, needed in (
        ("two conditions", 2, prior.two, 2),
        ("either of two conditions", 2, prior.either, 1),
        ("three conditions", 3, prior.three, 3),
        ("two of three conditions", 3, prior.some, 2),
    ):
        if len(study.factors) < order:
            continue
        chosen = every
        if ways(factors[chosen], order) > room:
            chosen = positive
            left_out.append(f"{what} with 'is not'")
        if ways(factors[chosen], order) > room:
            left_out = [one for one in left_out if not one.startswith(what)] + [what]
            continue
        room -= ways(factors[chosen], order)
        found = joined(chosen, factors, order)
        if order == 3:
            found = found[negated[found].sum(axis=1) <= 1]
        out.append(_Family(found, weight, needed))
    return [family for family in out if len(family.literals)], left_out


def _touched(space: Space, item: Evidence) -> Bools:
    out = np.zeros(space.count, dtype=np.bool_)
    if item.special is not None:
        out[space.count - 3 + SPECIAL_ROWS.index(item.special)] = True
        return out
    names = [factor.name for factor in space.study.factors]
    assert item.factor is not None
    factor = names.index(space.study.factor(item.factor).name)
    level = None
    if item.level is not None:
        space.study.check_condition(Condition(item.factor, "is", item.level))
        level = space.level_index[factor][item.level]
    padded = np.concatenate([space.literals.speak_of(factor, level), [False, False]])
    return np.asarray(padded[space.rows].any(axis=1))


@dataclass(frozen=True)
class Posterior:
    """Weights after the trials. `setups` are the distinct setups tried, with fails and boots each.

    `p_in` and `p_out`: chance that a boot fails where the explanation says so, and elsewhere. `weight` of the
    explanations and `rival_weight` (bases x grid) of the rivals add up to 1.
    """

    space: Space
    setups: Ints
    fails: Floats
    boots: Floats
    inside: Bools
    weight: Floats
    p_in: Floats
    p_out: Floats
    line: Timeline
    rivals: Rivals
    rival_weight: Floats

    @cached_property
    def kind_weight(self) -> Floats:
        """The weight of each kind of `rivals.KINDS` alone, without a condition beside it."""
        return np.bincount(self.rivals.grid.kind, self.rival_weight[0], len(KINDS)).astype(np.float64)

    @cached_property
    def beside(self) -> Floats:
        """The weight of rivals with a condition beside them, conditions (`Space.single`) x kinds.

        The condition is then part of the cause: it does not always show, or is not the only one.
        """
        to_kind = np.equal.outer(self.rivals.grid.kind, np.arange(len(KINDS))).astype(np.float64)
        by_base = self.rival_weight[1:] @ to_kind
        return np.asarray(by_base.reshape(2, -1, len(KINDS)).sum(axis=0))

    @cached_property
    def folded(self) -> Floats:
        """The weight of each explanation, with that of rivals that have its one condition beside them."""
        out = self.weight.copy()
        out[self.space.single_rows] += self.beside.sum(axis=1)
        return out

    @property
    def order_share(self) -> float:
        """The weight of causes over order and time, also of those with a condition beside them."""
        return float((self.kind_weight + self.beside.sum(axis=0))[:ORDER_KINDS].sum())

    @property
    def unlisted_share(self) -> float:
        """The weight of causes that are in no listed factor."""
        return float(self.kind_weight[ORDER_KINDS:].sum() + self.weight[[-3, -1]].sum())


class _Last:
    """The posterior that was computed last: `why` and `next` ask for the same one in turn."""

    found: tuple[Study, Prior, tuple[Evidence, ...], tuple[TrialCounts, ...], Posterior] | None = None


def posterior_of(
    study: Study, trials: Sequence[TrialCounts], prior: Prior | None = None, evidence: Sequence[Evidence] = ()
) -> Posterior:
    """The weights of all explanations of `study` after `trials`. The last ones are kept for the next question."""
    asked = (prior or Prior(), tuple(evidence), tuple(trials))
    last = _Last.found
    if last is not None and last[0] is study and last[1:3] == asked[:2]:
        if last[3] == asked[2]:
            return last[4]
        space = last[4].space
    else:
        space = build_space(study, prior, evidence)
    found = update(space, trials)
    _Last.found = (study, *asked, found)
    return found


def update(space: Space, trials: Sequence[TrialCounts]) -> Posterior:
    """Weigh every explanation of `space`, and their rivals, by `trials` (marginal likelihoods)."""
    prior = space.prior
    line = timeline(space.study, trials)
    setups, where = np.unique(line.setups, axis=0, return_inverse=True)
    fails: Floats = np.bincount(where.ravel(), line.fails, len(setups)).astype(np.float64)
    boots: Floats = np.bincount(where.ravel(), line.boots, len(setups)).astype(np.float64)
    inside = space.holds(setups)
    # Not by `@`: the threads of a linear algebra library cost more than so narrow a product saves.
    k_in, n_in = (np.einsum("hs,s->h", inside, count) for count in (fails, boots))
    k_out, n_out = fails.sum() - k_in, boots.sum() - n_in
    if space.study.reference is not None:
        # "Known good" counts as unseen good boots, except for the idea that the test misleads.
        at = space.holds(space.encode([space.study.reference]))[:, 0]
        extra = np.where(at, float(prior.reference_boots), 0.0)
        extra[space.count - 2] = 0.0
        n_in = n_in + extra
        n_out = n_out + np.where(at, 0.0, float(prior.reference_boots))
    (log_in, p_in), (log_out, p_out) = prior.failing.weigh(k_in, n_in), prior.working.weigh(k_out, n_out)
    # The special rows have rates of their own: nearly always, or in between. The reference, where
    # "nothing tried matters" expects success, stays with the working rate.
    for rows, rate in (
        (slice(space.count - 3, space.count - 1), prior.always),
        (slice(space.count - 1, space.count), prior.in_between),
    ):
        log_in[rows], p_in[rows] = rate.weigh(k_in[rows], n_in[rows])
    rivals = _follow(space, line)
    log_weight = space.log_prior + log_in + log_out
    total = np.logaddexp(np.logaddexp.reduce(log_weight), np.logaddexp.reduce(rivals.log_weight.ravel()))
    weight, rival_weight = np.exp(log_weight - total), np.exp(rivals.log_weight - total)
    return Posterior(space, setups, fails, boots, inside, weight, p_in, p_out, line, rivals, rival_weight)


def _follow(space: Space, line: Timeline) -> Rivals:
    """The rivals after the boots, weighed alone and beside each single condition."""
    literals = space.literals
    bases = bases_of(space.prior.rivals, literals.hold(line.setups)[space.single], literals.meets[space.single])
    grid = grid_of(space.prior.rivals, space.rival_odds)
    return follow(grid, line, bases)
