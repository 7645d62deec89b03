"""Learned time limits of a stage: upper tolerance limits, 95 % coverage with 95 % confidence.

From 5 to 58 good boots by normal theory on the logarithm of the time: exp(mean + k s), where k is the
one-sided tolerance factor t'(0.95; n-1, z(0.95) sqrt n) / sqrt n of the noncentral t distribution
(Hahn and Meeker, Statistical Intervals; NIST/SEMATECH e-Handbook 7.2.6.3). From 59 without any
distribution: the order statistic that Wilks (1941) gives.

Normal theory holds for times of one kind. Where some boots are of another (a cold disk that spins up), it
falls short of those even when they were seen, so that up to 58 boots the limit is never below the longest
time seen and a quarter more. What no boot has shown yet no limit can cover: a way to start that comes in 15
of 100 boots is covered with confidence 1 - 0.85^n, so with 95 % from 19 boots on.

Imports neither numpy nor scipy: the daemon uses it at start.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence

from benchd.vocabulary.models import LimitKind

COVERAGE = 0.95
CONFIDENCE = 0.95
NORMAL_FROM = 5
MARGIN = 1.25
"""Up to 58 boots, no limit is below so many times the longest time seen."""
FREE_FROM = 59
NORMAL: LimitKind = "learned-normal"
FREE: LimitKind = "distribution-free"

K_FACTORS: tuple[float, ...] = (
    4.20268, 3.70768, 3.39947, 3.18729, 3.03124, 2.91096, 2.81499, 2.73634, 2.67050, 2.61443, 2.56600, 2.52366,
    2.48626, 2.45295, 2.42304, 2.39600, 2.37142, 2.34896, 2.32832, 2.30929, 2.29167, 2.27530, 2.26005, 2.24578,
    2.23241, 2.21984, 2.20800, 2.19682, 2.18625, 2.17623, 2.16672, 2.15768, 2.14906, 2.14085, 2.13300, 2.12549,
    2.11831, 2.11142, 2.10481, 2.09846, 2.09235, 2.08648, 2.08081, 2.07535, 2.07008, 2.06499, 2.06007, 2.05532,
    2.05071, 2.04625, 2.04193, 2.03774, 2.03367, 2.02972,
)  # fmt: skip
"""One-sided 95/95 factors for n = 5 to 58; tests compute them again from scipy's noncentral t."""


def learned_limit(times: Sequence[float]) -> tuple[float, LimitKind, int] | None:
    """The 95/95 upper tolerance limit of a stage that took `times` (seconds) in good boots.

    Seconds, the kind of limit ("learned-normal" or "distribution-free"), and the good boots it rests on. None below 5
    usable times. Times that are not finite or not above zero are not counted.
    """
    good = sorted(t for t in times if math.isfinite(t) and t > 0)
    n = len(good)
    if n < NORMAL_FROM:
        return None
    if n < FREE_FROM:
        logs = [math.log(t) for t in good]
        spread = statistics.stdev(logs)
        top = statistics.fmean(logs) + K_FACTORS[n - NORMAL_FROM] * spread
        return max(math.exp(min(top, 700.0)), MARGIN * good[-1]), NORMAL, n
    return good[n - 1 - free_exceedances(n)], FREE, n


def free_exceedances(n: int) -> int:
    """How many of `n` times may lie above the distribution-free 95/95 limit; -1 when n is too small.

    The largest m for which the chance of at most m of n exceeding the 95 % point is at most 5 %.
    """
    tail = 1 - COVERAGE
    log_term = n * math.log(COVERAGE)
    total, m = 0.0, -1
    while m < n:
        total += math.exp(log_term)
        if total > 1 - CONFIDENCE:
            return m
        m += 1
        log_term += math.log((n - m) / (m + 1)) + math.log(tail / COVERAGE) if m < n else 0.0
    return m
