"""Plain words for explanations: their class, their sentence, and whether they call for a part."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import wrap
from typing import TYPE_CHECKING

from benchd.inference.kinds import INTERMITTENT, MISLEADS, NOTHING, UNLISTED, Special

if TYPE_CHECKING:
    from benchd.inference.study import Condition, Study

CLASS_OF_KIND = {
    "card": "bad card",
    "adapter": "bad card",
    "machine": "bad machine",
    "slot": "bad slot",
    "cable": "bad cable",
    "jumper": "wrong setting",
    "bios-setting": "wrong setting",
    "image": "image",
    "test": "misleading test",
    "other": "setting or part",
}
PART_CLASSES = frozenset({"bad card", "bad machine", "bad slot", "bad cable"})
CONFLICT = "conflict of parts"
TWO_FAULTS = "two faults"
CLASS_OF_SPECIAL: dict[Special, str] = {
    NOTHING: "outside what was tried",
    MISLEADS: "misleading test",
    INTERMITTENT: "intermittent",
    UNLISTED: "not in the list",
    "healed": "healed by itself",
    "broke": "broke by itself",
    "falling": "fails less and less",
    "rising": "fails more and more",
    "cold": "fails cold",
    "warm": "fails warm",
    "contact": "bad contact",
}
KIND_WORDS = {
    "bad card": "a bad card",
    "bad machine": "a bad machine",
    "bad slot": "a bad slot",
    "bad cable": "a bad cable",
    "wrong setting": "a wrong setting",
    "image": "the image",
    "misleading test": "a misleading test",
    "setting or part": "a setting or part",
    "outside what was tried": "something outside what was tried",
    "intermittent": "an intermittent fault",
    "not in the list": "something that is not in the list",
    "healed by itself": "a fault that healed by itself",
    "broke by itself": "a fault that came by itself",
    "fails less and less": "a fault that fades as the evening goes on",
    "fails more and more": "a fault that grows as the evening goes on",
    "fails cold": "a fault of the cold machine",
    "fails warm": "a fault of the warm machine",
    "bad contact": "a bad contact",
}
"""Classes as a verdict says them."""
TEXT_OF_SPECIAL: dict[Special, str] = {
    NOTHING: "nothing tried matters: it fails whatever is changed",
    MISLEADS: "the test misleads: it fails whatever is changed, a good setup too",
    INTERMITTENT: "intermittent: it fails now and then, whatever is changed",
    UNLISTED: "something that is not in the list comes and goes",
    "healed": "it healed by itself: it failed up to some boot and works since",
    "broke": "it broke by itself: it worked up to some boot and fails since",
    "falling": "it fails less and less from boot to boot, whatever is changed",
    "rising": "it fails more and more from boot to boot, whatever is changed",
    "cold": "it fails after a rest without power, and works when switched on again soon",
    "warm": "it fails when switched on again soon, and works after a rest without power",
    "contact": "a contact is good or bad anew whenever the cover was off",
}


def class_of(study: Study, conditions: Sequence[Condition], any_form: bool, special: Special | None) -> str:
    """The class of an explanation in plain words."""
    if special is not None:
        return CLASS_OF_SPECIAL[special]
    if any_form:
        return TWO_FAULTS
    if conditions[0].other is not None:
        return CONFLICT
    if len(conditions) > 1:
        return CONFLICT
    return CLASS_OF_KIND[study.factor(conditions[0].factor).kind]


def kind_words(cause_class: str, number: int) -> str:
    """The class as a verdict says it; `number` of conditions."""
    how_many = {1: "two", 2: "two", 3: "three"}.get(number, str(number))
    if cause_class == CONFLICT:
        return f"a conflict of {how_many} parts"
    return KIND_WORDS.get(cause_class, f"{how_many} faults")


def text_of(conditions: Sequence[Condition], needed: int, special: Special | None) -> str:
    """The explanation as words that follow "because" or stand alone; `needed` of the conditions make it fail."""
    if special is not None:
        beside = " and ".join(c.words() for c in conditions)
        return TEXT_OF_SPECIAL[special] + (f"; seen only where {beside}" if beside else "")
    if 1 < needed < len(conditions):
        return f"it fails when {needed} of these hold: " + ", ".join(c.words() for c in conditions)
    if needed < len(conditions):
        return "it fails when " + " or when ".join(c.words() for c in conditions)
    return _all_of(conditions)


def _all_of(conditions: Sequence[Condition]) -> str:
    """What fails where all conditions hold: what is, then what must not be."""
    plain = [c for c in conditions if c.relation != "is not"]
    unless = [c for c in conditions if c.relation == "is not"]
    if not plain:
        plain, unless = unless, []
    text = "it fails when " + " and ".join(c.words() for c in plain)
    if unless:
        text += ", unless " + " or ".join(f"{c.factor} is {c.level}" for c in unless)
    return text


def percent(probability: float) -> str:
    """Whole percent, never rounded to a certainty that nobody has."""
    if probability > 0.995:
        return "over 99 %"
    if 0 < probability < 0.005:
        return "under 1 %"
    return f"{probability:.0%}".replace("%", " %")


def folded(text: str, width: int, indent: str = "") -> list[str]:
    """Text in lines of at most `width`; a number and its `%`, and a name with hyphens, stay on one line."""
    joined = text.replace(" %", "\u00a0%")
    lines = wrap(joined, width, initial_indent=indent, subsequent_indent=indent, break_on_hyphens=False)
    return [line.replace("\u00a0%", " %") for line in lines] or [""]


def counted(number: int, noun: str) -> str:
    """A number with its noun: `1 boot`, `2 boots`."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
