"""Setups as rows of level numbers: which are allowed, and the work to get from one to another."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

from benchd.inference.rates import Bools, Floats, Ints
from benchd.inference.study import Exclusion, Study

SETUP_CAP = 8_192
"""Most setups looked at; with more, those fewest changes away from the current one."""


def allowed(study: Study, current: Ints) -> Ints:
    """Setups that are not excluded, one row each; all of them, or the `SETUP_CAP` nearest to `current`."""
    sizes = [len(factor.levels) for factor in study.factors]
    if study.size() <= SETUP_CAP:
        grid = np.indices(sizes).reshape(len(sizes), -1).T.astype(np.int64)
    else:
        grid = _nearest(sizes, current)
    return np.asarray(grid[~excluded(study, grid)])


def _nearest(sizes: Sequence[int], current: Ints) -> Ints:
    rows = [current.copy()]
    for changes in range(1, len(sizes) + 1):
        for which in itertools.combinations(range(len(sizes)), changes):
            others = [[v for v in range(sizes[f]) if v != current[f]] for f in which]
            for levels in itertools.product(*others):
                row = current.copy()
                row[list(which)] = levels
                rows.append(row)
                if len(rows) >= SETUP_CAP:
                    return np.array(rows)
    return np.array(rows)


def excluded(study: Study, grid: Ints, exclusions: Sequence[Exclusion] | None = None) -> Bools:
    """Which rows of `grid` an exclusion (the study's own, when none are given) forbids."""
    out = np.zeros(len(grid), dtype=np.bool_)
    names = [factor.name for factor in study.factors]
    for exclusion in study.exclusions if exclusions is None else exclusions:
        hit = np.ones(len(grid), dtype=np.bool_)
        for condition in exclusion.conditions:
            f = names.index(condition.factor)
            level = study.factors[f].levels.index(condition.level)
            hit &= (grid[:, f] == level) == (condition.relation == "is")
        out |= hit
    return out


def work(study: Study, before: Ints, grid: Ints) -> Floats:
    """Minutes to change from `before` to each row of `grid`, without the boot."""
    total = np.zeros(len(grid))
    for f, factor in enumerate(study.factors):
        cost = np.array([factor.cost(level) for level in factor.levels])
        total += np.where(grid[:, f] == before[f], 0.0, cost[grid[:, f]])
    return total


def named(study: Study, row: Ints) -> dict[str, str]:
    """A row of level numbers as factor to level."""
    return {factor.name: factor.levels[int(v)] for factor, v in zip(study.factors, row, strict=True)}
