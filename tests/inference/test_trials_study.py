"""Studies refuse what does not fit, tell what changed between setups, and find repeats."""

from __future__ import annotations

import pytest

from benchd.errors import UsageError
from benchd.inference.kinds import KINDS, infer_kind
from benchd.inference.next_trial import propose
from benchd.inference.study import (
    MAX_FACTORS,
    MAX_LEVELS,
    Condition,
    Exclusion,
    Factor,
    Goal,
    Study,
    TrialCounts,
)

CARD = Factor("card", ("grey", "green"), kind="card", minutes=9)
BASE = Factor("base", ("C800", "D800"), kind="jumper", level_minutes={"D800": 3})
STUDY = Study("s", (CARD, BASE), exclusions=(Exclusion((Condition("base", "is not", "C800"),), "taken"),))


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: Factor("", ("a",)), "0 characters"),
        (lambda: Factor("f", ()), "0 levels"),
        (lambda: Factor("f", tuple(str(i) for i in range(MAX_LEVELS + 1))), f"{MAX_LEVELS + 1} levels"),
        (lambda: Factor("f", ("a", "a")), "twice"),
        (lambda: Factor("f", ("a",), kind="gadget"), "gadget"),
        (lambda: Factor("f", ("a",), minutes=-1), "-1"),
        (lambda: Factor("f", ("a",), minutes=float("nan")), "nan"),
        (lambda: Factor("f", ("a",), level_minutes={"b": 1}), "no level"),
        (lambda: Goal("win"), "win"),
        (lambda: Goal("stage-reached"), "target"),
        (lambda: Goal("stage-faster", "x"), "limit"),
        (lambda: TrialCounts("t", {}, 3, 2), "3 of 2"),
        (lambda: TrialCounts("t", {}, 0, 0, {"c": (2, 1)}), "2 of 1"),
        (lambda: Study("s", ()), "0 factors"),
        (lambda: Study("s", tuple(Factor(str(i), ("a",)) for i in range(MAX_FACTORS + 1))), "factors"),
        (lambda: Study("s", (CARD, CARD)), "twice"),
        (lambda: Study("s", (CARD,), boot_minutes=0), "minutes a boot"),
        (lambda: Study("s", (CARD,), reference={"card": "blue"}), "blue"),
        (lambda: Study("s", (CARD,), exclusions=(Exclusion((), "r"),)), "no conditions"),
        (lambda: Study("s", (CARD,), exclusions=(Exclusion((Condition("x", "is", "y"),), "r"),)), "no factor"),
        (lambda: Study("s", (CARD,), exclusions=(Exclusion((Condition("card", "in", "grey"),), ""),)), "'in'"),
        (lambda: STUDY.check_setup({"card": "grey"}), "nothing about factor 'base'"),
        (lambda: STUDY.check_setup({"card": "grey", "base": "C800", "slot": "1"}), "slot"),
        (lambda: STUDY.check_trials([TrialCounts("t9", {"card": "red", "base": "C800"}, 0, 1)]), "t9"),
    ],
)
def test_what_does_not_fit_is_refused_with_the_culprit_named(make, says):
    """A UsageError, and its message names the offending value."""
    with pytest.raises(UsageError, match=says):
        make()


@pytest.mark.parametrize(("said", "off"), [({}, True), ({"in_place": True}, False), ({"moves_hardware": False}, False)])
def test_a_chip_is_swapped_with_the_power_off_unless_it_is_written_in_place(said, off):
    """The first step, the ranking and the change itself agree: the caution below would come too late."""
    study = Study("s", (Factor("eprom", ("v1", "v2"), kind="image", **said),), goal=Goal("result-ok"))
    seen = [TrialCounts("T1", {"eprom": "v1"}, 0, 1)]
    (best, *_) = [one for one in propose(study, seen).ranked if one.changes]
    (change,) = study.changes({"eprom": "v1"}, {"eprom": "v2"})
    assert change.hardware == off == (best.caution is not None)
    assert best.steps[0] == ("Power off, unplug, then change eprom: v1 to v2." if off else "Change eprom: v1 to v2.")


def test_changes_name_factors_minutes_and_hardware():
    """Minutes come from the level when given, else the factor, else the kind."""
    (card, base) = STUDY.changes({"card": "grey", "base": "C800"}, {"card": "green", "base": "D800"})
    assert (card.before, card.after, card.minutes, card.hardware) == ("grey", "green", 9, True)
    assert (base.minutes, base.hardware) == (3, True)
    assert (
        STUDY.changes({"card": "grey", "base": "D800"}, {"card": "grey", "base": "C800"})[0].minutes
        == KINDS["jumper"][1]
    )
    assert STUDY.changes({"card": "grey", "base": "C800"}, {"card": "grey", "base": "C800"}) == ()


def test_excluded_setups_are_left_out_and_say_why():
    """`setups` yields only what is allowed; `excluded` gives the reason."""
    assert [s["base"] for s in STUDY.setups()] == ["C800", "C800"]
    assert STUDY.excluded({"card": "grey", "base": "D800"}) == "taken"
    assert STUDY.size() == 4


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("card", "card"),
        ("Storage_card", "card"),
        ("card jumper", "jumper"),
        ("JP3", "jumper"),
        ("rom base", "jumper"),
        ("boot_device", "bios-setting"),
        ("BIOS", "bios-setting"),
        ("ROM image", "image"),
        ("ISA slot", "slot"),
        ("video adapter", "adapter"),
        ("machine", "machine"),
        ("test program", "test"),
        ("ribbon cable", "cable"),
        ("colour", "other"),
        ("", "other"),
    ],
)
def test_kind_is_inferred_from_the_name_of_a_column(name, kind):
    """Common practice, no source: what a word in a factor's name usually means on a bench."""
    assert infer_kind(name) == kind
