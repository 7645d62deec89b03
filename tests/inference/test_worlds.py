"""The simulated benches are what they say: each row fails when, and only when, its title says so."""

from __future__ import annotations

import math

import numpy as np
import pytest
from inference.worlds import LOW, ROWS, SHARING, Moment, make_world, setups_of

SEEDS = range(12)
REST = Moment(5, False, math.inf)
AT_ONCE = Moment(5, False, 0.1)


def _worlds(row):
    return [make_world(row, 7, number) for number in SEEDS]


@pytest.mark.parametrize("row", ROWS)
def test_a_bench_has_four_to_eight_factors_with_work_and_begins_where_its_rule_holds(row):
    for world in _worlds(row):
        factors = world.study.factors
        assert 4 <= len(factors) <= 8
        assert all(2 <= len(one.levels) <= 4 and one.cost(one.levels[0]) > 0 for one in factors)
        assert any(one.hardware for one in factors)
        world.study.check_setup(world.start)
        assert world.rule is None or world.rule.holds(world.start)
        assert world.rule is not None or world.kinds


def test_worlds_are_the_same_for_the_same_numbers_and_differ_from_row_to_row():
    assert make_world("two", 1, 3) == make_world("two", 1, 3)
    assert make_world("two", 1, 3).study != make_world("three", 1, 3).study


@pytest.mark.parametrize(
    ("row", "failing"),
    [
        ("one", lambda held: held == [True]),
        ("two", lambda held: held == [True, True]),
        ("three", lambda held: held == [True, True, True]),
        ("two-of-three", lambda held: sum(held) >= 2),
        ("either", lambda held: any(held)),
    ],
)
def test_conditions_join_as_the_row_says(row, failing):
    """Over every setup of the factors concerned, by the statements one by one."""
    for world in _worlds(row):
        for setup in setups_of(world.study, world.rule.factors()):
            held = [one.holds(setup) for one in world.rule.statements]
            bench = world.bench([1])
            bench.setup = setup
            assert bench.chance(REST) == (world.high if failing(held) else LOW)


def test_equal_and_differ_look_at_the_two_jumpers_with_the_same_levels():
    for row, fails_alike in (("equal", False), ("differ", True)):
        for world in _worlds(row):
            a, b = (world.study.factor(name) for name in SHARING)
            assert a.levels == b.levels and world.rule.factors() == set(SHARING)
            for setup in setups_of(world.study, SHARING):
                assert world.rule.holds(setup) == ((setup[SHARING[0]] == setup[SHARING[1]]) == fails_alike)


def test_two_levels_of_four_fail():
    for world in _worlds("levels"):
        (name,) = world.rule.factors()
        held = [setup[name] for setup in setups_of(world.study, [name]) if world.rule.holds(setup)]
        assert len(world.study.factor(name).levels) == 4 and len(held) == 2


@pytest.mark.parametrize(
    ("row", "before", "after"),
    [("healed", 0.95, LOW), ("broke", LOW, 0.95)],
)
def test_it_turns_at_one_boot_whatever_is_changed(row, before, after):
    for world in _worlds(row):
        bench = world.bench([1])
        assert bench.chance(Moment(world.turn - 1, True, 1.0)) == before
        assert bench.chance(Moment(world.turn, False, 1.0)) == after


def test_a_falling_rate_halves_by_its_turn():
    for world in _worlds("falling"):
        bench = world.bench([1])
        assert bench.chance(Moment(1, False, 1.0)) == 0.95
        assert bench.chance(Moment(1 + world.turn, False, 1.0)) == pytest.approx(0.475)


@pytest.mark.parametrize(("row", "rested", "hot"), [("cold", 0.95, LOW), ("warm", LOW, 0.95)])
def test_cold_and_warm_go_by_the_minutes_without_power(row, rested, hot):
    for world in _worlds(row):
        bench = world.bench([1])
        assert bench.chance(Moment(2, True, world.rest_minutes)) == rested
        assert bench.chance(Moment(2, True, world.rest_minutes * 0.99)) == hot


def test_a_contact_is_drawn_anew_when_the_cover_is_off_and_never_else():
    drawn = []
    for number in range(60):
        bench = make_world("contact", 7, number).bench([number])
        bench.do(bench.setup)
        assert bench.contact_bad, "it begins bad: a machine that fails"
        for _ in range(4):
            before = bench.contact_bad
            assert not bench.do(bench.setup).opened and bench.contact_bad == before
        assert bench.do(bench.setup, reseat=True).opened
        drawn.append(bench.contact_bad)
    assert 18 <= sum(drawn) <= 42


def test_a_cause_outside_the_list_fails_half_the_time_in_every_setup():
    rng = np.random.default_rng(1)
    for world in _worlds("unlisted"):
        bench = world.bench([1])
        bench.setup = {one.name: str(rng.choice(one.levels)) for one in world.study.factors}
        assert bench.chance(REST) == bench.chance(AT_ONCE) == 0.5


def test_mixed_rows_need_both_or_either():
    both, either = make_world("contact-and-one", 7, 0).bench([1]), make_world("contact-or-one", 7, 0).bench([1])
    for bench, chances in ((both, (0.95, LOW, LOW, LOW)), (either, (0.95, 0.95, 0.95, LOW))):
        world = bench.world
        good = next(s for s in setups_of(world.study, world.rule.factors()) if not world.rule.holds(s))
        seen = []
        for setup, bad in ((world.start, True), (world.start, False), (good, True), (good, False)):
            bench.setup, bench.contact_bad = dict(setup), bad
            seen.append(bench.chance(REST))
        assert tuple(seen) == chances


def test_wrong_entries_are_one_in_twenty():
    bench = make_world("one-entries", 7, 1).bench([3])
    wrong = sum(bench.fails(REST) != (bench.chance(REST) > 0.5) for _ in range(4000))
    assert 0.05 * 0.95 + 0.95 * 0.05 - 0.02 <= wrong / 4000 <= 0.05 * 0.95 + 0.95 * 0.05 + 0.02


def test_the_person_takes_time_and_power_as_the_change_needs():
    """A part that is moved needs the power off for its work; a setting does not; a told rest is kept."""
    world = make_world("one", 7, 0)
    hard = next(one for one in world.study.factors if one.hardware)
    soft = next(one for one in world.study.factors if not one.hardware)
    offs = {}
    for one in (hard, soft):
        bench = world.bench([1])
        assert bench.do(world.start).off_minutes == math.inf
        other = next(level for level in one.levels if level != world.start[one.name])
        seen = bench.do({**world.start, one.name: other}, rest_minutes=0.0)
        offs[one.name] = seen.off_minutes
        assert seen.opened == one.hardware and bench.hardware == int(one.hardware)
    assert offs[hard.name] > 0.3 * hard.cost(hard.levels[0])
    assert offs[soft.name] < 0.5
    assert world.bench([1]).do(world.start, rest_minutes=30.0).off_minutes == math.inf
    bench = world.bench([2])
    bench.do(world.start)
    assert 30.0 <= bench.do(world.start, rest_minutes=30.0).off_minutes < 31.0
