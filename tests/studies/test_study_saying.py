"""Sentences of a weighing: settled or not and what is missing, what else could be, what would tell."""

from __future__ import annotations

from dataclasses import replace
from typing import get_args

import pytest

from benchd.inference.answers import Fit, Weighing
from benchd.inference.causes import weigh
from benchd.inference.kinds import Special
from benchd.inference.study import Factor, Study, TrialCounts
from benchd.studies.saying import DOUBT_FROM, conclusion, doubts

STUDY = Study("s", (Factor("card", ("grey", "green"), "card"), Factor("slot", ("1", "2"), "slot")))
GREY, GREEN = {"card": "grey", "slot": "1"}, {"card": "green", "slot": "1"}
KINDS = get_args(Special)


def weighed(**changes) -> Weighing:
    """A weighing of two trials, with fields set as told."""
    found = weigh(STUDY, [TrialCounts("T1", GREY, 0, 3), TrialCounts("T2", GREEN, 3, 3)])
    return replace(found, **changes)


def with_special(kind: str, probability: float) -> Weighing:
    """The weighing with one cause besides the settings."""
    found = weighed()
    plain = [one for one in found.causes if one.special is None]
    rival = replace(plain[0], conditions=(), special=kind, probability=probability, indistinguishable=())
    return replace(found, causes=(*plain, rival))


def test_a_settled_cause_is_said_with_what_was_seen() -> None:
    seen = "It failed (T1), worked after the change (T2), failed again (T3) and worked again (T4)."
    text = conclusion(weighed(settled=True, separated=True, confirmed=True, confirmation=seen))
    assert text == f"The cause is settled: {weighed().causes[0].text}. {seen}"


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"separated": True, "confirmed": False, "confirmation": "Still to be seen: x."}, "Still to be seen: x."),
        ({"separated": True, "confirmed": True}, "a cause of another kind explains the boots nearly as well"),
        ({"separated": True, "confirmed": True, "fit": Fit(False, "Something else.", 0.001)}, "as this cause would"),
    ],
)
def test_what_is_not_settled_says_what_is_missing(changes, told) -> None:
    text = conclusion(weighed(**({"settled": False, "fit": Fit(True, "", 1.0)} | changes)))
    assert text.startswith("Not settled yet: ") and told in text
    assert text.endswith(".") and ".." not in text


def test_while_nothing_is_separated_the_verdict_says_all_there_is() -> None:
    assert conclusion(weighed(settled=False, separated=False, fit=Fit(True, "", 1.0))) == ""


def test_a_misfit_is_always_told() -> None:
    misfit = Fit(False, "Nothing in the list explains the results well.", 0.001)
    assert misfit.sentence in conclusion(weighed(settled=False, separated=False, fit=misfit))


def test_a_lead_outside_the_settings_is_said_to_be_none() -> None:
    found = with_special("contact", 0.97)
    found = replace(found, causes=found.causes[::-1], separated=True, settled=False)
    said = conclusion(replace(found, fit=Fit(True, "", 1.0)))
    assert said.startswith("No setting is the cause, as far as the results tell. Then what was moved is no cause")
    assert "power off and unplug" in said and doubts(found) == (), (
        "the verdict names it, the conclusion what would tell"
    )
    assert "explains the results best" in doubts(replace(found, separated=False))[0].known


@pytest.mark.parametrize("kind", KINDS)
def test_every_cause_besides_the_settings_has_its_sentences(kind) -> None:
    """What is known with its probability, what it would mean, what would tell: in whole sentences of plain words."""
    (only,) = doubts(with_special(kind, 0.12))
    assert only.kind == kind and only.probability == 0.12 and "12 %" in only.known
    for text in (only.known, only.otherwise, only.tells):
        assert text[0].isupper() and text.endswith(".")
        assert not any(word in text.lower() for word in ("hypothes", "posterior", "prior", "bits", "likelihood"))
    assert "explains the results too" in only.known and only.otherwise.startswith("Then ")
    assert "tell" in only.tells


def test_what_would_tell_a_contact_begins_with_the_power_off() -> None:
    (only,) = doubts(with_special("contact", 0.5))
    assert only.tells.startswith("To tell: power off and unplug, ")


def test_small_doubts_are_left_out_and_great_ones_come_first() -> None:
    found = with_special("healed", DOUBT_FROM / 2)
    assert doubts(found) == ()
    more = replace(found.causes[-1], special="cold", probability=0.3)
    some = replace(found.causes[-1], special="contact", probability=0.1)
    assert [one.kind for one in doubts(replace(found, causes=(*found.causes, some, more)))] == ["cold", "contact"]


def test_where_nothing_failed_nothing_is_said() -> None:
    found = weigh(STUDY, [TrialCounts("T1", GREY, 3, 3)])
    assert conclusion(found) == "" and doubts(found) == ()
