"""The distributions that boots are compared by, each against SciPy's."""

from __future__ import annotations

import math
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.special import betaln

from benchd.inference import distributions as own

COUNTS = st.integers(0, 60)
TIMES = st.lists(st.integers(1, 12).map(float), min_size=1, max_size=25)
WATCHED = st.lists(st.tuples(st.integers(1, 12).map(float), st.booleans()), min_size=1, max_size=20)


@given(st.floats(1e-12, 1 - 1e-12))
@settings(deadline=None, max_examples=100)
def test_normal_points_and_tails(share):
    z = own.normal_point(share)
    assert z == pytest.approx(stats.norm.isf(share), rel=1e-9, abs=1e-12)
    assert own.normal_two_sided(z) == pytest.approx(2 * stats.norm.sf(abs(z)), rel=1e-9)


def test_tails_that_are_far_out_do_not_become_nothing():
    found = own.normal_two_sided(-30)
    assert found > 0 and found == pytest.approx(2 * stats.norm.sf(30), rel=1e-9)


@given(st.floats(0.01, 5e3), st.floats(0.01, 5e3))
@settings(deadline=None, max_examples=100)
def test_log_beta(a, b):
    assert own.log_beta(a, b) == pytest.approx(betaln(a, b), rel=1e-9, abs=1e-8)


@given(COUNTS, st.integers(1, 60), st.sampled_from((0.8, 0.95, 0.99)))
@settings(deadline=None, max_examples=100)
def test_wilson_ends(k, n, confidence):
    assume(k <= n)
    found = stats.binomtest(k, n).proportion_ci(confidence, method="wilson")
    assert own.wilson_ends(k, n, confidence) == pytest.approx((found.low, found.high), abs=1e-12)


@given(COUNTS, COUNTS, COUNTS, COUNTS)
@settings(deadline=None, max_examples=150)
def test_fisher(k, misses, other_k, other_misses):
    assume(k + misses and other_k + other_misses)
    want = stats.fisher_exact([[k, misses], [other_k, other_misses]])[1]
    assert own.fisher_two_sided(k, k + misses, other_k, other_k + other_misses) == pytest.approx(want, rel=1e-9)


def test_fisher_of_thousands_of_boots():
    want = stats.fisher_exact([[900, 2100], [1200, 2800]])[1]
    assert own.fisher_two_sided(900, 3000, 1200, 4000) == pytest.approx(want, rel=1e-9)


@given(TIMES, TIMES)
@settings(deadline=None, max_examples=150)
def test_ranks_u_and_its_normal_p(a, b):
    x, y = np.array(a), np.array(b)
    both = np.concatenate([x, y])
    assert own.doubled_ranks(both).tolist() == (2 * stats.rankdata(both)).tolist()
    assume(np.ptp(both) > 0)
    want = stats.mannwhitneyu(x, y, method="asymptotic")
    u = own.rank_sum_u(x, y)
    assert u == want.statistic
    assert own.rank_sum_normal(u, x, y) == pytest.approx(want.pvalue, rel=1e-9)


@given(st.sets(st.integers(0, 1000), min_size=2, max_size=30), st.randoms())
@settings(deadline=None, max_examples=100)
def test_exact_p_of_u(values, chance):
    shuffled = sorted(values)
    chance.shuffle(shuffled)
    n = chance.randrange(1, len(shuffled))
    x, y = np.array(shuffled[:n], float), np.array(shuffled[n:], float)
    assume(len(x) * len(y) <= 400)
    want = stats.mannwhitneyu(x, y, method="exact")
    assert own.rank_sum_exact(own.rank_sum_u(x, y), len(x), len(y)) == pytest.approx(want.pvalue, rel=1e-9)


def sides(watched):
    times, done = (np.array(column) for column in zip(*watched, strict=True))
    return times, done.astype(bool)


@given(WATCHED)
@settings(deadline=None, max_examples=150)
def test_product_limit(watched):
    times, done = sides(watched)
    at, left = own.product_limit(times, done)
    want = stats.ecdf(stats.CensoredData.right_censored(times, ~done)).sf
    assert at.tolist() == sorted(set(times[done].tolist()))
    assert left == pytest.approx(want.probabilities[np.searchsorted(want.quantiles, at)], abs=1e-12)


@given(WATCHED, WATCHED)
@settings(deadline=None, max_examples=150)
def test_log_rank(one, other):
    (x, x_done), (y, y_done) = sides(one), sides(other)
    assume(x_done.any() or y_done.any())
    with np.errstate(all="ignore"):
        want = stats.logrank(*(stats.CensoredData.right_censored(t, ~d) for t, d in ((x, x_done), (y, y_done))))
    found = own.log_rank_z(x, x_done, y, y_done)
    if math.isfinite(want.statistic):
        assert found == pytest.approx(want.statistic, abs=1e-9)
        assert own.normal_two_sided(found) == pytest.approx(want.pvalue, rel=1e-6, abs=1e-12)
    else:
        assert found is None


def test_nothing_of_benchd_loads_the_library_that_these_are_held_against():
    code = (
        "import sys, pkgutil, benchd.inference as room\n"
        "for m in pkgutil.iter_modules(room.__path__): __import__(f'benchd.inference.{m.name}')\n"
        "from benchd.inference.timing import fisher, shift, wilson\n"
        "shift([1, 2, 3], [2, 3, 4]); fisher(wilson(1, 2), wilson(2, 3))\n"
        "print([m for m in sys.modules if m.split('.')[0] == 'scipy'])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
