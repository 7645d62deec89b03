"""Checks across setups: the card, the machine, or the test itself."""

from __future__ import annotations

import pytest

from benchd.errors import UsageError
from benchd.inference import checks
from benchd.inference.causes import weigh
from benchd.inference.checks import compare_checks, suspect_card, trials_for_check
from benchd.inference.study import Condition, Factor, Study, TrialCounts

GOOD = {"card": "green", "machine": "right"}
STUDY = Study(
    "s",
    (Factor("card", ("green", "grey"), kind="card"), Factor("machine", ("left", "right"), kind="machine")),
    reference=GOOD,
)


def trial(name, card, machine, passed, done=3):
    return TrialCounts(name, {"card": card, "machine": machine}, 0, 0, {"video memory": (passed, done)})


def report(*trials, study=STUDY):
    (found,) = compare_checks(study, trials)
    return found


def test_failing_everywhere_the_reference_too_puts_the_test_in_doubt():
    found = report(trial("1", "grey", "left", 0), trial("2", "grey", "right", 0), trial("3", "green", "right", 0))
    assert found.pattern == checks.EVERYWHERE and "the test may mislead" in found.sentence


def test_failing_everywhere_without_the_reference_asks_for_it():
    found = report(trial("1", "grey", "left", 0), trial("2", "green", "left", 0))
    assert found.pattern == checks.EVERYWHERE and "no known-good setup" in found.sentence
    assert "mislead" not in found.sentence
    assert "one setup" in report(trial("1", "grey", "left", 0)).sentence


def test_failing_with_the_card_in_any_machine():
    found = report(
        trial("1", "grey", "left", 0), trial("2", "grey", "right", 0), trial("3", "green", "left", 3),
        trial("4", "green", "right", 3),
    )  # fmt: skip
    assert found.pattern == checks.CARD_ANYWHERE and "2 machines" in found.sentence
    assert (found.with_card.k, found.with_card.n, found.without_card.k) == (0, 6, 6)
    assert found.p == pytest.approx(2 / 924)  # Fisher: 2 / C(12, 6)


def test_failing_with_the_card_only_in_one_machine_is_a_conflict():
    found = report(trial("1", "grey", "left", 0), trial("2", "grey", "right", 3), trial("3", "green", "left", 3))
    assert found.pattern == checks.CARD_HERE and "only in left" in found.sentence and "conflict" in found.sentence


def test_one_machine_is_not_enough_to_tell():
    found = report(trial("1", "grey", "left", 0), trial("3", "green", "left", 3))
    assert found.pattern == checks.CARD_ONE and "only one machine" in found.sentence


def test_failing_without_the_card_too_is_not_the_card():
    found = report(trial("1", "grey", "left", 0), trial("2", "green", "left", 0), trial("3", "green", "right", 3))
    assert found.pattern == checks.WITHOUT and "in 2" in found.sentence


def test_passing_and_mixed_and_not_done():
    assert report(trial("1", "grey", "left", 3)).pattern == checks.PASSES
    mixed = report(trial("1", "grey", "left", 5, 10), trial("2", "green", "left", 10, 10))
    assert mixed.pattern == checks.MIXED and "1 5 of 10" in mixed.sentence
    assert mixed.with_card.low == pytest.approx(0.2366, abs=1e-4)  # Wilson 5/10
    assert report(trial("1", "grey", "left", 0, 0)).pattern == checks.NOT_DONE


def test_repeats_of_a_setup_are_one_cell():
    found = report(trial("1", "grey", "left", 0), trial("2", "grey", "left", 3))
    (cell,) = found.cells
    assert (cell.trials, cell.passed, cell.done, cell.state) == (("1", "2"), 3, 6, "mixed")


def test_something_else_decides_when_one_machine_gives_both():
    study = Study("s", (*STUDY.factors, Factor("base", ("C800", "D800"), kind="jumper")))

    def own(name, card, base, passed):
        return TrialCounts(name, {"card": card, "machine": "left", "base": base}, 0, 0, {"c": (passed, 2)})

    rows = [own("1", "grey", "C800", 0), own("2", "grey", "D800", 2), own("3", "green", "C800", 2)]
    found = compare_checks(study, rows, Condition("card", "is", "grey"))[0]
    assert found.pattern == checks.MIXED and "something else" in found.sentence


def test_the_suspect_is_the_card_that_is_not_the_reference():
    assert suspect_card(STUDY) == Condition("card", "is", "grey")
    assert suspect_card(Study("s", (Factor("x", ("a", "b")),))) is None
    with pytest.raises(UsageError):
        compare_checks(STUDY, [], Condition("card", "is", "blue"))


def test_a_study_without_a_card_still_gives_rates():
    study = Study("s", (Factor("x", ("a", "b")),))
    found = compare_checks(
        study, [TrialCounts("1", {"x": "a"}, 0, 0, {"c": (0, 1)}), TrialCounts("2", {"x": "b"}, 0, 0, {"c": (1, 1)})]
    )
    assert found[0].pattern == checks.MIXED and found[0].with_card is None and found[0].p is None


def test_causes_of_one_check_can_be_weighed():
    """The check's passes stand in for the goal."""
    rows = [
        trial("1", "grey", "left", 0, 6),
        trial("2", "grey", "right", 0, 6),
        trial("3", "green", "left", 6, 6),
    ]
    why = weigh(STUDY, trials_for_check(rows, "video memory"))
    assert why.causes[0].conditions == (Condition("card", "is", "grey"),)
    assert trials_for_check(rows, "other") == ()


def test_json_gives_pattern_rates_and_setups():
    out = report(trial("1", "grey", "left", 0), trial("3", "green", "left", 3)).to_json()
    assert out["check"] == "video memory" and out["setups"][0]["state"] == "fail"
    assert out["with_card"]["k"] == 0
