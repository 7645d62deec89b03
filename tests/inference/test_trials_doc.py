"""firmware-notes/causes.md states the weights, bounds and thresholds that the code uses."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from benchd.inference import (
    align,
    candidates,
    causes,
    compare,
    divergence,
    draft,
    hypotheses,
    next_trial,
    ordering,
    rivals,
    settling,
    setups,
    timing,
)
from benchd.inference.hypotheses import Prior, build_space
from benchd.inference.study import Factor, Study

TEXT = " ".join((Path(__file__).parents[2] / "firmware-notes" / "causes.md").read_text(encoding="utf-8").split())
PRIOR = Prior()


def betas(rate):
    parts = [f"{w:g} Beta({a:g}, {b:g})" for w, a, b in rate.parts]
    return " + ".join(parts) if len(parts) > 1 else parts[0].removeprefix("1 ")


@pytest.mark.parametrize(
    "words",
    [
        f"one condition {PRIOR.one:g}, both of two {PRIOR.two:g}, three {PRIOR.three:g}",
        f"either of two {PRIOR.either:g}, two of three {PRIOR.some:g}, sets {PRIOR.sets:g}, "
        f"equal or differ {PRIOR.between:g}",
        *(
            f"| {kinds} | {prior} |"
            for kinds, prior in (
                ("healed, broke | changes once, at some boot, never back", "0.02, 0.005"),
                ("unlisted | changes at any boot: something that is not in the list comes and goes", "0.03"),
            )
        ),
        f"nothing {PRIOR.nothing:g}, misleads {PRIOR.misleads:g}, intermittent {PRIOR.intermittent:g}",
        f"| failing, inside the conditions | {betas(PRIOR.failing)} |",
        f"| failing, outside | {betas(PRIOR.working)} |",
        f"| nothing matters, test misleads | {betas(PRIOR.always)} |",
        f"| intermittent | {betas(PRIOR.in_between)} |",
        f"counts as {PRIOR.reference_boots} good boots",
        f"holds {causes.SEPARATED_AT:.0%} or more".replace("%", " %"),
        f"hold more than {ordering.RIVAL_LIMIT:.0%}".replace("%", " %"),
        f"at least {causes.SUPPORT_BITS:g} bits",
        f"promises {next_trial.WORTH_BITS:g} bits",
        f"heaviest {candidates.KEPT_MOST:,} explanations",
        f"beyond {setups.SETUP_CAP:,} setups",
        f"Beyond {hypotheses.HYPOTHESIS_CAP:,} explanations",
        f"one boot ({Study.__dataclass_fields__['boot_minutes'].default:g} minutes",
        f"more than {divergence.ALIGNED_MOST} boots",
        f"blocks of 2 to {align.MAX_PERIOD} three times",
        f"exact up to n x m = {timing.EXACT_CELLS}",
        f"at least {draft.LADDER_SHARE:.0%} of the boots".replace("%", " %"),
        f"optional below {draft.MUST_SHARE:.0%}".replace("%", " %"),
        f"at least {draft.GUESS_FLOOR_S:g} s",
    ],
)
def test_the_note_gives_the_number_the_code_has(words):
    assert words in TEXT


def test_the_count_of_explanations_is_right():
    """8 factors of 3 levels."""
    space = build_space(Study("s", tuple(Factor(f"f{i}", ("a", "b", "c")) for i in range(8))))
    assert f"8 factors of 3 levels: {space.count:,}" in TEXT


def test_is_not_and_reordering_are_as_written():
    assert PRIOR.is_not == 0.25 and "counts a quarter of an *is*" in TEXT
    assert divergence.REORDER_WINDOW == 6 and "within six places" in TEXT
    assert compare.SHOWN == 0.05 and draft.GUESS_FACTOR == 3 and "three times the longest" in TEXT


def test_the_rivals_weights_are_as_written():
    """Each kind of cause that lies in no setting, in the rows of its table."""
    weight = {kind: f"{share:g}" for kind, share in zip(rivals.KINDS, PRIOR.rivals.weights, strict=True)}
    for first, second in (("healed", "broke"), ("falling", "rising"), ("cold", "warm")):
        (row,) = re.findall(rf"\| {first}, {second} \|[^|]*\| ([^|]*) \|", TEXT)
        assert row == f"{weight[first]}, {weight[second]}"
    for kind in ("contact", "unlisted"):
        assert re.findall(rf"\| {kind} \|[^|]*\| ([^|]*) \|", TEXT) == [weight[kind]]


def test_what_settles_is_as_written():
    assert f"at least {1 / settling.RIVAL_ODDS:g} times likelier under causes in the setup" in TEXT
    assert settling.STEPS == 4 and "to fail again with the failing setup and to be cured again" in TEXT
    assert f"In less than {2 * settling.FIT_FROM:.0%}".replace("%", " %") in TEXT
