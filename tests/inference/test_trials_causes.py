"""What `why` concludes from trials: causes, classes, groups, and when a part must not be ordered yet."""

from __future__ import annotations

import time

import numpy as np
import pytest
from inference.counts import trial_of

from benchd.errors import UsageError
from benchd.inference.causes import weigh
from benchd.inference.hypotheses import build_space
from benchd.inference.ordering import RIVAL_LIMIT, _same_part
from benchd.inference.study import Condition, Evidence, Exclusion, Factor, Study

CARD = Factor("card", ("grey", "green"), kind="card")
BASE = Factor("base", ("C800", "D800"), kind="jumper")
MACHINE = Factor("machine", ("left", "right"), kind="machine")
IMAGE = Factor("image", ("first", "second", "late"), kind="image")
FACTORS = (CARD, BASE, MACHINE, IMAGE)
GOOD = {"card": "green", "base": "D800", "machine": "right", "image": "second"}


def setup(card="grey", base="C800", machine="left", image="first"):
    return {"card": card, "base": base, "machine": machine, "image": image}


def trials(*rows):
    return [trial_of(f"t{i}", s, results) for i, (s, results) in enumerate(rows, 1)]


OK, BAD = [True, True], [False, False]
BAD_CARD_ROWS = (
    (setup(), BAD),
    (setup("green"), OK),
    (setup(base="D800"), BAD),
    (setup(machine="right", image="late"), BAD),
    (setup("green", "D800", "right"), OK),
    (setup(image="second"), BAD),
    (setup("green", "D800", image="late"), OK),
)
BAD_CARD = trials(*BAD_CARD_ROWS)
TWICE = trials(*BAD_CARD_ROWS, *BAD_CARD_ROWS)
"""The same evening once more, in its order: what goes by order or openings goes by chance."""


def test_a_bad_card_is_named_with_its_class_and_the_trials_behind_it():
    """Failing with the card whatever else changes, working without: the card, in the words of the trade."""
    why = weigh(Study("s", FACTORS), TWICE)
    lead = why.causes[0]
    assert lead.conditions == (Condition("card", "is", "grey"),)
    assert lead.cause_class == "bad card"
    assert why.separated and lead.probability > 0.9
    assert {s.trial for s in lead.supports} == {f"t{i}" for i in range(1, 15)}
    assert lead.against == ()
    assert not why.ordering.premature and why.ordering.part == "card is grey"


def test_a_conflict_of_two_is_not_a_bad_card():
    """The card fails only at one base: 'conflict of parts', and no part is to be ordered."""
    rows = trials(
        (setup(), BAD),
        (setup("green"), OK),
        (setup(base="D800"), OK),
        (setup(machine="right", image="late"), BAD),
        (setup("green", "D800"), OK),
        (setup(), BAD),
        (setup("green", machine="right", image="late"), OK),
        (setup(base="D800", image="second"), OK),
        (setup(image="second"), BAD),
    )
    rows = [trial_of(f"{t.name}/{turn}", t.setup, [t.successes > 0] * 2) for turn in range(5) for t in rows]
    why = weigh(Study("s", FACTORS), rows)
    assert set(why.causes[0].conditions) == {Condition("card", "is", "grey"), Condition("base", "is", "C800")}
    assert why.causes[0].cause_class == "conflict of parts"
    assert why.separated
    assert why.ordering.premature


def test_an_exception_is_worded_unless():
    """Fails with the card unless the late image is in it."""
    rows = trials(
        (setup(), BAD),
        (setup(image="second"), BAD),
        (setup(image="late"), OK),
        (setup("green"), OK),
        (setup("green", image="second"), OK),
        (setup(base="D800", machine="right"), BAD),
        (setup(base="D800", image="late"), OK),
        (setup("green", image="late"), OK),
        (setup(machine="right", image="second"), BAD),
    )
    lead = weigh(Study("s", FACTORS), rows).causes[0]
    assert set(lead.conditions) == {Condition("card", "is", "grey"), Condition("image", "is not", "late")}
    assert lead.text == "it fails when card is grey, unless image is late"


def test_a_trial_that_contradicts_a_cause_is_listed_against_it():
    """The machine is blamed at first; the trial with the other card in it speaks against that."""
    why = weigh(Study("s", FACTORS), BAD_CARD[:2])
    rival = next(c for c in why.causes if c.conditions == (Condition("machine", "is", "left"),))
    assert [s.trial for s in rival.against] == ["t2"]
    assert rival.against[0].words.startswith("failed 0 of 2, this cause expects ")
    assert rival.probability < why.causes[0].probability / 4


def test_an_exception_never_tried_stays_open():
    """Where one image was never tried with the card, 'unless that image' keeps its share."""
    why = weigh(Study("s", FACTORS), BAD_CARD[:5] * 5)
    assert why.causes[1].text == "it fails when card is grey, unless image is second"
    assert not why.separated


def test_one_failing_trial_separates_nothing():
    """Everything true of the only failing setup is one group, and the verdict says so."""
    why = weigh(Study("s", FACTORS), trials((setup(), BAD)))
    assert not why.separated
    assert len({c.group for c in why.causes if c.special is None and c.expects_failure(setup())}) == 1
    assert "cannot separate" in why.verdict
    assert why.ordering.premature and why.ordering.rival_share > RIVAL_LIMIT
    assert f"order when under {RIVAL_LIMIT:.0%}".replace("%", " %") in why.ordering.sentence


@pytest.mark.parametrize("number", [1, 2, 3, 7])
def test_groups_are_equal_predictions_in_all_trials_so_far(number):
    """Two causes share a group exactly when they predict the same of each setup tried."""
    study = Study("s", FACTORS)
    why = weigh(study, BAD_CARD[:number])
    if number == 1:
        assert any(c.special == "intermittent" for c in why.causes)

    def predicts(c):
        # What goes by order or time, or is in between, predicts the setups tried in a way of its own.
        alone = c.special if c.special not in (None, "nothing", "misleads") else ""
        return (alone, *[bool(c.special) or c.expects_failure(t.setup) for t in BAD_CARD[:number]])

    for a in why.causes:
        for b in why.causes:
            assert (a.group == b.group) == (predicts(a) == predicts(b)), (a.text, b.text)
    assert sum(g.probability for g in why.groups) <= 1 + 1e-9
    for g in why.groups:
        assert g.probability >= sum(c.probability for c in why.causes if c.group == g.group) - 1e-9


def test_causes_come_in_falling_order_and_never_hold_more_than_all():
    why = weigh(Study("s", FACTORS), BAD_CARD[:3])
    p = [c.probability for c in why.causes]
    assert p == sorted(p, reverse=True) and sum(p) <= 1 + 1e-9


def test_failing_everywhere_the_known_good_setup_too_means_the_test_misleads():
    """Before the reference was booted the two wide explanations cannot be told apart; after it they can."""
    study = Study("s", FACTORS, reference=GOOD)
    rows = [
        (setup(), BAD),
        (setup("green", "C800", "left", "second"), BAD),
        (setup("grey", "D800", "right"), BAD),
        (setup("green", "D800", "right", "late"), BAD),
    ]
    before = weigh(study, trials(*rows))
    assert not before.separated
    assert {c.special for c in before.causes[:2]} == {"misleads", "nothing"}
    assert "known-good" in before.verdict
    after = weigh(study, trials(*rows, *[(GOOD, BAD), *rows] * 8))
    assert after.causes[0].probability > 0.9 and after.causes[0].special == "misleads"
    assert after.causes[0].cause_class == "misleading test"


def test_without_a_reference_misleading_test_and_nothing_tried_stay_unseparated():
    """Failing everywhere, no reference named: never a verdict between the two."""
    rows = trials(*[(s, BAD) for s in Study("s", FACTORS).setups()])
    why = weigh(Study("s", FACTORS), rows)
    assert not why.separated
    assert {c.special for c in why.causes[:2]} == {"misleads", "nothing"}


def test_failing_now_and_then_everywhere_is_intermittent():
    """Half of the boots fail in every setup: one rate in between, whatever is changed."""
    half = [True, False, False, True, True, False]
    why = weigh(Study("s", FACTORS), trials(*[(s, half) for s in Study("s", FACTORS).setups()]))
    assert why.causes[0].special == "intermittent" and why.causes[0].probability > 0.8 and why.unlisted > 0.8


def test_nothing_is_concluded_without_boots_or_without_failures():
    study = Study("s", FACTORS)
    assert weigh(study, []).verdict.startswith("No boots")
    assert not weigh(study, []).separated
    fine = weigh(study, trials((setup(), OK), (setup("green"), OK)))
    assert "nothing to explain" in fine.verdict and not fine.separated and fine.ordering.premature


def test_a_card_tried_in_one_machine_is_not_condemned():
    """Common practice, no source: try the card in another machine before condemning it."""
    rows = trials(
        (setup(), BAD * 3),
        (setup("green"), OK * 3),
        (setup(base="D800", image="late"), BAD * 3),
        (setup("green", "D800", image="second"), OK * 3),
        (setup(base="D800", image="second"), BAD * 3),
        (setup("green", "D800", image="late"), OK * 3),
    )
    study = Study("s", (CARD, BASE, IMAGE))
    rows = [
        trial_of(f"{t.name}/{turn}", {k: v for k, v in t.setup.items() if k != "machine"}, [t.successes > 0] * t.boots)
        for turn in range(3)
        for t in rows
    ]
    why = weigh(study, rows)
    assert why.causes[0].cause_class == "bad card" and why.causes[0].probability > 0.9
    assert why.ordering.premature and "only one machine" in why.ordering.sentence


def test_only_explanations_that_need_this_very_card_count_for_ordering_it():
    """'Is grey' and 'is not green' blame the grey card; 'is green' and 'is not grey' do not."""
    grey = Condition("card", "is", "grey")
    assert _same_part(grey, grey) and _same_part(Condition("card", "is not", "green"), grey)
    assert not _same_part(Condition("card", "is", "green"), grey)
    assert not _same_part(Condition("card", "is not", "grey"), grey)


def test_causes_that_no_allowed_setup_tells_apart_count_as_one():
    """Two factors that may only change together: separated as a pair, both named."""
    tied = tuple(
        Exclusion((Condition("card", "is", c), Condition("base", "is", b)), "one connector")
        for c, b in (("grey", "D800"), ("green", "C800"))
    )
    study = Study("s", FACTORS, exclusions=tied)
    rows = trials(
        (setup(), BAD),
        (setup("green", "D800"), OK),
        (setup(machine="right", image="late"), BAD),
        (setup("green", "D800", "right", "late"), OK),
        (setup(image="second"), BAD),
        (setup("green", "D800"), OK),
        (setup(machine="right"), BAD),
        (setup("green", "D800", "left", "second"), OK),
    )
    why = weigh(study, rows)
    lead = why.causes[0]
    assert lead.probability < 0.95 and why.separated
    assert "no allowed setup tells these apart" in why.verdict
    same = {why.causes[i].conditions for i in lead.indistinguishable} | {lead.conditions}
    assert {(Condition("card", "is", "grey"),), (Condition("base", "is", "C800"),)} <= same
    space = build_space(study)
    row = next(h for h in range(space.count) if space.conditions(h) == lead.conditions and not space.any_form[h])
    every = space.holds(space.encode(list(study.setups())))
    assert {space.conditions(int(h)) for h in np.flatnonzero((every == every[row]).all(axis=1))} >= same


def test_each_factor_gets_the_weight_of_explanations_that_name_it():
    """A factor shown not to matter: the card nearly certain, the machine nearly out."""
    why = weigh(Study("s", FACTORS), TWICE)
    matters = {one.factor: one.matters for one in why.factors}
    assert matters["card"] > 0.95 and matters["machine"] < 0.1


def test_more_of_the_same_evidence_never_weakens_the_true_cause():
    study = Study("s", FACTORS)
    p = [weigh(study, BAD_CARD * n).causes[0].probability for n in (1, 2, 5)]
    assert p[0] < p[1] and min(p[1:]) > 0.95


def test_evidence_besides_boots_shifts_the_order_and_is_named():
    """ROM prediction and boot disagree: odds on the image put it first among equals."""
    study = Study("s", FACTORS)
    why = weigh(study, trials((setup(), BAD)), evidence=[Evidence("prediction and boot disagree", 6, factor="image")])
    assert why.causes[0].conditions == (Condition("image", "is", "first"),)
    assert why.evidence == ("prediction and boot disagree",)


def test_json_has_the_contract_keys():
    """causes [{conditions, probability, class, group}], separated, verdict, boots."""
    out = weigh(Study("s", FACTORS), TWICE).to_json()
    assert {"causes", "separated", "verdict", "boots"} <= set(out)
    cause = out["causes"][0]
    assert {"conditions", "probability", "class", "group", "supports", "against"} <= set(cause)
    assert cause["conditions"] == [{"factor": "card", "relation": "is", "level": "grey", "other": None, "levels": []}]
    assert out["boots"] == 28 and out["separated"] is True


def test_a_setup_that_does_not_fit_is_refused():
    with pytest.raises(UsageError, match="blue"):
        weigh(Study("s", FACTORS), trials((setup("blue"), BAD)))


@pytest.mark.parametrize("number", [1, 7, 200])
def test_eight_factors_of_three_levels_are_weighed_in_a_second(number):
    """`why` on 8 factors, 3 levels, up to 200 boots: under 1 s, and right with all of them."""
    rng = np.random.default_rng(4)
    study = Study("big", tuple(Factor(f"f{i}", ("a", "b", "c")) for i in range(8)))
    rows = []
    for i in range(number):
        s = {f.name: str(rng.choice(f.levels)) for f in study.factors}
        fails = rng.random() < (0.95 if s["f0"] == "a" and s["f1"] == "b" else 0.03)
        rows.append(trial_of(f"t{i}", s, [not fails]))
    began = time.process_time()
    why = weigh(study, rows)
    assert time.process_time() - began < 1.0
    if number == 200:
        assert set(why.causes[0].conditions) == {Condition("f0", "is", "a"), Condition("f1", "is", "b")}
        assert why.separated
