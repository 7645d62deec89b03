"""The next trial: which allowed setup tells most about the causes per minute of work.

Information is the mutual information of the explanation and one boot's result, in bits
(Lindley 1956, "On a measure of the information provided by an experiment"); see firmware-notes/causes.md.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from benchd.trials.hypotheses import Bools, Floats, Ints, Posterior
from benchd.trials.study import Study

SETUP_CAP = 8_192
"""Most setups looked at; beyond it only those few changes away from the current or a tried setup."""

KEPT_MASS = 0.9995
KEPT_MOST = 3_000
AHEAD = 12
"""How many of the best next trials are looked at one trial further."""


@dataclass(frozen=True, slots=True)
class Candidates:
    """Allowed setups as level numbers, with the minutes and hardware moves to reach each."""

    setups: Ints
    minutes: Floats
    costs: list[Floats]


def candidates(study: Study, encoded_current: Ints) -> Ints:
    """Allowed setups to choose from, as level numbers."""
    sizes = [len(factor.levels) for factor in study.factors]
    if study.size() <= SETUP_CAP:
        grid = np.indices(sizes).reshape(len(sizes), -1).T
    else:
        grid = _near(sizes, encoded_current)
    return np.asarray(grid[~_excluded(study, grid)])


def _near(sizes: Sequence[int], current: Ints) -> Ints:
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


def _excluded(study: Study, grid: Ints) -> Bools:
    out = np.zeros(len(grid), dtype=np.bool_)
    names = [factor.name for factor in study.factors]
    for exclusion in study.exclusions:
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


def entropy(p: Floats) -> Floats:
    """Bits of a coin with chance p."""
    q = np.clip(p, 1e-12, 1 - 1e-12)
    return np.asarray(-(q * np.log2(q) + (1 - q) * np.log2(1 - q)))


def gains(weight: Floats, p_in: Floats, p_out: Floats, inside: Floats) -> tuple[Floats, Floats]:
    """Expected bits from one boot of each setup, and the chance that it fails.

    `inside` is explanations x setups (0/1).
    """
    h_in, h_out = entropy(p_in), entropy(p_out)
    fail = (weight * p_out).sum() + (weight * (p_in - p_out)) @ inside
    known = (weight * h_out).sum() + (weight * (h_in - h_out)) @ inside
    return np.maximum(entropy(fail) - known, 0.0), fail


def kept(posterior: Posterior, most: int = KEPT_MOST) -> Ints:
    """Explanations that hold nearly all the weight, heaviest first."""
    order = np.argsort(-posterior.weight, kind="stable")[:most]
    mass = np.cumsum(posterior.weight[order])
    return np.asarray(order[: int(np.searchsorted(mass, KEPT_MASS)) + 1])


def rank(posterior: Posterior, current: Ints, grid: Ints, boot_minutes: float, ahead: int = AHEAD, depth_power=1.0):
    space = posterior.space
    which = kept(posterior)
    w = posterior.weight[which]
    w = w / w.sum()
    p_in, p_out = posterior.p_in[which], posterior.p_out[which]
    inside = space.holds(grid, which).astype(np.float64)
    bits, fail = gains(w, p_in, p_out, inside)
    minutes = work(space.study, current, grid) + boot_minutes
    rate = bits / minutes
    order = np.argsort(-rate, kind="stable")
    if not ahead:
        return order, bits, minutes, rate
    value = rate.copy()
    head = order[:ahead]
    n2 = min(len(which), 800)
    for c in head:
        pf = np.where(inside[:n2, c] > 0, p_in[:n2], p_out[:n2])
        m2 = work(space.study, grid[c], grid) + boot_minutes
        tot = 0.0
        for like in (pf, 1 - pf):
            ww = w[:n2] * like
            py = ww.sum()
            b2, _ = gains(ww / py, p_in[:n2], p_out[:n2], inside[:n2])
            tot += py * ((bits[c] + b2) / (minutes[c] + m2)).max()
        value[c] = max(tot, 0)
    rest = order[ahead:]
    head = head[np.argsort(-value[head], kind="stable")]
    return np.concatenate([head, rest]), bits, minutes, value
