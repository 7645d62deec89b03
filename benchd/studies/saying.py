"""What a weighing comes to, in whole sentences: whether the cause is settled, what else it could be, what would tell.

Pure: a `Weighing` in, sentences out.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from benchd.inference.answers import Weighing
from benchd.inference.forms import Form, Share6
from benchd.inference.kinds import Special
from benchd.inference.wording import percent

DOUBT_FROM = 0.02
"""A cause that lies in no setting is told of from this probability on."""
DOUBTS_MOST = 4
POWER_OFF = "power off and unplug"


@dataclass(frozen=True, slots=True)
class Doubt(Form):
    """Something besides the settings that explains the results: how far, what it would mean, what would tell."""

    kind: Special
    probability: Share6
    known: str
    otherwise: str
    tells: str

    def words(self) -> str:
        return f"{self.known} {self.otherwise} {self.tells}"


@dataclass(frozen=True, slots=True)
class _Rival:
    """How a cause besides the settings is told of: that it is so, what that would mean, what would tell."""

    known: str
    otherwise: str
    tells: str


_AGAIN = "The setup that failed first, booted once more, would tell"
_RIVALS: dict[Special, _Rival] = {
    "contact": _Rival(
        "That a contact is good or bad anew whenever the cover was off",
        "Then what was moved is no cause: moving it was.",
        f"To tell: {POWER_OFF}, take the cards and cables out and put them back as they were, boot, and do so once "
        "more; if the result changes though nothing else did, it is a contact.",
    ),
    "healed": _Rival(
        "That it healed by itself at some boot",
        "Then what was changed at that time did not cure it.",
        f"{_AGAIN}: if it works now, it healed; if it fails, the change was the cure.",
    ),
    "broke": _Rival(
        "That something broke by itself at some boot",
        "Then what was changed at that time did not do it.",
        "The setup that worked first, booted once more, would tell: if it fails now, something broke.",
    ),
    "falling": _Rival(
        "That it fails less and less as the evening goes on",
        "Then the later trials worked because they were later.",
        f"{_AGAIN}: if it fails no more, the evening did it, not a setting.",
    ),
    "rising": _Rival(
        "That it fails more and more as the evening goes on",
        "Then the later trials failed because they were later.",
        "The setup that worked first, booted once more, would tell: if it fails now, the evening did it.",
    ),
    "cold": _Rival(
        "That it fails after a rest without power, and only then,",
        "Then the trials that took long to prepare failed because the machine was cold.",
        "To tell: let it rest with the power off and boot, then switch off and on again at once; if only the first "
        "boot fails, it is the cold start.",
    ),
    "warm": _Rival(
        "That it fails when it is warm, soon after it was on,",
        "Then the trials that took long to prepare worked because the machine had cooled down.",
        "To tell: let it rest with the power off and boot, then switch off and on again at once; if only the second "
        "boot fails, it is the warmth.",
    ),
    "unlisted": _Rival(
        "That something comes and goes which is not in the list",
        "Then no factor here is the cause.",
        "To tell: boot one setup several times and touch nothing; if the results differ, no setting explains them. "
        "What else may differ (a supply, a card that stayed in) can be added to the study as a factor.",
    ),
    "intermittent": _Rival(
        "That it fails now and then, whatever is changed,",
        "Then no factor here is the cause.",
        "To tell: boot one setup several times and touch nothing; if the results differ, no setting explains them.",
    ),
    "nothing": _Rival(
        "That nothing tried matters",
        "Then the cause lies in something that never changed.",
        "A setup that is known to be good, booted under the same test, would tell.",
    ),
    "misleads": _Rival(
        "That the test misleads",
        "Then what it calls a failure is none.",
        "A setup that is known to be good, booted under the same test, would tell: if it fails too, the test misleads.",
    ),
}


def doubts(found: Weighing) -> tuple[Doubt, ...]:
    """What besides the settings could explain the results, the likeliest first; not what the verdict says already."""
    if not found.failures:
        return ()
    weights: dict[Special, float] = {}
    for cause in found.causes:
        if cause.special is not None:
            weights[cause.special] = weights.get(cause.special, 0.0) + cause.probability
    heavy = sorted(((weight, kind) for kind, weight in weights.items() if weight >= DOUBT_FROM), reverse=True)
    lead = found.causes[0].special
    told = [(weight, kind) for weight, kind in heavy if not (found.separated and kind == lead)]
    return tuple(_doubt(kind, weight, "best" if kind == lead else "too") for weight, kind in told[:DOUBTS_MOST])


def _doubt(kind: Special, weight: float, how: str) -> Doubt:
    rival = _RIVALS[kind]
    known = f"{rival.known} explains the results {how} ({percent(weight)})."
    return Doubt(kind, weight, known, rival.otherwise, rival.tells)


def conclusion(found: Weighing) -> str:
    """Whether the cause is settled, and if a cause leads that is not, what is missing: one or two sentences, or "".

    While nothing is separated the verdict says all there is to say, unless the results fit nothing.
    """
    if not found.failures or (not found.separated and found.fit.ok):
        return ""
    lead = found.causes[0]
    if found.settled:
        return f"The cause is settled: {lead.text}. {found.confirmation}"
    if found.separated and lead.special is not None and found.fit.ok:
        rival = _RIVALS[lead.special]
        return f"No setting is the cause, as far as the results tell. {rival.otherwise} {rival.tells}"
    return f"Not settled yet: {' '.join(_missing(found))}"


def _missing(found: Weighing) -> Iterator[str]:
    lead = found.causes[0]
    if not found.separated:
        yield f"the likeliest cause holds {percent(lead.probability)}."
    elif lead.special is not None:
        yield "no setting is the cause, but what is does not explain the results well either."
    elif not found.confirmed:
        yield f"it was not yet seen to fail again and to be cured again. {found.confirmation}"
    elif found.fit.ok:
        yield "a cause of another kind explains the boots nearly as well."
    else:
        yield "the results do not look as this cause would give them."
    if not found.fit.ok:
        yield found.fit.sentence
