"""Statements about setups as rows of tables, and the ways to join them into explanations.

A literal is true of a setup where a factor has one of some levels, or where two factors have the same level (or not).
An explanation says "fails" where at least `needed` of its literals are true.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from benchd.inference.rates import Bools, Floats, Ints
from benchd.inference.study import Condition, Study

SETS_TO = 6
"""Sets of levels are weighed for factors of so many levels at most; beyond, single levels and all but one only."""


@dataclass(frozen=True, slots=True)
class Literals:
    """All literals of a study: `plain` ones first (one level, or all but one), then sets, then equal and differ.

    `truth` (literals x levels): where a level literal holds. `other`: the second factor of a relation, else -1.
    `number`: each factor's levels as numbers that are equal where the names are.
    """

    study: Study
    factor: Ints
    level: Ints
    negated: Bools
    other: Ints
    truth: Bools
    number: Ints
    meets: Floats
    conditions: tuple[Condition, ...]

    def __len__(self) -> int:
        return len(self.factor)

    @property
    def plain(self) -> int:
        """How many plain ones there are."""
        return int((self.level >= 0).sum())

    def hold(self, setups: Ints) -> Bools:
        """Which literals are true of each setup: literals x setups."""
        out = self.truth[np.arange(len(self))[:, None], setups[:, self.factor].T]
        between = np.flatnonzero(self.other >= 0)
        if len(between):
            first, second = self.factor[between], self.other[between]
            alike = self.number[first[:, None], setups[:, first].T] == self.number[second[:, None], setups[:, second].T]
            out[between] = alike ^ self.negated[between, None]
        return np.asarray(out)

    def speak_of(self, factor: int, level: int | None = None) -> Bools:
        """Which literals name the factor, and (with a level) are true of that level."""
        hit = (self.factor == factor) | (self.other == factor)
        if level is not None:
            hit &= (self.other >= 0) | self.truth[:, level]
        return np.asarray(hit)


def literals_of(study: Study) -> Literals:
    """Every literal of `study`."""
    most = max(len(factor.levels) for factor in study.factors)
    names = list(dict.fromkeys(level for factor in study.factors for level in factor.levels))
    number = np.full((len(study.factors), most), -1, dtype=np.int64)
    for f, factor in enumerate(study.factors):
        number[f, : len(factor.levels)] = [names.index(level) for level in factor.levels]
    rows = [*_plain(study), *_sets(study), *_between(study)]
    truth = np.zeros((len(rows), most), dtype=np.bool_)
    for i, row in enumerate(rows):
        truth[i, list(row.levels)] = True
    return Literals(
        study,
        np.array([row.factor for row in rows], dtype=np.int64),
        np.array([row.level for row in rows], dtype=np.int64),
        np.array([row.negated for row in rows], dtype=np.bool_),
        np.array([row.other for row in rows], dtype=np.int64),
        truth,
        number,
        np.array([row.meets for row in rows], dtype=np.float64),
        tuple(row.condition for row in rows),
    )


@dataclass(frozen=True, slots=True)
class _Row:
    condition: Condition
    factor: int
    level: int
    negated: bool
    levels: tuple[int, ...]
    meets: float
    other: int = -1


def _plain(study: Study) -> list[_Row]:
    out = []
    for f, factor in enumerate(study.factors):
        size = len(factor.levels)
        # Of two levels, "is not" the one is "is" the other.
        for negated in [False] * (size > 1) + [True] * (size > 2):
            for level, name in enumerate(factor.levels):
                levels = tuple(i for i in range(size) if (i == level) != negated)
                condition = Condition(factor.name, "is not" if negated else "is", name)
                out.append(_Row(condition, f, level, negated, levels, len(levels) / size))
    return out


def _sets(study: Study) -> list[_Row]:
    """Two levels and more of a factor, but not all, nor all but one: that is "is not" already."""
    out = []
    for f, factor in enumerate(study.factors):
        size = len(factor.levels)
        for count in range(2, size - 1) if size <= SETS_TO else ():
            for levels in itertools.combinations(range(size), count):
                condition = Condition(factor.name, "is", levels=tuple(factor.levels[i] for i in levels))
                out.append(_Row(condition, f, -1, False, levels, count / size))
    return out


def _between(study: Study) -> list[_Row]:
    """Equal and differ, for every two factors with two levels or more in common."""
    out = []
    for (f, one), (g, two) in itertools.combinations(enumerate(study.factors), 2):
        common = len(set(one.levels) & set(two.levels))
        if common < 2:
            continue
        equal = common / (len(one.levels) * len(two.levels))
        for negated in (False, True):
            condition = Condition(one.name, "differs" if negated else "equals", other=two.name)
            out.append(_Row(condition, f, -1, negated, (), 1 - equal if negated else equal, g))
    return out


def joined(chosen: Ints, factors: Ints, order: int) -> Ints:
    """Every way to take `order` of the literals `chosen`, of different factors, a row each."""
    grid = np.stack([axis.ravel() for axis in np.meshgrid(*[chosen] * order, indexing="ij")], axis=1)
    return np.asarray(grid[(np.diff(factors[grid], axis=1) > 0).all(axis=1)])


def ways(factors: Ints, order: int) -> int:
    """How many ways to take `order` literals of different factors (elementary symmetric sum)."""
    sums = [1] + [0] * order
    for count in np.unique(factors, return_counts=True)[1].tolist():
        for k in range(order, 0, -1):
            sums[k] += sums[k - 1] * count
    return sums[order]


def chance_of(meets: Floats, needed: int) -> Floats:
    """Chance that at least `needed` of a row's literals (rows x literals, each true with its chance) are true."""
    number = meets.shape[1]
    total = np.zeros(len(meets))
    for true in itertools.product((False, True), repeat=number):
        if sum(true) >= needed:
            total += np.prod(np.where(true, meets, 1 - meets), axis=1)
    return total
