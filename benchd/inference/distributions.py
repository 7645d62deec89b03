"""The few distributions that boots are compared by, written out: a library for them is larger than all the rest.

Tests hold each against SciPy, and the users of it against published values.
"""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np

from benchd.inference.rates import Bools, Floats, Ints

_NORMAL = NormalDist()


def normal_point(above: float) -> float:
    """The point of the standard normal distribution that a share `above` (0 to 1, ends excluded) lies above."""
    return -_NORMAL.inv_cdf(above)


def normal_two_sided(z: float) -> float:
    """The chance that a standard normal value is at least as far from 0 as `z`."""
    return math.erfc(abs(z) / math.sqrt(2))


def log_beta(a: float, b: float) -> float:
    """Logarithm of Euler's beta function of two positive numbers."""
    return math.lgamma(a) + math.lgamma(b) - math.lgamma(a + b)


def wilson_ends(k: int, n: int, confidence: float) -> tuple[float, float]:
    """Both ends of Wilson's (1927) score interval of k of n, n above 0, without continuity correction."""
    z = normal_point((1 - confidence) / 2)
    middle = (k + z * z / 2) / (n + z * z)
    half = z / (n + z * z) * math.sqrt(k * (n - k) / n + z * z / 4)
    return (0.0 if k == 0 else middle - half), (1.0 if k == n else middle + half)


def fisher_two_sided(k: int, n: int, other_k: int, other_n: int) -> float:
    """Fisher's exact p that k of n and k of n others differ: all tables as unlikely as this one, or more.

    In whole numbers, so that tables that are equally likely count as that.
    """
    hits, low = k + other_k, max(0, k + other_k - other_n)
    high = min(hits, n)
    ways = [math.comb(n, low) * math.comb(other_n, hits - low)]
    for x in range(low, high):
        # the hypergeometric distribution's next term from the one before
        ways.append(ways[-1] * (n - x) * (hits - x) // ((x + 1) * (other_n - hits + x + 1)))
    seen = ways[k - low]
    return sum(one for one in ways if one <= seen) / sum(ways)


def doubled_ranks(values: Floats) -> Ints:
    """Twice the rank of each value, from 1 on; equal values share the middle of their ranks, which is whole then."""
    _, which, counts = np.unique(values, return_inverse=True, return_counts=True)
    last = np.cumsum(counts)
    return np.asarray((2 * last - counts + 1)[which.ravel()], dtype=np.int64)


def rank_sum_u(x: Floats, y: Floats) -> float:
    """Mann and Whitney's U of `x`: how many pairs have it above `y`, equal ones counted half."""
    ranks = doubled_ranks(np.concatenate([x, y]))[: len(x)]
    return float(ranks.sum()) / 2 - len(x) * (len(x) + 1) / 2


def rank_sum_normal(u: float, x: Floats, y: Floats) -> float:
    """Two-sided p of U by the normal approximation, with tie and continuity correction (Hollander and Wolfe, ch. 4)."""
    n, m = len(x), len(y)
    _, ties = np.unique(np.concatenate([x, y]), return_counts=True)
    tied = float((ties.astype(np.float64) ** 3 - ties).sum()) / ((n + m) * (n + m - 1))
    spread = math.sqrt(n * m / 12 * (n + m + 1 - tied))
    away = abs(u - n * m / 2) - 0.5
    return 1.0 if away <= 0 else normal_two_sided(away / spread)


def rank_sum_exact(u: float, n: int, m: int) -> float:
    """Two-sided p of U where no values are equal: the share of all orders as far out, doubled."""
    counts = u_counts(n, m)
    beyond = counts[math.ceil(max(u, n * m - u)) :].sum()
    return min(1.0, 2 * float(beyond / counts.sum()))


def u_counts(n: int, m: int) -> Floats:
    """How many of the C(n+m, n) orders give each U: the Gaussian binomial coefficient's terms."""
    terms = np.zeros(n * m + 1)
    terms[0] = 1.0
    for i in range(1, n + 1):
        # times (1 - q^(m+i)), over (1 - q^i)
        terms[m + i :] = terms[m + i :] - terms[: max(0, n * m + 1 - m - i)]
        for k in range(i, n * m + 1):
            terms[k] += terms[k - i]
    return terms


def product_limit(times: Floats, done: Bools) -> tuple[Floats, Floats]:
    """The times at which something ended (`done`) and the share left after each (Kaplan and Meier 1958).

    At equal times, endings come before those that were only watched so long.
    """
    at, ended = np.unique(times[done], return_counts=True)
    at_risk = len(times) - np.searchsorted(np.sort(times), at)
    return at, np.asarray(np.cumprod(1 - ended / at_risk), dtype=np.float64)


def log_rank_z(x: Floats, x_done: Bools, y: Floats, y_done: Bools) -> float | None:
    """Mantel's (1966) statistic of two sides with endings, by the hypergeometric variance; None where that is 0."""
    at, ended = np.unique(np.concatenate([x[x_done], y[y_done]]), return_counts=True)
    of_x, of_y = (len(side) - np.searchsorted(np.sort(side), at) for side in (x, y))
    both = (of_x + of_y).astype(np.float64)
    apart = both > 1
    spread = (of_x * of_y * ended * (both - ended))[apart] / (both**2 * (both - 1))[apart]
    if spread.sum() <= 0:
        return None
    return float((x_done.sum() - (of_x * ended / both).sum()) / math.sqrt(spread.sum()))
