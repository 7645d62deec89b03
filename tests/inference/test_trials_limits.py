"""Learned limits are 95/95 upper tolerance limits; the daemon can import them without numpy."""

from __future__ import annotations

import math
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom, nct, norm

from benchd.inference import limits
from benchd.inference.limits import FREE, NORMAL, free_exceedances, learned_limit


def test_k_factors_are_those_of_the_noncentral_t():
    """k(n) = t'(0.95; n - 1, z(0.95) sqrt n) / sqrt n, computed by scipy, n = 5 to 58."""
    for n, k in zip(range(5, 59), limits.K_FACTORS, strict=True):
        assert k == pytest.approx(nct.ppf(0.95, n - 1, norm.ppf(0.95) * math.sqrt(n)) / math.sqrt(n), abs=6e-6)


@pytest.mark.parametrize(("n", "k"), [(5, 4.203), (10, 2.911), (20, 2.396), (30, 2.220), (50, 2.065)])
def test_k_factors_of_the_printed_tables(n, k):
    """One-sided 95/95 factors as printed in the usual tables (Natrella, Handbook 91, A-7; from memory)."""
    assert limits.K_FACTORS[n - 5] == pytest.approx(k, abs=1.1e-3)


def test_58_boots_are_too_few_and_59_enough_for_the_largest():
    """1 - 0.95^58 = 0.948953, 1 - 0.95^59 = 0.951505; second and third largest from 93 and 124 (memory)."""
    assert [free_exceedances(n) for n in (58, 59, 92, 93, 123, 124)] == [-1, 0, 0, 1, 1, 2]


@settings(deadline=None, max_examples=60)
@given(st.integers(59, 20_000))
def test_exceedances_are_the_binomial_quantile(n):
    """The largest m with P(Bin(n, 0.05) <= m) <= 0.05 (scipy)."""
    m = free_exceedances(n)
    assert binom.cdf(m, n, 0.05) <= 0.05 + 1e-9 and binom.cdf(m + 1, n, 0.05) > 0.05 - 1e-9


def test_kind_follows_the_number_of_good_boots():
    """None below 5, normal theory from 5 to 58, distribution-free from 59."""
    times = [10 + 0.1 * (i % 7) for i in range(60)]
    assert learned_limit(times[:4]) is None
    for n, kind in ((5, NORMAL), (58, NORMAL), (59, FREE), (60, FREE)):
        found = learned_limit(times[:n])
        assert found is not None and found[1:] == (kind, n)
    assert learned_limit(times[:59])[0] == max(times[:59])
    assert learned_limit(times[:58])[0] == 1.25 * max(times[:58])


def test_times_that_are_no_times_are_not_counted():
    assert learned_limit([1.0, 1.1, 0.0, -3.0, math.nan, math.inf, 1.2, 0.9]) is None
    assert learned_limit([1.0, 1.1, 0.0, 1.3, math.nan, 1.2, 0.9])[2] == 5


def test_normal_limit_by_hand():
    """exp(mean + 4.20268 s) of the logs, for five times whose logs are 0, +-1, +-2 tenths."""
    times = [math.exp(x / 10) for x in (-2, -1, 0, 1, 2)]
    spread = math.sqrt(10 / 4) / 10
    assert learned_limit(times)[0] == pytest.approx(math.exp(4.20268 * spread), rel=1e-5)


def test_times_that_are_nearly_equal_get_a_quarter_more_than_the_longest():
    assert learned_limit([10.0, 10.1, 10.0, 9.9, 10.2])[0] == pytest.approx(1.25 * 10.2)


@pytest.mark.parametrize("n", [5, 10, 19, 30, 58, 59, 93])
def test_cold_spin_ups_are_covered_as_surely_as_is_said(n):
    """15 % of boots take 25 s in place of 5: confidence 1 - 0.85^n, the chance that one was seen (binomial)."""
    rng = np.random.default_rng(n)
    covered = []
    # The 95 % point of the mixture is the two-thirds point of its slow part.
    point = 25 * math.exp(0.05 * norm.ppf(1 - 0.05 / 0.15))
    for _ in range(1500):
        slow = rng.random(n) < 0.15
        covered.append(learned_limit(np.where(slow, 25.0, 5.0) * np.exp(rng.normal(0, 0.05, n)))[0] >= point)
    stated = 1 - 0.85**n if n < 59 else 0.95
    assert np.mean(covered) >= stated - 0.03
    assert n < 19 or np.mean(covered) >= 0.94


@pytest.mark.parametrize("n", [5, 20, 58, 59, 93, 200])
def test_the_limit_covers_95_percent_in_95_percent_of_samples(n):
    """Seeded lognormal boots: the share of samples whose limit lies above the true 95 % point is 95 % or so."""
    rng = np.random.default_rng(n)
    above = [learned_limit(np.exp(rng.normal(2, 0.3, n)))[0] > math.exp(2 + 1.644854 * 0.3) for _ in range(1500)]
    # A quarter more than the longest is more than is needed where times scatter little.
    assert 0.935 <= np.mean(above) <= (0.985 if n in (5, 59, 93, 200) else 1.0)


def test_importing_limits_loads_neither_numpy_nor_scipy():
    code = "import sys, benchd.inference.limits; print([m for m in ('numpy', 'scipy') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
