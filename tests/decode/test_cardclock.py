"""The card clock: golden lines, an independent solver, wraps, restarts, drift, and honest uncertainty."""

from __future__ import annotations

import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from benchd.decode.cardclock import HULL_LIMIT, CardClock, LowerHull

SECOND = 1_000_000_000
US = 1000.0
"""The card of these tests ticks once a microsecond."""


def fit(points: list[tuple[float, float]]) -> tuple[float, float]:
    """Return (slope, intercept) of the line under all `points` that lies closest to them on average.

    Raises ValueError for fewer than two different x.
    """
    hull: LowerHull[float] = LowerHull()
    for x, y in sorted(points):
        hull.add(x, y)
    edge = hull.edge()
    if edge is None:
        raise ValueError(f"a line needs two different x, got {len(points)} point(s)")
    (x0, y0), (x1, y1) = edge
    slope = (y1 - y0) / (x1 - x0)
    return slope, y0 - slope * x0


def slope_ns(clock: CardClock, x: int) -> float:
    """The measured length of a tick, over a million ticks before `x`."""
    late, early = clock.time_of(x), clock.time_of(x - 10**6)
    assert late is not None and early is not None
    return (late[0] - early[0]) / 10**6


def solve(points: list[tuple[float, float]]) -> float:
    """The least sum of distances above a line under all points, by SciPy's linear programming (HiGHS)."""
    t, d = np.array(points).T
    result = linprog([-t.sum(), -len(t)], A_ub=np.c_[t, np.ones(len(t))], b_ub=d, bounds=[(None, None)] * 2)
    assert result.success
    return float(d.sum() + result.fun)


def test_golden_one() -> None:
    """t = 0,1,2,3,5; d = 1,1.6,1.2,2,1.8 -> a = 0.2, b = 0.8 (derived with SciPy 1.17 linprog)."""
    slope, intercept = fit([(0, 1), (1, 1.6), (2, 1.2), (3, 2), (5, 1.8)])
    assert (slope, intercept) == (pytest.approx(0.2, abs=1e-12), pytest.approx(0.8, abs=1e-12))


def test_golden_two() -> None:
    """100 ppm of skew under noise of 0..90 ms is found exactly (derived with SciPy 1.17 linprog)."""
    d = [5.000, 5.031, 5.002, 5.013, 5.004, 5.095, 5.006, 5.027, 5.008, 5.049]
    slope, intercept = fit([(10.0 * n, y) for n, y in enumerate(d)])
    assert (slope, intercept) == (pytest.approx(1e-4, rel=1e-9), pytest.approx(5.0, rel=1e-12))
    assert abs(np.polyfit(np.arange(10) * 10.0, d, 1)[0] - 1e-4) > 1e-4


def test_degenerate_mean_on_a_corner() -> None:
    """Where the mean of t falls on a corner any slope in 0.1..0.2 is optimal; one of them is given."""
    slope, _ = fit([(0, 1), (1, 1.6), (2, 1.2), (3, 2), (4, 1.6)])
    assert 0.1 - 1e-12 <= slope <= 0.2 + 1e-12


def test_one_point_is_no_line() -> None:
    """A line needs two different x."""
    with pytest.raises(ValueError, match="two different"):
        fit([(1.0, 1.0), (1.0, 2.0)])


@given(st.lists(st.tuples(st.integers(0, 1000), st.integers(0, 1000)), min_size=2, max_size=40))
@settings(deadline=None, max_examples=60)
def test_fit_is_as_good_as_the_solver(points: list[tuple[int, int]]) -> None:
    """The line lies under all points, and no line that does is closer to them (SciPy linprog)."""
    if len({x for x, _ in points}) < 2:
        return
    slope, intercept = fit([(float(x), float(y)) for x, y in points])
    distances = [y - slope * x - intercept for x, y in points]
    assert min(distances) >= -1e-6
    assert sum(distances) == pytest.approx(solve([(float(x), float(y)) for x, y in points]), abs=1e-4)


@given(st.lists(st.tuples(st.integers(0, 500), st.integers(0, 10**6)), min_size=4, max_size=60), st.integers(1, 59))
@settings(deadline=None, max_examples=60)
def test_two_generations_make_one_hull(points: list[tuple[int, int]], where: int) -> None:
    """A hull kept in two parts and joined is the hull of all points."""
    points.sort()
    where = min(where, len(points) - 1)
    whole, old, new = LowerHull[int](), LowerHull[int](), LowerHull[int]()
    for n, (x, y) in enumerate(points):
        whole.add(x, y)
        (old if n < where else new).add(x, y)
    both = old.joined(new)
    assert both.corners == whole.corners
    assert both.edge() == whole.edge()


class Card:
    """A card with a skewed clock behind a link that delays by 0..`jitter_ns` more than nothing."""

    def __init__(self, seed: int, skew: float, jitter_ns: int) -> None:
        self.random = random.Random(seed)
        self.skew = skew
        self.jitter_ns = jitter_ns

    def ticks(self, true_ns: int) -> int:
        return int(true_ns / US * (1 + self.skew))

    def arrival(self, true_ns: int) -> int:
        return true_ns + self.random.randrange(self.jitter_ns)


@pytest.mark.parametrize("skew", [-0.01, -1e-4, 0.0, 5e-5, 0.02])
@pytest.mark.parametrize("seed", range(4))
def test_times_lie_within_their_uncertainty(seed: int, skew: float) -> None:
    """Behind 16 ms of latency timer the true time of 99 % of codes lies within u, and u is below 10 ms."""
    card = Card(seed, skew, 16_000_000)
    clock = CardClock(US)
    inside, known, widths = 0, 0, []
    true_ns = 0
    for _ in range(600):
        true_ns += card.random.choice((3_000_000, 40_000_000, 700_000_000))
        arrival = card.arrival(true_ns)
        x, restarted = clock.unwrap(card.ticks(true_ns), arrival)
        assert not restarted
        clock.sample(x, arrival)
        placed = clock.time_of(x)
        if placed is not None:
            known += 1
            inside += abs(placed[0] - true_ns) <= placed[1]
            widths.append(placed[1])
    assert known > 550
    assert inside >= 0.99 * known, f"seed {seed}: {inside} of {known}"
    assert sorted(widths)[len(widths) // 2] < 10_000_000
    assert slope_ns(clock, x) == pytest.approx(US / (1 + skew), rel=1e-4)


def test_counter_wraps() -> None:
    """A 32-bit microsecond counter wraps after 71.6 minutes; time goes on, also over a silence."""
    clock = CardClock(US, 32)
    start = 2**32 - 5_000_000
    previous = None
    for second in [*range(20), 20 + 3 * 4295]:
        x, restarted = clock.unwrap((start + second * 1_000_000) % 2**32, second * SECOND)
        assert not restarted
        assert x == start + second * 1_000_000
        assert previous is None or x > previous
        previous = x


def test_wrap_without_known_tick() -> None:
    """Without a tick length a step of less than half the counter is forward, a longer one a restart."""
    clock = CardClock(None, 32)
    assert clock.unwrap(2**32 - 10, 0) == (2**32 - 10, False)
    assert clock.unwrap(5, SECOND) == (2**32 + 5, False)
    assert clock.unwrap(3, 2 * SECOND) == (3, True)


@pytest.mark.parametrize("bits", [16, 24, 32])
def test_unknown_counter_width(bits: int) -> None:
    """A counter of unknown width that steps back as a usual width would has wrapped; otherwise it restarted."""
    clock = CardClock(1e6, None)
    top = 2**bits - 1000
    assert clock.unwrap(top, 0) == (top, False)
    assert clock.unwrap(500, 1500_000_000) == (2**bits + 500, False)
    assert clock.unwrap(700, 1700_000_000) == (2**bits + 700, False)
    assert clock.unwrap(20, 9 * SECOND) == (20, True)


def test_restart_is_seen_and_the_clock_forgotten() -> None:
    """Ticks that start over are a restart; the old offset is not used for the new run."""
    clock = CardClock(US)
    for second in range(30):
        x, _ = clock.unwrap(second * 1_000_000, second * SECOND)
        clock.sample(x, second * SECOND)
    assert clock.time_of(29_000_000) is not None
    x, restarted = clock.unwrap(100_000, 31 * SECOND)
    assert restarted and x == 100_000
    clock.sample(x, 31 * SECOND)
    assert clock.time_of(x) is None


def test_ticks_may_lag_but_not_lead() -> None:
    """A card that queues for seconds has not restarted; one whose ticks run far ahead of time has."""
    clock = CardClock(US)
    clock.unwrap(1_000_000, 1 * SECOND)
    assert clock.unwrap(2_000_000, 20 * SECOND) == (2_000_000, False)
    assert clock.unwrap(200_000_000, 21 * SECOND) == (200_000_000, True)


def test_unnoticed_restart_heals() -> None:
    """When a restart could not be seen (ticks went on by chance), the clock finds out and learns anew."""
    clock = CardClock(US)
    for second in range(30):
        x, _ = clock.unwrap(second * 1_000_000, second * SECOND)
        clock.sample(x, second * SECOND)
    for second in range(60):
        arrival = (200 + second) * SECOND
        x, restarted = clock.unwrap((40 + second) * 1_000_000, arrival)
        assert not restarted
        clock.sample(x, arrival)
        placed = clock.time_of(x)
        if second >= 40:
            assert placed is not None
            assert abs(placed[0] - arrival) <= placed[1] <= 1_000_000
    assert slope_ns(clock, x) == pytest.approx(US)


def test_memory_is_bounded_and_drift_followed() -> None:
    """Arrivals on a parabola put every sample on the hull: memory stays bounded, the slope is followed."""
    clock = CardClock(US)
    for n in range(5000):
        arrival = n * SECOND + n * n * 20
        x, _ = clock.unwrap(n * 1_000_000 % 2**32, arrival)
        clock.sample(x, arrival)
        assert len(clock._old.corners) + len(clock._now.corners) <= 2 * HULL_LIMIT
    slope = slope_ns(clock, x)
    true_slope = (SECOND + 2 * 5000 * 20) / 1_000_000
    assert slope == pytest.approx(true_slope, rel=2e-5)
