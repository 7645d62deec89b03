"""Statistics against published values (the source is named at each)."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import false_discovery_control, mannwhitneyu, permutation_test, rankdata

from benchd.inference import timing

# Freireich et al. 1963, as in Gehan 1965 (lifelines `gehan.dat`); weeks of remission, 0 = censored.
SIX_MP = [6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35]
SIX_MP_DONE = [bool(d) for d in (1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0)]
PLACEBO = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]
ALL = [True] * 21


def test_kaplan_meier_of_the_freireich_trial():
    """S(10) = 0.753 (Thomas & Grunkemeier 1975, Table 1); the other values by the product formula."""
    curve = timing.kaplan_meier(SIX_MP, SIX_MP_DONE)
    assert curve.times_s == (6, 7, 10, 13, 16, 22, 23)
    want = [0.857143, 0.806723, 0.752941, 0.690196, 0.627451, 0.537815, 0.448179]
    assert curve.survival == pytest.approx(want, abs=5e-7)
    assert curve.median_s() == 23
    placebo = timing.kaplan_meier(PLACEBO, ALL)
    want = [0.9048, 0.8095, 0.7619, 0.6667, 0.5714, 0.3810, 0.2857, 0.1905, 0.1429, 0.0952, 0.0476, 0]
    assert placebo.survival == pytest.approx(want, abs=5e-5)
    assert placebo.median_s() == 8


def test_kaplan_meier_textbook_case_with_censoring_first():
    """Textbook case quoted in scipy's test_survival.py (p. 91)."""
    curve = timing.kaplan_meier(
        [37, 43, 47, 56, 60, 62, 71, 77, 80, 81], [bool(d) for d in (0, 0, 1, 1, 0, 0, 0, 1, 1, 1)]
    )
    assert curve.times_s == (47, 56, 77, 80, 81)
    assert curve.survival == pytest.approx((0.875, 0.75, 0.5, 0.25, 0.0))


def test_kaplan_meier_maintained_arm():
    """R `aml` data, maintained arm: R 4.5.2 survival 3.8.3 values (at the event times)."""
    times = [9, 13, 13, 18, 23, 28, 31, 34, 45, 48, 161]
    done = [bool(d) for d in (1, 1, 0, 1, 1, 0, 1, 1, 0, 1, 0)]
    curve = timing.kaplan_meier(times, done)
    assert curve.times_s == (9, 13, 18, 23, 31, 34, 48)
    assert curve.survival == pytest.approx((0.90909, 0.81818, 0.71591, 0.61364, 0.49091, 0.36818, 0.18409), abs=5e-6)


def test_nothing_finished_has_no_curve_and_no_median():
    curve = timing.kaplan_meier([5.0, 6.0], [False, False])
    assert curve == timing.Curve((), ()) and curve.median_s() is None
    assert timing.log_rank(([1.0], [False]), ([2.0], [False])) is None


@pytest.mark.parametrize(
    ("a", "b", "chi2", "p"),
    [
        # R fastlogranktest example output; the short form sum (O-E)^2/E would give 15.233.
        ((SIX_MP, SIX_MP_DONE), (PLACEBO, ALL), 16.79294, 4.168809e-05),
        # R survdiff in scipy's test_survival.py.
        (
            ([8, 12, 26, 14, 21, 27, 8, 32, 20, 40], [True] * 6 + [False] * 4),
            ([33, 28, 41, 48, 48, 25, 37, 48, 25, 43], [True] * 3 + [False] * 7),
            6.91598157449,
            0.008542873404,
        ),
    ],
)
def test_log_rank_values_of_r(a, b, chi2, p):
    """Chi-square (not z) with the hypergeometric variance, either order."""
    found = timing.log_rank(a, b)
    assert found == pytest.approx((chi2, p), rel=1e-6)
    assert timing.log_rank(b, a) == pytest.approx(found)


def test_fisher_tea_table():
    """R `fisher.test` example (Agresti 1990 p. 61f): two-sided 0.4857; all eight right 1/35 (Fisher 1935)."""
    assert timing.fisher(timing.wilson(3, 4), timing.wilson(1, 4)) == pytest.approx(0.4857143, abs=5e-8)
    assert timing.fisher(timing.wilson(4, 4), timing.wilson(0, 4)) == pytest.approx(0.0285714, abs=5e-8)
    assert timing.fisher(timing.wilson(0, 0), timing.wilson(1, 4)) is None


@pytest.mark.parametrize(
    ("k", "n", "low", "high", "places"),
    [
        (3, 10, 0.1077913, 0.6032219, 5e-8),  # R prop.test in scipy's test_morestats.py
        (0, 10, 0.0, 0.2775328, 5e-8),
        (10, 10, 0.7224672, 1.0, 5e-8),
        (81, 263, 0.2553, 0.3662, 5e-5),  # Newcombe 1998, Stat. Med. 17, 857-872 (table from memory)
        (15, 148, 0.0624, 0.1605, 5e-5),
        (0, 20, 0.0, 0.1611, 5e-5),
        (1, 29, 0.0061, 0.1718, 5e-5),
        (5, 5, 0.5655, 1.0, 5e-5),
        (9, 10, 0.5958, 0.9821, 5e-5),
        (1, 10, 0.0179, 0.4042, 5e-5),
    ],
)
def test_wilson_intervals(k, n, low, high, places):
    rate = timing.wilson(k, n)
    assert (rate.low, rate.high) == pytest.approx((low, high), abs=places)


def test_wilson_of_nothing_is_everything_and_99_percent_is_wider():
    """3/10 at 99 %: 0.07956632 to 0.6799753 (R prop.test in scipy's test_morestats.py)."""
    assert timing.wilson(0, 0) == timing.Rate(0, 0, 0.0, 1.0)
    rate = timing.wilson(3, 10, 0.99)
    assert (rate.low, rate.high) == pytest.approx((0.07956632, 0.6799753), abs=5e-8)


def test_mann_whitney_docstring_example_of_scipy():
    """U1 = 17, exact two-sided p 0.1111."""
    u, p = timing.mann_whitney([19, 22, 16, 29, 24], [20, 11, 17, 12])
    assert (u, p) == (17, pytest.approx(0.1111111, abs=5e-8))


@pytest.mark.parametrize(
    ("a", "b"),
    [([5], [1] * 30), ([1] * 6, [2] * 5), ([1, 1, 2, 3], [2, 2, 3, 4, 4]), ([1, 2], [1, 2, 3]), ([3, 3], [1, 3, 5])],
)
def test_tied_samples_are_tested_over_all_their_orders(a, b):
    """Against counting every way to divide the values (the definition of a permutation test, Fisher 1935)."""
    ranks = rankdata([*a, *b])
    sums = [sum(ranks[i] for i in one) for one in itertools.combinations(range(len(ranks)), len(a))]
    seen = sum(ranks[: len(a)])
    low, high = (sum(s <= seen for s in sums), sum(s >= seen for s in sums))
    expected = min(1.0, 2 * min(low, high) / len(sums))
    assert timing.mann_whitney(a, b)[1] == pytest.approx(expected)
    assert timing.mann_whitney(b, a)[1] == pytest.approx(expected)


def test_tied_samples_as_scipy_divides_them():
    """SciPy's exact permutation test of U, 10 against 8 values with ties."""
    a, b = [1, 1, 2, 2, 3, 3, 4, 5, 5, 6], [2, 3, 4, 4, 5, 6, 6, 7]

    def u(x, y, axis):
        return mannwhitneyu(x, y, axis=axis, method="asymptotic").statistic

    found = permutation_test((a, b), u, n_resamples=100_000, batch=5_000)
    assert timing.mann_whitney(a, b)[1] == pytest.approx(found.pvalue)


def test_one_boot_is_never_sure():
    """One boot unlike thirty that are alike: 2 of 31, whatever the difference; too few for an interval at 95 %."""
    found = timing.shift([0.3], [0.0] * 30)
    assert found.p == pytest.approx(2 / 31) and found.low_s is None


def test_mann_whitney_example_of_r():
    """R `wilcox.test` example (Hollander & Wolfe 1973, p. 69f): W = 35, one-sided p 0.1272 (from memory)."""
    x = [0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46]
    y = [1.15, 0.88, 0.90, 0.74, 1.21]
    u, p = timing.mann_whitney(x, y)
    assert u == 35 and p == pytest.approx(2 * 0.1272, abs=1e-4)


def test_equal_samples_differ_by_nothing():
    assert timing.mann_whitney([2.0, 2.0], [2.0, 2.0, 2.0]) == (3.0, 1.0)
    found = timing.shift([2.0] * 6, [2.0] * 6)
    assert found == timing.Shift(0.0, 0.0, 0.0, 1.0)


@settings(deadline=None, max_examples=60)
@given(
    st.lists(st.integers(0, 10_000), min_size=1, max_size=9, unique=True),
    st.lists(st.integers(0, 10_000), min_size=1, max_size=9, unique=True),
)
def test_shift_interval_is_the_inverted_test(a, b):
    """Just inside the interval scipy's exact test does not reject the shift, just outside it does."""
    x = np.array(a, float)
    y = np.array(b, float) + 0.25
    found = timing.shift(x, y)
    assert found.shift_s == pytest.approx(np.median(y[:, None] - x[None, :]))
    smallest = mannwhitneyu(x, x.max() + 1 + np.arange(len(y)), method="exact").pvalue
    if smallest > 0.05:
        assert found.low_s is None and found.high_s is None
        return
    assert found.low_s <= found.shift_s <= found.high_s

    def p(s):
        return mannwhitneyu(x, y - s, method="exact").pvalue

    tiny = 0.01
    assert p(found.low_s + tiny) > 0.05 and p(found.high_s - tiny) > 0.05
    assert p(found.low_s - tiny) <= 0.05 and p(found.high_s + tiny) <= 0.05


def test_three_boots_each_give_no_95_percent_interval_and_four_do():
    """Smallest exact two-sided p: 2/20 for 3 and 3, 2/70 for 4 and 4."""
    assert timing.shift([1, 2, 3], [11, 12, 13]).low_s is None
    found = timing.shift([1, 2, 3, 4], [11, 12, 13, 14])
    assert (found.low_s, found.shift_s, found.high_s) == (7, 10, 13)
    assert timing.shift([], [1.0]) is None


def test_large_samples_cover_the_true_shift():
    """95 % interval by the normal approximation holds the true shift in 90 to 99 % of 200 seeded draws."""
    rng = np.random.default_rng(11)
    held = 0
    for _ in range(200):
        found = timing.shift(rng.exponential(1, 40), rng.exponential(1, 40) + 0.3)
        held += found.low_s <= 0.3 <= found.high_s
    assert 0.90 <= held / 200 <= 0.99


def test_thousands_of_boots_are_thinned_not_squared():
    rng = np.random.default_rng(2)
    found = timing.shift(rng.normal(10, 1, 9000), rng.normal(10.5, 1, 7000))
    assert found.shift_s == pytest.approx(0.5, abs=0.06)


def test_counts_of_u_are_the_gaussian_binomial():
    """n = m = 3: 1 1 2 3 3 3 3 2 1 1 of 20 (Mann and Whitney 1947 recurrence)."""
    assert timing._u_counts(3, 3).tolist() == [1, 1, 2, 3, 3, 3, 3, 2, 1, 1]
    for n, m in ((1, 1), (2, 7), (9, 4), (20, 20)):
        counts = timing._u_counts(n, m)
        assert counts.sum() == pytest.approx(math.comb(n + m, n), rel=1e-9)
        np.testing.assert_allclose(counts, counts[::-1], rtol=1e-6)


def test_holm_by_hand_and_never_below_the_plain_p():
    """Holm 1979: 0.01 0.04 0.03 0.005 -> 0.03 0.06 0.06 0.02."""
    assert timing.holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])
    assert timing.holm([]) == [] and timing.holm([0.7, 0.9]) == [1.0, 1.0]
    ps = [0.001, 0.2, 0.03, 0.5, 0.011]
    assert all(a >= b for a, b in zip(timing.holm(ps), false_discovery_control(ps), strict=True))


def test_boots_for_a_shift_by_noether():
    """Noether 1987: p = 0.7, 5 %, 80 % power: N = 7.849 / (3 x 0.04) = 65.4, 33 each (formula by hand)."""
    a = list(range(10))
    b = [x + 2.5 for x in range(10)]
    u = timing.mann_whitney(a, b)[0]
    away = abs(u / 100 - 0.5)
    want = math.ceil((1.959964 + 0.841621) ** 2 / (3 * away**2) / 2) - 10
    assert timing.more_boots_for_shift(a, b) == want > 0
    assert timing.more_boots_for_shift(a, a) is None
    assert timing.more_boots_for_shift([], a) is None
    assert timing.more_boots_for_shift([1.0] * 30, [2.0] * 30) == 0


def test_boots_for_rates_by_cohen():
    """Cohen 1988, table 6.4.1: h = 0.5 needs 63 each at 5 %, 80 % power (from memory)."""
    # 5 and 10 of 20 are h = 0.4954 apart: 64 each.
    assert timing.more_boots_for_rates(timing.Rate(5, 20, 0, 1), timing.Rate(10, 20, 0, 1)) == 64 - 20
    five, ten = timing.Rate(1, 4, 0, 1), timing.Rate(2, 4, 0, 1)
    phi = [2 * math.asin(math.sqrt((r.k + 0.5) / 5)) for r in (five, ten)]
    want = math.ceil(2 * (2.801585 / (phi[0] - phi[1])) ** 2) - 4
    assert timing.more_boots_for_rates(five, ten) == want > 0
    assert timing.more_boots_for_rates(timing.wilson(7, 10), timing.wilson(7, 10)) is None
    assert timing.more_boots_for_rates(timing.wilson(0, 0), timing.wilson(7, 10)) is None
