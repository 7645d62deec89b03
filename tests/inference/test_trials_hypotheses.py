"""Weights of explanations: beta-binomial golden values, enumeration, and agreement with a plain loop."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from inference.counts import trial_of
from scipy.special import betaln, gammaln
from scipy.stats import betabinom

from benchd.errors import UsageError
from benchd.inference.hypotheses import (
    HYPOTHESIS_CAP,
    Evidence,
    Prior,
    build_space,
    update,
)
from benchd.inference.rates import RatePrior
from benchd.inference.study import Condition, Factor, Study

UNIFORM = RatePrior(((1.0, 1.0, 1.0),))


def arr(*values):
    return np.array(values, dtype=float)


def choose(n, k):
    return math.comb(int(n), int(k))


@pytest.mark.parametrize(
    ("k", "n", "a", "b", "value"),
    [
        (3, 10, 1, 1, 1 / 11),
        (3, 10, 2, 2, 0.1118881),
        (0, 10, 0.5, 0.5, 0.1761971),
        (0, 3, 2, 3, 2 / 7),
        (1, 3, 2, 3, 12 / 35),
        (2, 3, 2, 3, 9 / 35),
        (3, 3, 2, 3, 4 / 35),
    ],
)
def test_beta_binomial_golden_values(k, n, a, b, value):
    """P(k) = C(n,k) B(k+a, n-k+b) / B(a,b): values from scipy's test_discrete_distns.py and its formula."""
    mine = math.exp(RatePrior(((1.0, a, b),)).weigh(arr(k), arr(n))[0][0]) * choose(n, k)
    assert mine == pytest.approx(value, abs=5e-8)
    assert mine == pytest.approx(betabinom.pmf(k, n, a, b), rel=1e-12)


@settings(deadline=None, max_examples=80)
@given(st.integers(0, 300), st.integers(0, 300), st.floats(0.1, 40), st.floats(0.1, 40))
def test_ordered_marginal_equals_the_beta_function_ratio(k, more, a, b):
    """The table of rising factorials gives betaln(k+a, n-k+b) - betaln(a, b) (scipy)."""
    mine = RatePrior(((1.0, a, b),)).weigh(arr(k), arr(k + more))[0][0]
    assert mine == pytest.approx(betaln(k + a, more + b) - betaln(a, b), rel=1e-9, abs=1e-9)


def test_predictive_mean_is_laplace_rule_for_a_uniform_prior():
    """(k + 1) / (n + 2): Laplace's rule of succession."""
    assert UNIFORM.weigh(arr(3), arr(10))[1][0] == pytest.approx(4 / 12)


def test_mixture_mean_is_marginal_of_one_more_failure():
    """The chance of the next failure is the ratio of two marginals, mixture or not."""
    prior = Prior().failing
    for k, n in ((0, 0), (1, 1), (3, 9), (0, 5)):
        ratio = math.exp(prior.weigh(arr(k + 1), arr(n + 1))[0][0] - prior.weigh(arr(k), arr(n))[0][0])
        assert prior.weigh(arr(k), arr(n))[1][0] == pytest.approx(ratio, rel=1e-12)


def small_study(**more):
    return Study("s", (Factor("x", ("a", "b")), Factor("y", ("a", "b", "c")), Factor("z", ("a", "b"))), **more)


def test_every_explanation_is_there_once():
    """One and two conditions, either form, three with at most one 'is not', two of three, equal and differ; none twice.

    And three special ones.
    """
    space = build_space(small_study())
    # literals: 2 + (3 + 3) + 2; "is not" of a two-level factor is the other "is"
    singles, pairs, triples = 10, 2 * 6 + 2 * 2 + 6 * 2, 2 * 6 * 2
    between, two_of_three = 2 * 3, triples
    assert space.count == singles + between + 2 * pairs + triples + two_of_three + 3
    seen = {(space.conditions(h), space.needs(h)) for h in range(space.count - 3)}
    assert len(seen) == space.count - 3
    assert [space.special(h) for h in range(space.count - 3, space.count)] == [
        "nothing",
        "misleads",
        "intermittent",
    ]
    assert np.exp(space.log_prior).sum() == pytest.approx(1)


def test_predictions_agree_with_the_conditions_in_words():
    """`holds` says of each setup what the conditions say one by one."""
    study = small_study()
    space = build_space(study)
    setups = list(study.setups())
    mask = space.holds(space.encode(setups))
    for h in range(space.count - 3):
        want = [sum(c.holds(s) for c in space.conditions(h)) >= space.needs(h) for s in setups]
        assert mask[h].tolist() == want
    assert mask[-3:].all()


@pytest.mark.parametrize("reference", [None, {"x": "b", "y": "b", "z": "a"}, {"x": "b", "y": "a", "z": "a"}])
def test_weights_agree_with_a_plain_loop(reference):
    """Posterior = prior x product of two marginals, written out with scipy for each explanation.

    A reference adds three good boots, except for "the test misleads"; "nothing" expects it to work.
    """
    study = small_study(reference=reference)
    trials = [
        trial_of("1", {"x": "a", "y": "a", "z": "a"}, [False, False, True]),
        trial_of("2", {"x": "b", "y": "a", "z": "a"}, [True] * 4),
        trial_of("3", {"x": "a", "y": "c", "z": "b"}, [False]),
        trial_of("4", {"x": "b", "y": "b", "z": "b"}, []),
        trial_of("5", {"x": "a", "y": "a", "z": "a"}, [False]),
    ]
    space = build_space(study)
    prior = Prior()

    def marginal(rate, k, n):
        return sum(w * math.exp(betaln(a + k, b + n - k) - betaln(a, b)) for w, a, b in rate.parts)

    want = []
    for h in range(space.count):
        counts = {True: [0, 0], False: [0, 0]}
        boots = [(t.setup, t.failures, t.boots) for t in trials]
        if reference and h != space.count - 2:
            boots.append((reference, 0, 3))
        for setup, failures, number in boots:
            inside = sum(c.holds(setup) for c in space.conditions(h)) >= space.needs(h)
            if h == space.count - 3 and setup == reference:
                inside = False
            counts[inside][0] += failures
            counts[inside][1] += number
        if h == space.count - 1:
            like = marginal(prior.in_between, *counts[True])
        elif h >= space.count - 3:
            like = marginal(prior.always, *counts[True]) * marginal(prior.working, *counts[False])
        else:
            like = marginal(prior.failing, *counts[True]) * marginal(prior.working, *counts[False])
        want.append(like * math.exp(space.log_prior[h]))
    want = np.array(want) / sum(want)
    weight = update(space, trials).weight
    np.testing.assert_allclose(weight / weight.sum(), want, rtol=1e-9)


@settings(deadline=None, max_examples=25)
@given(st.permutations(range(8)), st.lists(st.booleans(), min_size=8, max_size=8))
def test_order_and_grouping_of_boots_do_not_matter(order, results):
    """The same boots in another order, or gathered into trials, weigh the causes in the setup alike."""
    study = small_study()
    setups = list(study.setups())
    space = build_space(study)
    one = [trial_of(str(i), setups[i % 5], [results[i]]) for i in range(8)]
    gathered = [trial_of(str(s), setups[s], [results[i] for i in range(8) if i % 5 == s]) for s in range(5)]

    def weighed(trials):
        weight = update(space, trials).weight
        return weight / weight.sum()

    np.testing.assert_allclose(weighed([one[i] for i in order]), weighed(one), rtol=1e-9, atol=1e-300)
    np.testing.assert_allclose(weighed(gathered), weighed(one), rtol=1e-9, atol=1e-300)


def test_a_condition_does_not_pay_for_being_rare():
    """After one failure, single conditions true of the setup weigh alike, however many levels a factor has."""
    study = small_study()
    space = build_space(study)
    setup = {"x": "a", "y": "a", "z": "a"}
    weight = update(space, [trial_of("1", setup, [False])]).weight
    single = {space.conditions(h)[0]: weight[h] for h in range(space.count - 3) if len(space.conditions(h)) == 1}
    assert single[Condition("x", "is", "a")] == pytest.approx(single[Condition("y", "is", "a")])
    pairs = [
        weight[h]
        for h in range(space.count - 3)
        if len(space.conditions(h)) == 2
        and not space.any_form[h]
        and all(c.relation == "is" and c.level == "a" for c in space.conditions(h))
    ]
    assert len(pairs) == 3
    assert max(pairs) < single[Condition("x", "is", "a")], "a further condition is paid for"


def test_known_good_reference_counts_against_what_holds_there():
    """A declared reference is unseen good boots: explanations true of it lose, 'the test misleads' does not."""
    good = {"x": "b", "y": "b", "z": "b"}
    trials = [trial_of("1", {"x": "a", "y": "b", "z": "a"}, [False, False])]
    plain, known = (update(build_space(s), trials) for s in (small_study(), small_study(reference=good)))
    space = plain.space
    row = next(h for h in range(space.count) if space.conditions(h) == (Condition("y", "is", "b"),))
    x = next(h for h in range(space.count) if space.conditions(h) == (Condition("x", "is", "a"),))
    misleads = space.count - 2
    assert known.weight[row] / known.weight[x] < plain.weight[row] / plain.weight[x] / 20
    assert known.weight[misleads] / known.weight[x] == pytest.approx(plain.weight[misleads] / plain.weight[x], rel=0.6)


def test_evidence_moves_only_what_it_names():
    """Odds of 5 for one level multiply explanations true of that level by 5, against the others."""
    study = small_study()
    space = build_space(study)
    moved = build_space(study, evidence=[Evidence("scan", 5, factor="y", level="b")])
    gain = np.exp(moved.log_prior - space.log_prior)
    for h in range(space.count):
        named = any(
            "y" in (c.factor, c.other) and (c.other is not None or c.holds({"y": "b"})) for c in space.conditions(h)
        )
        assert gain[h] / gain[-1] == pytest.approx(5 if named else 1)
    special = build_space(study, evidence=[Evidence("doubt", 3, special="misleads")])
    gain = np.exp(special.log_prior - space.log_prior)
    assert gain[-2] / gain[0] == pytest.approx(3)


@pytest.mark.parametrize(
    "make",
    [
        lambda: Evidence("x", 0, factor="a"),
        lambda: Evidence("x", 2),
        lambda: Evidence("x", 2, factor="a", special="nothing"),
        lambda: Evidence("x", 2, special="luck"),
        lambda: build_space(small_study(), evidence=[Evidence("x", 2, factor="q")]),
        lambda: build_space(small_study(), evidence=[Evidence("x", 2, factor="y", level="q")]),
    ],
)
def test_evidence_that_names_nothing_is_refused(make):
    """Odds of zero, no target, two targets, an unknown one: UsageError."""
    with pytest.raises(UsageError):
        make()


def test_large_studies_lose_the_richest_forms_first_and_say_so():
    """24 factors of 12 levels stay within the cap; what is left out is named; single conditions stay."""
    study = Study("big", tuple(Factor(f"f{i}", tuple(map(str, range(12)))) for i in range(24)))
    space = build_space(study)
    assert space.count <= HYPOTHESIS_CAP + 3
    assert "three conditions" in space.left_out
    assert sum(len(space.conditions(h)) == 1 for h in range(24 * 24)) == 24 * 24


def test_factors_with_one_level_explain_nothing():
    """No condition names them; the special explanations remain."""
    space = build_space(Study("one", (Factor("only", ("a",)), Factor("too", ("b",)))))
    assert space.count == 3
    space = build_space(Study("one", (Factor("only", ("a",)), Factor("x", ("b", "c")))))
    assert {c.factor for h in range(space.count) for c in space.conditions(h)} == {"x"}


def test_rising_factorials_against_gamma():
    """log a(a+1)...(a+i-1) = gammaln(a+i) - gammaln(a) (scipy)."""
    from benchd.inference.rates import _rising

    for a, i in itertools.product((0.5, 1, 18.0), (0, 1, 7, 200)):
        assert _rising(a, 200)[i] == pytest.approx(gammaln(a + i) - gammaln(a), abs=1e-9)
