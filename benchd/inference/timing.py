"""Small-sample statistics of boots: rates, shifts, survival, and how many more boots would settle it.

scipy does the distributions; this module fixes the choices (which interval, which correction) and
returns plain floats. scipy.stats loads only when a function runs.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchd.inference.answers import Rate
from benchd.inference.hypotheses import Floats

CONFIDENCE = 0.95
POWER = 0.8
EXACT_CELLS = 400
"""Up to n x m = 400 without ties the Mann-Whitney p is exact, beyond it normal with continuity correction."""
TIED_CELLS = 6_000
"""Smaller side times all values up to which tied samples are tested exactly: some 70 milliseconds at most."""
PAIRS_MOST = 4_000_000


@dataclass(frozen=True, slots=True)
class Shift:
    """How much longer b takes than a: Hodges-Lehmann estimate, interval (None: too few boots), p."""

    shift_s: float
    low_s: float | None
    high_s: float | None
    p: float


@dataclass(frozen=True, slots=True)
class Curve:
    """Kaplan-Meier: after each event time the share not yet finished."""

    times_s: tuple[float, ...]
    survival: tuple[float, ...]

    def median_s(self) -> float | None:
        """The first time at which half or more have finished; None when that never came."""
        for t, s in zip(self.times_s, self.survival, strict=True):
            if s <= 0.5 + 1e-12:
                return t
        return None


def wilson(k: int, n: int, confidence: float = CONFIDENCE) -> Rate:
    """Wilson (1927) score interval of k of n; 0 to 1 when n is 0."""
    if n == 0:
        return Rate(0, 0, 0.0, 1.0)
    from scipy.stats import binomtest

    ci = binomtest(k, n).proportion_ci(confidence, method="wilson")
    return Rate(k, n, float(ci.low), float(ci.high))


def fisher(a: Rate, b: Rate) -> float | None:
    """Fisher's exact two-sided p that two rates differ; None when a side is empty."""
    if not a.n or not b.n:
        return None
    from scipy.stats import fisher_exact

    return float(fisher_exact([[a.k, a.n - a.k], [b.k, b.n - b.k]])[1])


def mann_whitney(a: Sequence[float], b: Sequence[float]) -> tuple[float, float]:
    """U of the first sample and the two-sided p (Mann and Whitney 1947).

    With ties the p of small or uneven samples is that of all their orders; the normal one would find "1 in
    10 million" where one boot differs from thirty alike, which it does by chance in 2 of 31.
    """
    from scipy.stats import mannwhitneyu

    x, y = np.asarray(a, dtype=np.float64), np.asarray(b, dtype=np.float64)
    both = np.concatenate([x, y])
    if np.ptp(both) == 0:
        return len(x) * len(y) / 2, 1.0
    ties = len(np.unique(both)) < len(both)
    method = "exact" if len(x) * len(y) <= EXACT_CELLS and not ties else "asymptotic"
    found = mannwhitneyu(x, y, alternative="two-sided", method=method)
    if ties and min(len(x), len(y)) * len(both) <= TIED_CELLS:
        return float(found.statistic), _tied_p(x, y)
    return float(found.statistic), float(found.pvalue)


def _tied_p(x: Floats, y: Floats) -> float:
    """Two-sided p of the rank sum given the ties, exact: sets of the smaller size counted by the sum of their ranks."""
    from scipy.stats import rankdata

    ranks = np.rint(2 * rankdata(np.concatenate([x, y]))).astype(np.int64)  # doubled: middle ranks are whole then
    few = ranks[: len(x)] if len(x) <= len(y) else ranks[len(x) :]
    most = int(np.sort(ranks)[-len(few) :].sum())
    ways = np.zeros((len(few) + 1, most + 1))
    ways[0, 0] = 1.0
    for rank in ranks.tolist():
        ways[1:, rank:] += ways[:-1, : max(0, most + 1 - rank)]
    share, seen = ways[-1] / ways[-1].sum(), int(few.sum())
    return min(1.0, 2 * float(min(share[: seen + 1].sum(), share[seen:].sum())))


def shift(a: Sequence[float], b: Sequence[float], confidence: float = CONFIDENCE) -> Shift | None:
    """Shift from a to b in seconds: median of all differences b - a (Hodges and Lehmann 1963).

    The interval is the one that belongs to the Mann-Whitney test (Hollander and Wolfe, ch. 4.3); its
    ends are None when the samples are too small for `confidence`. None when a sample is empty.
    """
    if not len(a) or not len(b):
        return None
    x, y = _thinned(np.asarray(a, dtype=np.float64)), _thinned(np.asarray(b, dtype=np.float64))
    differences = (y[:, None] - x[None, :]).ravel()
    cells = len(differences)
    rank = _interval_rank(len(x), len(y), confidence)
    middle = [(cells - 1) // 2, cells // 2]
    ends = [rank - 1, cells - rank] if rank else []
    differences.partition(sorted({*middle, *ends}))
    centre = float((differences[middle[0]] + differences[middle[1]]) / 2)
    low, high = (float(differences[e]) for e in ends) if rank else (None, None)
    return Shift(centre, low, high, mann_whitney(a, b)[1])


def _thinned(values: Floats) -> Floats:
    """At most 2,000 values: every q-th of the sorted ones, so that pairs stay countable."""
    most = math.isqrt(PAIRS_MOST)
    if len(values) <= most:
        return values
    at = (np.arange(most) + 0.5) * len(values) / most
    return np.sort(values)[at.astype(np.int64)]


def _interval_rank(n: int, m: int, confidence: float) -> int:
    """The rank of the lower end among the n m differences, counted from 1; 0 when there is none."""
    alpha = (1 - confidence) / 2
    if n * m <= EXACT_CELLS:
        counts = _u_counts(n, m)
        cumulative = np.cumsum(counts) / counts.sum()
        return int((cumulative <= alpha + 1e-12).sum())
    from scipy.stats import norm

    spread = math.sqrt(n * m * (n + m + 1) / 12)
    return max(0, math.floor(n * m / 2 - float(norm.isf(alpha)) * spread))


def _u_counts(n: int, m: int) -> Floats:
    """How many of the C(n+m, n) orders give each U: the Gaussian binomial coefficient's terms."""
    terms = np.zeros(n * m + 1)
    terms[0] = 1.0
    for i in range(1, n + 1):
        # times (1 - q^(m+i)), over (1 - q^i)
        terms[m + i :] = terms[m + i :] - terms[: max(0, n * m + 1 - m - i)]
        for k in range(i, n * m + 1):
            terms[k] += terms[k - i]
    return terms


def holm(ps: Sequence[float]) -> list[float]:
    """Holm (1979) adjusted p values, in the order given."""
    order = sorted(range(len(ps)), key=lambda i: ps[i])
    out = [0.0] * len(ps)
    worst = 0.0
    for place, i in enumerate(order):
        worst = max(worst, min(1.0, (len(ps) - place) * ps[i]))
        out[i] = worst
    return out


def kaplan_meier(times: Sequence[float], finished: Sequence[bool]) -> Curve:
    """Kaplan-Meier (1958) curve of the time to finish; unfinished boots are censored at their time.

    At equal times events come before censorings.
    """
    from scipy.stats import CensoredData, ecdf

    t = np.asarray(times, dtype=np.float64)
    done = np.asarray(finished, dtype=np.bool_)
    if not done.any():
        return Curve((), ())
    sf = ecdf(CensoredData.right_censored(t, ~done)).sf
    at = np.unique(t[done])
    index = np.searchsorted(sf.quantiles, at)
    return Curve(
        tuple(at.tolist()),
        tuple(float(p) for p in sf.probabilities[index]),
    )


def log_rank(
    a: tuple[Sequence[float], Sequence[bool]], b: tuple[Sequence[float], Sequence[bool]]
) -> tuple[float, float] | None:
    """Log-rank chi-square (1 df) and p that two finishing curves differ; None without any event.

    Each side is (times, finished). Mantel (1966), with the hypergeometric variance.
    """
    from scipy.stats import CensoredData, logrank

    if not any(a[1]) and not any(b[1]):
        return None
    data = [
        CensoredData.right_censored(np.asarray(t, dtype=np.float64), ~np.asarray(d, dtype=np.bool_)) for t, d in (a, b)
    ]
    with np.errstate(invalid="ignore", divide="ignore"):
        found = logrank(data[0], data[1])
    z = float(found.statistic)
    if not math.isfinite(z):
        return None
    return z * z, float(found.pvalue)


def more_boots_for_shift(a: Sequence[float], b: Sequence[float]) -> int | None:
    """Boots to add to each side so that a difference like the one seen shows (5 %, power 80 %).

    Noether (1987), JASA 82, 645-647, for equal sides: N = (z + z)^2 / (12 c (1 - c) (p - 1/2)^2), c = 1/2.
    None when no difference is seen.
    """
    from scipy.stats import norm

    if not len(a) or not len(b):
        return None
    u = mann_whitney(a, b)[0]
    away = abs(u / (len(a) * len(b)) - 0.5)
    if away < 1e-9:
        return None
    z = float(norm.isf((1 - CONFIDENCE) / 2) + norm.isf(1 - POWER))
    each = math.ceil(z * z / (12 * 0.25 * away * away) / 2)
    return max(0, each - min(len(a), len(b)))


def more_boots_for_rates(a: Rate, b: Rate) -> int | None:
    """Boots to add to each side so that a difference in rates like the one seen shows (5 %, power 80 %).

    Cohen (1988), ch. 6: n = 2 ((z + z) / h)^2 each, h the difference of arcsine-transformed rates, here of
    (k + 1/2) / (n + 1). None when no difference is seen.
    """
    from scipy.stats import norm

    if not a.n or not b.n or a.k * b.n == b.k * a.n:
        return None
    phi = [2 * math.asin(math.sqrt((r.k + 0.5) / (r.n + 1))) for r in (a, b)]
    h = abs(phi[0] - phi[1])
    if h < 1e-9:
        return None
    z = float(norm.isf((1 - CONFIDENCE) / 2) + norm.isf(1 - POWER))
    return max(0, math.ceil(2 * (z / h) ** 2) - min(a.n, b.n))
