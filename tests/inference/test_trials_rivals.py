"""Causes over order, time and outside the list: exact against sums over every path of states, written out."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.inference.hypotheses import Prior, build_space, update
from benchd.inference.rivals import KINDS, OUTSIDE, RivalPrior, bases_of, follow, grid_of
from benchd.inference.study import BootResult, Factor, Study, TrialCounts
from benchd.inference.timeline import timeline

CARD = Factor("card", ("grey", "green"), kind="card")
BOOT = Factor("boot-device", ("first", "second"), kind="bios-setting")
STUDY = Study("s", (CARD, BOOT))
PRIOR = RivalPrior()
GRID = grid_of(PRIOR, np.ones(len(KINDS)))


def boot(name, failed, *, card="grey", device="first", rest_s=None, opened=False):
    setup = {"card": card, "boot-device": device}
    return TrialCounts(name, setup, int(not failed), 1, results=(BootResult(not failed, rest_s, opened),))


def evening(results, cards, rests, reseats):
    rows = zip(results, cards, rests, reseats, strict=True)
    return [boot(str(i), f, card=c, rest_s=r, opened=o) for i, (f, c, r, o) in enumerate(rows)]


def written_out(column, line, shows, elsewhere):
    """Probability of the boots: the sum over all paths of states, each with its changes and its rates."""
    kind = KINDS[GRID.kind[column]]
    total = 0.0
    for path in itertools.product((True, False), repeat=len(line)):
        p = 1.0
        for i, bad in enumerate(path):
            fails = bool(line.fails[i])
            if kind in ("cold", "warm"):
                if math.isnan(line.rest_s[i]):
                    p_bad = 0.5
                else:
                    p_bad = float((line.rest_s[i] >= GRID.rest_s[column]) == (kind == "cold"))
            elif i == 0:
                p_bad = GRID.start[column]
            else:
                anew = GRID.open[column] if line.opened[i] else GRID.shut[column]
                p_bad = anew * GRID.bad[column] + (1 - anew) * path[i - 1]
            p *= p_bad if bad else 1 - p_bad
            rate = GRID.high[column] if bad else GRID.low[column]
            if kind in ("falling", "rising"):
                rate = min(max(1 / (1 + math.exp(-(GRID.odds[column] + GRID.slope[column] * i))), 0.01), 0.99)
            if not shows[i]:
                rate = elsewhere
            p *= rate if fails else 1 - rate
        total += p
    return total


@settings(deadline=None, max_examples=12)
@given(
    st.lists(
        st.tuples(
            st.booleans(),
            st.sampled_from(["grey", "green"]),
            st.sampled_from([None, 0.0, 30.0, 300.0, 1e4]),
            st.booleans(),
        ),
        min_size=1,
        max_size=5,
    )
)
def test_every_kind_is_the_sum_over_all_paths_of_its_states(rows):
    """Alone, where the card is grey, and elsewhere than that; each time, rate and kind of the grid."""
    line = timeline(STUDY, evening(*zip(*rows, strict=True)))
    grey = (line.setups[:, 0] == 0)[None, :]
    bases = bases_of(PRIOR, grey, np.array([0.5]))
    found = follow(GRID, line, bases)
    told = np.exp(found.log_weight - bases.log_prior[:, None] - GRID.log_prior)
    for column in range(0, len(GRID.kind), 3):
        for b, (shows, elsewhere) in enumerate(
            ((np.ones(len(line)), 0.5), (grey[0], OUTSIDE), (~grey[0], 1 - OUTSIDE))
        ):
            assert told[b, column] == pytest.approx(written_out(column, line, shows, elsewhere), rel=1e-9)


@pytest.mark.parametrize("opened", [False, True])
@pytest.mark.parametrize("rest_s", [math.nan, 5.0, 5000.0])
def test_the_chance_of_the_next_failure_is_the_ratio_of_two_marginals(opened, rest_s):
    rows = [boot("1", True), boot("2", True, rest_s=20.0), boot("3", False, card="green", rest_s=400.0)]
    more = [*rows, boot("4", True, card="green", rest_s=None if math.isnan(rest_s) else rest_s, opened=opened)]
    before, after = (follow(GRID, timeline(STUDY, t), bases_of(PRIOR, np.ones((0, len(t)), bool), np.ones(0)))
                     for t in (rows, more))  # fmt: skip
    ratio = np.exp(after.log_weight - before.log_weight)
    np.testing.assert_allclose(before.chance(opened, rest_s), ratio, rtol=1e-9)


def columns(kind):
    return np.flatnonzero(GRID.kind == KINDS.index(kind)).tolist()


def alone(rows):
    line = timeline(STUDY, rows)
    bases = bases_of(PRIOR, np.ones((0, len(line)), bool), np.ones(0))
    return np.exp(follow(GRID, line, bases).log_weight[0] - GRID.log_prior)


def test_healed_is_a_change_point_with_a_rate_before_and_another_after():
    """g (1 - g)^(c - 1) for a change after c boots, and counts before and after it."""
    results = [True, True, True, False, False]
    found = alone([boot(str(i), f) for i, f in enumerate(results)])
    for i in columns("healed"):
        g, high, low = GRID.shut[i], GRID.high[i], GRID.low[i]

        def like(some, rate):
            return math.prod(rate if failed else 1 - rate for failed in some)

        want = sum(g * (1 - g) ** (c - 1) * like(results[:c], high) * like(results[c:], low) for c in range(1, 5))
        want += (1 - g) ** 4 * like(results, high)
        assert found[i] == pytest.approx(want, rel=1e-9)


def test_a_contact_is_a_product_over_openings():
    """Between two openings one state; a card that is moved and a reseating open, a setting does not."""
    rows = [
        boot("1", True),
        boot("2", True, device="second"),
        boot("3", False, card="green", device="second"),
        boot("4", False, card="green"),
        boot("5", True, card="green", opened=True),
    ]
    found = alone(rows)
    for i in columns("contact"):
        high, low, q = GRID.high[i], GRID.low[i], GRID.bad[i]

        def part(k, n, p_bad, high=high, low=low):
            return p_bad * high**k * (1 - high) ** (n - k) + (1 - p_bad) * low**k * (1 - low) ** (n - k)

        assert found[i] == pytest.approx(part(2, 2, GRID.start[i]) * part(0, 2, q) * part(1, 1, q), rel=1e-9)


def test_cold_goes_by_the_rests_that_the_boots_show():
    rows = [boot("1", True), boot("2", False, rest_s=5), boot("3", True, rest_s=7200), boot("4", False, rest_s=4)]
    found = update(build_space(STUDY), rows)
    assert KINDS[int(found.kind_weight.argmax())] == "cold"
    unknown = update(build_space(STUDY), [boot(t.name, not t.successes) for t in rows])
    assert unknown.kind_weight[KINDS.index("cold")] < found.kind_weight[KINDS.index("cold")] / 3


def test_grid_and_bases_have_the_prior_that_is_stated():
    """Weights of the kinds, spread over times and rates; shares of alone, both and either."""
    for kind, weight in zip(KINDS, PRIOR.weights, strict=True):
        assert np.exp(GRID.log_prior[columns(kind)]).sum() == pytest.approx(weight)
    bases = bases_of(PRIOR, np.ones((3, 1), bool), np.array([0.5, 0.25, 0.25]))
    shares = np.exp(bases.log_prior)
    assert shares[0] == pytest.approx(PRIOR.alone)
    # Stated given that something fails: a condition does not pay for being rare.
    assert (shares[1:4] * [0.5, 0.25, 0.25]).sum() == pytest.approx(PRIOR.both)


@settings(deadline=None, max_examples=20)
@given(st.lists(st.tuples(st.booleans(), st.booleans(), st.booleans()), max_size=8))
def test_all_weights_add_up_to_one(rows):
    trials = [
        boot(str(i), f, card="grey" if c else "green", device="first" if d else "second")
        for i, (f, c, d) in enumerate(rows)
    ]
    found = update(build_space(STUDY), trials)
    assert found.weight.sum() + found.rival_weight.sum() == pytest.approx(1)
    assert found.folded.sum() + found.kind_weight.sum() == pytest.approx(1)


@settings(deadline=None, max_examples=15)
@given(st.permutations(range(3)), st.permutations(range(3)), st.lists(st.booleans(), min_size=6, max_size=6))
def test_names_and_places_of_factors_and_levels_do_not_matter(factors, levels, results):
    """The same study with factors in another order and levels renamed: the same weights, in whatever order."""
    names = ("x", "y", "z")
    rows = [(0, 0, 0), (1, 0, 0), (1, 2, 0), (0, 1, 1), (2, 2, 2), (0, 0, 1)]

    def weights(order, told):
        study = Study("s", tuple(Factor(names[f], tuple("abc"[v] for v in told), kind="jumper") for f in order))
        trials = [
            TrialCounts(str(i), {names[f]: "abc"[told[row[f]]] for f in order}, int(ok), 1)
            for i, (row, ok) in enumerate(zip(rows, results, strict=True))
        ]
        found = update(build_space(study), trials)
        return np.sort(found.weight), np.sort(found.kind_weight)

    for mine, other in zip(weights(range(3), range(3)), weights(factors, levels), strict=True):
        np.testing.assert_allclose(mine, other, rtol=1e-8, atol=1e-15)


def test_a_trial_whose_order_is_not_known_counts_as_a_block():
    """No change inside it: its fails and boots together, in the state that it began with."""
    counted = alone([TrialCounts("1", {"card": "grey", "boot-device": "first"}, 1, 3)])
    for i in columns("healed"):
        assert counted[i] == pytest.approx(GRID.high[i] ** 2 * (1 - GRID.high[i]), rel=1e-9)


def test_evidence_makes_a_kind_likelier_by_its_odds():
    from benchd.inference.study import Evidence

    rows = [boot("1", True), boot("2", False, card="green")]
    plain = update(build_space(STUDY, Prior()), rows).kind_weight
    moved = update(build_space(STUDY, Prior(), [Evidence("it was dropped", 4, special="contact")]), rows).kind_weight
    gain = moved / plain
    assert gain[KINDS.index("contact")] / gain[KINDS.index("cold")] == pytest.approx(4)
