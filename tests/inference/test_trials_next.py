"""What `next` proposes: information per minute, allowed setups, cautions, steps and when to stop."""

from __future__ import annotations

import math
import time

import numpy as np
import pytest
from inference.counts import trial_of
from scipy.stats import entropy as scipy_entropy

from benchd.errors import UsageError
from benchd.inference.candidates import ATTENTION_MINUTES, RESEAT_MINUTES, entropy
from benchd.inference.hypotheses import build_space, update
from benchd.inference.lookahead import FIRST_MOST
from benchd.inference.next_trial import _different, propose, rank
from benchd.inference.setups import SETUP_CAP, allowed, named
from benchd.inference.study import Condition, Exclusion, Factor, Study

CARD = Factor("card", ("grey", "green"), kind="card", minutes=10)
BASE = Factor("base", ("C800", "D800"), kind="jumper", minutes=6)
BOOT = Factor("boot-device", ("first", "second", "third"), kind="bios-setting", minutes=2)
STUDY = Study("s", (CARD, BASE, BOOT), boot_minutes=4)
HERE = {"card": "grey", "base": "C800", "boot-device": "first"}
FAILED = [trial_of("t1", HERE, [False, False])]


def test_gain_is_the_mutual_information_of_explanation_and_result():
    """Equal to sum over results and causes of p log(p / (p p)), written out with scipy's entropy.

    A kind of rival is one cause, and a condition is one cause, alone or with rivals beside it.
    """
    space = build_space(STUDY)
    posterior = update(space, FAILED)
    here = space.encode([HERE])[0]
    grid = allowed(STUDY, here)
    bits, fail, minutes, _ = rank(posterior, here, grid, 4.0)
    bases = posterior.rivals.bases
    single = [space.literals.conditions[i] for i in space.single]
    for i in range(len(grid)):
        setup = named(STUDY, grid[i])
        inside = space.holds(grid[i : i + 1])[:, 0]
        p = np.where(inside, posterior.p_in, posterior.p_out)
        opened = any(setup[f.name] != HERE[f.name] for f in (CARD, BASE))
        chance = posterior.rivals.chance(opened, (minutes[i] - 4.0) * 60 if opened else math.nan)
        failing = np.bincount(np.arange(space.count), posterior.weight * p)
        total = posterior.weight.copy()
        for b, condition in enumerate([*single, *single], 1):
            shows = condition.holds(setup) == (b <= len(single))
            at = space.single_rows[(b - 1) % len(single)]
            weight = posterior.rival_weight[b]
            failing[at] += (weight * (chance[b] if shows else bases.elsewhere[b])).sum()
            total[at] += weight.sum()
        kinds = posterior.rivals.grid.kind
        failing = np.concatenate([failing, np.bincount(kinds, posterior.rival_weight[0] * chance[0])])
        total = np.concatenate([total, np.bincount(kinds, posterior.rival_weight[0])])
        joint = np.stack([failing, total - failing])
        want = (
            scipy_entropy(joint.sum(axis=0), base=2)
            + scipy_entropy(joint.sum(axis=1), base=2)
            - scipy_entropy(joint.ravel(), base=2)
        )
        # The lightest 0.05 % of the explanations are left out of the sum.
        assert bits[i] == pytest.approx(want, abs=2e-3)
        assert fail[i] == pytest.approx(joint[0].sum(), abs=2e-3)


def test_entropy_of_a_fair_coin_is_one_bit():
    """Shannon 1948: one bit at one half, nothing at a certainty."""
    np.testing.assert_allclose(entropy(np.array([0.5, 0.0, 1.0, 0.11])), [1, 0, 0, 0.49992], atol=1e-4)


def test_ranked_by_bits_per_minute():
    """The order is the gain over the minutes, falling, but for the first ones, which are looked at two trials ahead.

    Minutes are the changes plus one boot; two more count for each trial when they are ranked.
    """
    proposal = propose(STUDY, FAILED, limit=20)
    rates = [round(t.gain_bits / (t.minutes + ATTENTION_MINUTES), 9) for t in proposal.ranked]
    later = rates[FIRST_MOST:]
    assert len(later) > 3 and later == sorted(later, reverse=True)
    assert min(rates[:FIRST_MOST]) >= later[0]
    for t in proposal.ranked:
        more = RESEAT_MINUTES if t.reseat else (t.rest_s or 0.0) / 60
        assert t.minutes == sum(c.minutes for c in t.changes) + more + 4
        assert 0 <= t.gain_bits <= 1
        assert [c.factor for c in t.changes] == [f for f in HERE if t.setup[f] != HERE[f]]


def test_minutes_are_those_of_the_level_changed_to():
    """Setting the third device takes 30 minutes, setting it back two."""
    boot = Factor("boot-device", BOOT.levels, kind="bios-setting", minutes=2, level_minutes={"third": 30})
    study = Study("s", (CARD, BASE, boot), boot_minutes=4)
    there = {**HERE, "boot-device": "third"}
    to = {t.setup["boot-device"]: t.minutes for t in propose(study, FAILED, limit=50).ranked if len(t.changes) == 1}
    back = {
        t.setup["boot-device"]: t.minutes for t in propose(study, FAILED, there, limit=50).ranked if len(t.changes) == 1
    }
    assert to["third"] == 34 and to["second"] == 6
    assert back["first"] == 6 and back["second"] == 6


def test_setups_that_would_tell_the_same_are_shown_once():
    """Columns of predictions: the second like the first and the fourth like the third are dropped, unless reseated."""
    inside = np.array([[1, 1, 0, 0, 1], [0, 0, 1, 1, 1]], dtype=bool)
    way = [(False, False, -1.0)] * 5
    assert _different(inside, way, 5) == [0, 2, 4]
    assert _different(inside, way, 2) == [0, 2]
    assert _different(inside, [*way[:3], (True, True, -1.0), way[4]], 5) == [0, 2, 3, 4]


def test_the_cheap_setting_is_tried_before_the_card_is_moved():
    """Equal information, less work: the setting comes first."""
    first = propose(STUDY, FAILED).ranked[0]
    assert {c.factor for c in first.changes} == {"boot-device"}
    dear = Study("s", (CARD, BASE, Factor("boot-device", BOOT.levels, kind="bios-setting", minutes=500)))
    assert "boot-device" not in {c.factor for c in propose(dear, FAILED).ranked[0].changes}


def test_power_off_caution_exactly_when_hardware_moves():
    """ISA is not hot-plug (common practice, no source): power off and unplug."""
    for t in propose(STUDY, FAILED, limit=20).ranked:
        moves = t.reseat or any(c.factor in ("card", "base") for c in t.changes)
        assert (t.caution is not None) == moves
        if moves:
            assert "unplug" in t.caution and "unplug" in t.steps[0]
        assert 2 <= len(t.steps) <= 3


def test_repeating_the_current_setup_is_among_the_candidates():
    """One result says little: to repeat is ranked too, and costs a boot only."""
    doubtful = [trial_of("t1", HERE, [False]), trial_of("t2", {**HERE, "base": "D800"}, [True])]
    ranked = propose(STUDY, doubtful, limit=20).ranked
    again = next(t for t in ranked if t.repeat)
    assert again.setup == {**HERE, "base": "D800"} and again.minutes == 4 and again.gain_bits > 0


def test_excluded_and_colliding_setups_are_never_proposed():
    """Exclusions of the study and predicted collisions are left out, the latter with count and reason."""
    study = Study(
        "s", STUDY.factors, exclusions=(Exclusion((Condition("boot-device", "is", "third"),), "no such drive"),)
    )
    collide = Exclusion((Condition("card", "is", "green"), Condition("base", "is", "D800")), "ROMs overlap")
    proposal = propose(study, FAILED, leave_out=[collide], limit=50)
    assert all(t.setup["boot-device"] != "third" for t in proposal.ranked)
    assert all(not collide.holds(t.setup) for t in proposal.ranked)
    assert proposal.left_out == ("2 left out: ROMs overlap",)
    with pytest.raises(UsageError, match="every setup"):
        propose(study, FAILED, leave_out=[Exclusion((Condition("card", "is", x),), "all") for x in CARD.levels])
    with pytest.raises(UsageError):
        propose(study, FAILED, leave_out=[Exclusion((Condition("card", "is", "blue"),), "?")])


def test_what_each_result_would_tell_is_bayes_of_the_next_boot():
    """Leads after a result equal weighing with that result added, rates aside; chances add to one."""
    best = propose(STUDY, FAILED).ranked[0]
    assert best.if_ok.chance + best.if_fail.chance == pytest.approx(1)
    space = build_space(STUDY)
    for result, outlook in ((True, best.if_ok), (False, best.if_fail)):
        after = update(space, [*FAILED, trial_of("t2", best.setup, [result])])
        assert outlook.leads[0].probability == pytest.approx(after.folded.max(), abs=0.03)
    assert len(best.if_ok.leads) == 3


def test_stops_when_one_explanation_holds_and_when_nothing_tells_more():
    """Both ends are said in words; in between the current lead is given."""
    sure = [
        trial_of("a", HERE, [False] * 4),
        trial_of("b", {**HERE, "base": "D800"}, [True] * 4),
        trial_of("c", {"card": "green", "base": "C800", "boot-device": "second"}, [False] * 4),
        trial_of("d", {"card": "green", "base": "D800", "boot-device": "third"}, [True] * 4),
        trial_of("e", {"card": "grey", "base": "C800", "boot-device": "third"}, [False] * 4),
        trial_of("f", {"card": "green", "base": "D800", "boot-device": "first"}, [True] * 4),
        trial_of("g", {"card": "grey", "base": "D800", "boot-device": "second"}, [True] * 4),
    ]
    sure = [trial_of(f"{t.name}{turn}", t.setup, [t.successes > 0] * 4) for turn in range(3) for t in sure]
    assert propose(STUDY, sure).stop and "base is C800" in propose(STUDY, sure).advice
    assert not propose(STUDY, FAILED).stop
    every = [trial_of(str(i), s, [False] * 6) for i, s in enumerate(STUDY.setups())]
    end = propose(STUDY, every)
    assert end.stop and "known-good" in end.advice


def test_starts_from_reference_or_first_allowed_setup_when_nothing_was_tried():
    ref = {"card": "green", "base": "D800", "boot-device": "third"}
    assert (
        next(t for t in propose(Study("s", STUDY.factors, reference=ref), [], limit=50).ranked if t.repeat).setup == ref
    )
    blocked = Study("s", STUDY.factors, exclusions=(Exclusion((Condition("card", "is", "grey"),), "lent"),))
    assert all(t.setup["card"] == "green" for t in propose(blocked, [], limit=50).ranked)
    nothing = Study("s", (CARD,), exclusions=tuple(Exclusion((Condition("card", "is", x),), "r") for x in CARD.levels))
    with pytest.raises(UsageError, match="forbid every setup"):
        propose(nothing, [])


def test_json_is_a_list_with_the_contract_keys():
    """[{setup, changes, minutes, gain_bits, caution}]."""
    out = propose(STUDY, FAILED).to_json()["next"]
    assert isinstance(out, list) and 1 <= len(out) <= 5
    for item in out:
        assert {"setup", "changes", "minutes", "gain_bits", "caution"} <= set(item)
        assert set(item["setup"]) == set(HERE)


@pytest.mark.parametrize("limit", [0, 101, -3])
def test_limits_outside_the_range_are_refused(limit):
    with pytest.raises(UsageError, match=str(limit)):
        propose(STUDY, FAILED, limit=limit)


def test_large_studies_look_at_the_nearest_setups_only():
    """More setups than the cap: those fewest changes away, the current one first, none twice."""
    study = Study("big", tuple(Factor(f"f{i}", ("a", "b", "c", "d")) for i in range(10)))
    here = np.zeros(10, dtype=np.int64)
    grid = allowed(study, here)
    assert len(grid) == SETUP_CAP == len(np.unique(grid, axis=0))
    assert (grid[0] == here).all()
    away = (grid != here).sum(axis=1)
    assert (np.diff(away) >= 0).all()
    assert named(study, grid[1])["f0"] == "b"


@pytest.mark.parametrize("number", [0, 1, 9, 200])
def test_eight_factors_of_three_levels_are_ranked_in_two_seconds(number):
    rng = np.random.default_rng(5)
    study = Study("big", tuple(Factor(f"f{i}", ("a", "b", "c")) for i in range(8)))
    rows = []
    for i in range(number):
        s = {f.name: str(rng.choice(f.levels)) for f in study.factors}
        fails = rng.random() < (0.95 if s["f0"] == "a" and s["f1"] == "b" else 0.03)
        rows.append(trial_of(f"t{i}", s, [not fails]))
    began = time.process_time()
    proposal = propose(study, rows)
    assert time.process_time() - began < 2.0
    assert proposal.ranked and all(math.isfinite(t.gain_bits) for t in proposal.ranked)
