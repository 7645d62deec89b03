"""Every explanation that is weighed, enumerated, and their beta-binomial weights in one go.

Model, priors, limits and sources: firmware-notes/causes.md.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from benchd.inference.kinds import INTERMITTENT, MISLEADS, NOTHING, Special
from benchd.inference.study import Condition, Evidence, Relation, Study, TrialCounts

HYPOTHESIS_CAP = 60_000
"""Beyond this many, richer forms are left out (and said so), the richest first."""

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class RatePrior:
    """A mixture of beta distributions for a fail rate: (weight, a, b) each."""

    parts: tuple[tuple[float, float, float], ...]

    def weigh(self, fails: Floats, boots: Floats) -> tuple[Floats, Floats]:
        """Log probability of one order of `fails` among `boots` (no C(n,k)); chance that the next boot fails."""
        k, n = fails.astype(np.int64), boots.astype(np.int64)
        top = int(n.max(initial=0)) + 1
        terms = np.stack(
            [
                np.log(weight) + _rising(a, top)[k] + _rising(b, top)[n - k] - _rising(a + b, top)[n]
                for weight, a, b in self.parts
            ]
        )
        marginal = np.logaddexp.reduce(terms, axis=0)
        means = np.stack([(a + fails) / (a + b + boots) for _, a, b in self.parts])
        return np.asarray(marginal), np.asarray((np.exp(terms - marginal) * means).sum(axis=0))


def _rising(a: float, top: int) -> Floats:
    """log of a(a+1)...(a+i-1) for i = 0..top: what betaln differences come down to, as a table."""
    return np.concatenate([[0.0], np.cumsum(np.log(a + np.arange(top)))])


@dataclass(frozen=True, slots=True)
class Prior:
    """Prior weight of each family of explanations and of fail rates; see firmware-notes/causes.md."""

    one: float = 0.52
    two: float = 0.32
    three: float = 0.02
    either: float = 0.03
    nothing: float = 0.04
    intermittent: float = 0.035
    misleads: float = 0.035
    is_not: float = 0.25
    failing: RatePrior = RatePrior(((0.85, 18.0, 1.0), (0.15, 2.0, 1.0)))
    working: RatePrior = RatePrior(((0.85, 1.0, 24.0), (0.15, 1.0, 5.0)))
    always: RatePrior = RatePrior(((1.0, 18.0, 1.0),))
    between: RatePrior = RatePrior(((1.0, 3.0, 3.0),))
    reference_boots: int = 3


@dataclass(slots=True)
class Space:
    """All explanations for one study. Row h joins literals a, b, c by `any_form` (or) or else (and).

    The last three rows are the special ones: nothing tried matters, the test misleads, intermittent.
    """

    study: Study
    prior: Prior
    literal_factor: Ints
    literal_level: Ints
    literal_not: Bools
    rows: Ints
    any_form: Bools
    log_prior: Floats
    left_out: tuple[str, ...]
    level_index: list[dict[str, int]] = field(default_factory=list)

    @property
    def count(self) -> int:
        return len(self.any_form)

    def encode(self, setups: Sequence[Mapping[str, str]]) -> Ints:
        """Setups as level numbers, one row a setup."""
        names = [factor.name for factor in self.study.factors]
        out = np.empty((len(setups), len(names)), dtype=np.int64)
        for i, setup in enumerate(setups):
            out[i] = [index[setup[name]] for index, name in zip(self.level_index, names, strict=True)]
        return out

    def holds(self, setups: Ints, which: Ints | None = None) -> Bools:
        """Whether explanation h says "fails" of setup s: explanations x setups."""
        truth = np.empty((len(self.literal_factor) + 2, len(setups)), dtype=np.bool_)
        truth[:-2] = (setups[:, self.literal_factor] == self.literal_level).T ^ self.literal_not[:, None]
        truth[-2] = True
        truth[-1] = False
        rows = self.rows if which is None else self.rows[which]
        form = self.any_form if which is None else self.any_form[which]
        out = truth[rows[:, 0]] & truth[rows[:, 1]] & truth[rows[:, 2]]
        if form.any():
            some = rows[form]
            out[form] = truth[some[:, 0]] | truth[some[:, 1]]
        if self.study.reference is not None:
            # "Nothing tried matters" still grants that the known-good setup works.
            at = self.count - 3 if which is None else np.flatnonzero(which == self.count - 3)
            out[at] = (setups != self.encode([self.study.reference])[0]).any(axis=1)
        return np.asarray(out)

    def conditions(self, h: int) -> tuple[Condition, ...]:
        """The conditions of explanation `h`, none for the special ones."""
        out = []
        for literal in self.rows[h]:
            if literal < len(self.literal_factor):
                factor = self.study.factors[self.literal_factor[literal]]
                relation: Relation = "is not" if self.literal_not[literal] else "is"
                out.append(Condition(factor.name, relation, factor.levels[self.literal_level[literal]]))
        return tuple(out)

    def special(self, h: int) -> Special | None:
        """Which special explanation row `h` is, or None."""
        kinds: dict[int, Special] = {self.count - 3: NOTHING, self.count - 2: MISLEADS, self.count - 1: INTERMITTENT}
        return kinds.get(h)


@dataclass(frozen=True, slots=True)
class _Family:
    """Explanations of one shape: literals, a row each; the weight they share; whether one literal is enough."""

    literals: Ints
    weight: float
    any_form: bool


def build_space(study: Study, prior: Prior | None = None, evidence: Sequence[Evidence] = ()) -> Space:
    """Enumerate the explanations of `study` with their prior weights."""
    prior = prior or Prior()
    literals = [
        (f, level, negated)
        for f, factor in enumerate(study.factors)
        for negated in (False, True)
        for level in range(len(factor.levels))
        # Of two levels, "is not" the one is "is" the other.
        if len(factor.levels) > (2 if negated else 1)
    ]
    factors: Ints = np.array([factor for factor, _, _ in literals], dtype=np.int64)
    levels: Ints = np.array([level for _, level, _ in literals], dtype=np.int64)
    negated: Bools = np.array([is_not for _, _, is_not in literals], dtype=np.bool_)
    families, left_out = _families(study, prior, factors, negated)
    rows, logs = _weighed(study, prior, families, factors, negated)
    space = Space(
        study,
        prior,
        factors,
        levels,
        negated,
        np.concatenate([*rows, np.full((3, 3), len(literals), dtype=np.int64)]),
        np.repeat([*(f.any_form for f in families), False], [*(len(f.literals) for f in families), 3]),
        np.concatenate([*logs, np.log([prior.nothing, prior.misleads, prior.intermittent])]),
        tuple(left_out),
        [{level: i for i, level in enumerate(factor.levels)} for factor in study.factors],
    )
    for item in evidence:
        space.log_prior += np.log(item.odds) * _touched(space, item)
    space.log_prior -= np.logaddexp.reduce(space.log_prior)
    return space


def _weighed(
    study: Study, prior: Prior, families: Sequence[_Family], factors: Ints, negated: Bools
) -> tuple[list[Ints], list[Floats]]:
    """The rows of each family (filled up with a literal that changes nothing), and the logs of their prior weights."""
    sizes = np.array([len(factor.levels) for factor in study.factors], dtype=np.float64)[factors]
    meets = np.where(negated, 1 - 1 / sizes, 1 / sizes)
    rows, logs = [], []
    for family in families:
        padded = np.full((len(family.literals), 3), len(factors) + family.any_form, dtype=np.int64)
        padded[:, : family.literals.shape[1]] = family.literals
        rows.append(padded)
        share = prior.is_not ** negated[family.literals].sum(axis=1)
        # A study begins with something that fails, so the weights are stated given that: a condition
        # that few setups meet must not pay for being rare.
        chance = np.prod(meets[family.literals], axis=1)
        if family.any_form:
            chance = 1 - np.prod(1 - meets[family.literals], axis=1)
        logs.append(np.log(family.weight) + np.log(share / (share * chance).sum()))
    return rows, logs


def _families(study: Study, prior: Prior, factors: Ints, negated: Bools) -> tuple[list[_Family], list[str]]:
    """The families of explanations that there is room for, and what was left out."""
    every = np.arange(len(factors), dtype=np.int64)
    plain = np.flatnonzero(~negated)
    out = [_Family(every[:, None], prior.one, False)]
    left_out: list[str] = []
    room = HYPOTHESIS_CAP - len(every)
    for what, order, weight, any_form in (
        ("two conditions", 2, prior.two, False),
        ("either of two conditions", 2, prior.either, True),
        ("three conditions", 3, prior.three, False),
    ):
        if len(study.factors) < order:
            continue
        chosen = every
        if _ways(factors, order) > room:
            chosen = plain
            left_out.append(f"{what} with 'is not'")
        if _ways(factors[chosen], order) > room:
            left_out[-1:] = [what]
            continue
        room -= _ways(factors[chosen], order)
        found = _joined(chosen, factors, order)
        if order == 3:
            found = found[negated[found].sum(axis=1) <= 1]
        out.append(_Family(found, weight, any_form))
    return [family for family in out if len(family.literals)], left_out


def _joined(chosen: Ints, factors: Ints, order: int) -> Ints:
    """Every way to take `order` of the literals `chosen`, of different factors, a row each."""
    grid = np.stack([axis.ravel() for axis in np.meshgrid(*[chosen] * order, indexing="ij")], axis=1)
    return np.asarray(grid[(np.diff(factors[grid], axis=1) > 0).all(axis=1)])


def _ways(factors: Ints, order: int) -> int:
    """How many ways to take `order` literals of different factors (elementary symmetric sum)."""
    sums = [1] + [0] * order
    for count in np.unique(factors, return_counts=True)[1].tolist():
        for k in range(order, 0, -1):
            sums[k] += sums[k - 1] * count
    return sums[order]


def _touched(space: Space, item: Evidence) -> Bools:
    out = np.zeros(space.count, dtype=np.bool_)
    if item.special is not None:
        out[space.count - 3 + (NOTHING, MISLEADS, INTERMITTENT).index(item.special)] = True
        return out
    names = [factor.name for factor in space.study.factors]
    assert item.factor is not None
    factor = names.index(space.study.factor(item.factor).name)
    hit = space.literal_factor == factor
    if item.level is not None:
        space.study.check_condition(Condition(item.factor, "is", item.level))
        level = space.level_index[factor][item.level]
        # A literal speaks of the level when it is true of it.
        hit &= (space.literal_level == level) ^ space.literal_not
    padded = np.concatenate([hit, [False, False]])
    return np.asarray(padded[space.rows].any(axis=1))


@dataclass(frozen=True, slots=True)
class Posterior:
    """Weights after the trials. `setups` are the distinct setups tried, with fails and boots each.

    `p_in` and `p_out`: chance that a boot fails where the explanation says so, and elsewhere.
    """

    space: Space
    setups: Ints
    fails: Floats
    boots: Floats
    inside: Bools
    weight: Floats
    p_in: Floats
    p_out: Floats


def update(space: Space, trials: Sequence[TrialCounts]) -> Posterior:
    """Weigh every explanation of `space` by `trials` (beta-binomial marginal likelihoods)."""
    prior = space.prior
    tried = [trial for trial in trials if trial.boots]
    encoded = space.encode([trial.setup for trial in tried])
    setups, where = np.unique(encoded, axis=0, return_inverse=True)
    fails: Floats = np.bincount(where.ravel(), [t.failures for t in tried], len(setups)).astype(np.float64)
    boots: Floats = np.bincount(where.ravel(), [t.boots for t in tried], len(setups)).astype(np.float64)
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
        (slice(space.count - 1, space.count), prior.between),
    ):
        log_in[rows], p_in[rows] = rate.weigh(k_in[rows], n_in[rows])
    log_weight = space.log_prior + log_in + log_out
    weight = np.exp(log_weight - np.logaddexp.reduce(log_weight))
    return Posterior(space, setups, fails, boots, inside, weight, p_in, p_out)
