"""Did a boot reach the study's goal? Pure: a goal, a boot's record and the results entered for it, in.

Numbered rules, the first that applies decides:

0. A boot that a person left out is not counted, whatever else is known of it.
1. A result named `goal`, entered for the boot, is the answer: the last one entered.
2. An earlier pass of a looping boot is no boot of its own: not counted.
3. A boot that still runs is not counted yet, unless the goal is a check that was entered for it by hand or file.
4. A boot that was joined in the middle, or during which a link that the goal needs was not heard, is not counted,
   whichever way it seems to speak: to count only what such boots did show would favour good results.
5. By the goal's kind:
   stage-reached   the stage is on the boot's ladder: ok; the boot finished, stalled or looped without it: fail.
   finding-absent  the finding (its rule's name, or its kind) stands: fail; absent from a finished boot: ok.
   check-passed    the check's last result by hand or file, else all results read from the console; without
                   any, a boot that stalled or looped: fail.
   stage-faster    the stage took no longer than the limit: ok; longer, or stood still in or before it: fail.
   result-ok       only rule 1 answers.
6. Boots of a trial that were cut short three times in a row at one place (stage and last code) stood there, though
   nobody waited for the limit: they count as stalled.
7. Otherwise (cut short, link lost, nothing entered) the boot says nothing: not counted.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Annotated

from pydantic import Field

from benchd.harmless import clean
from benchd.inference.forms import Form
from benchd.inference.study import Goal
from benchd.rules import RuleTable
from benchd.store.study_models import Result
from benchd.vocabulary.models import Boot

GOAL = "goal"
"""The check name under which the goal itself is entered by hand."""
STOOD = ("stalled", "looped")
RESTARTS = 3
"""So many restarts in a row at one place are no accident."""
NOT_COUNTED = "not counted"
LINK_KINDS = ("post", "console")


@dataclass(frozen=True, slots=True)
class Verdict(Form):
    """Whether one boot reached the goal (None: it does not say), and why. `boot` None: entered without one.

    `left_out`: the reason for which a person left it out; `if_counted` what it would say otherwise.
    """

    boot: str | None
    ok: bool | None
    why: str
    source: str = "boot"
    left_out: Annotated[str | None, Field(exclude_if=lambda reason: reason is None)] = None
    if_counted: Annotated[bool | None, Field(exclude_if=lambda ok: ok is None)] = None


def left_out_words(reason: str) -> str:
    """Why a boot is not counted that a person left out."""
    return f"{NOT_COUNTED}: left out: {reason}"


def judge(
    goal: Goal,
    boot: Boot,
    results: Sequence[Result] = (),
    *,
    needs: Collection[str] | None = None,
    restarts: int = 0,
) -> Verdict:
    """The verdict on one boot. `results` are those entered for it, oldest first; `needs` as of `needed_links`.

    `restarts`: so many boots in a row were cut short where this one was (`cut_at_one_place`), 0 if that is none.
    """
    if boot.left_out is not None:
        inside = judge(goal, boot.model_copy(update={"left_out": None}), results, needs=needs)
        words = left_out_words(boot.left_out)
        return Verdict(boot.id, None, words, inside.source, left_out=boot.left_out, if_counted=inside.ok)
    entered = _entered(goal, boot, results, needs)
    if entered is not None:
        return entered
    if boot.passes_of:
        return Verdict(boot.id, None, f"an earlier pass of {boot.passes_of}")
    told = goal.kind == "check-passed" and any(one.check == goal.target for one in results)
    if boot.outcome == "running" and not told:
        return Verdict(boot.id, None, "still running")
    unseen = None if told or goal.kind == "result-ok" else blindness(boot, needs)
    if unseen is not None:
        return Verdict(boot.id, None, f"{NOT_COUNTED}: {unseen}")
    if not restarts:
        return Verdict(boot.id, *_RULES[goal.kind](goal, boot, results))
    ok, why = _RULES[goal.kind](goal, boot.model_copy(update={"outcome": "stalled"}), results)
    return Verdict(boot.id, ok, f"{why} (restarted at this place {restarts} times in a row)")


def _entered(goal: Goal, boot: Boot, results: Sequence[Result], needs: Collection[str] | None) -> Verdict | None:
    """The verdict that a person entered last for a boot, None where there is none that counts."""
    entered = [one for one in results if one.check == GOAL and one.left_out is None]
    if not entered:
        return None
    last = entered[-1]
    why = entered_words(last.passed, last.source) + (f": {last.note}" if last.note else "")
    against = short_of(goal, boot, needs) if last.passed else None
    return Verdict(boot.id, last.passed, f"{why}; {against}" if against else why, last.source)


def entered_words(passed: bool, source: str) -> str:
    """How a goal is called that no boot showed, but somebody entered."""
    how = {"hand": "entered by hand", "csv": "entered from a file"}.get(source, f"told by the {source}")
    return f"{'passed' if passed else 'failed'}, {how}"


def short_of(goal: Goal, boot: Boot, needs: Collection[str] | None = None) -> str | None:
    """That a boot did not get to the goal's stage, in words; None where it did, or where its record cannot say."""
    if goal.kind not in ("stage-reached", "stage-faster") or boot.outcome == "recorded":
        return None
    if any(stage.name == goal.target for stage in boot.stages) or blindness(boot, needs) is not None:
        return None
    where = f" in {boot.last_stage}" if boot.last_stage and boot.outcome != "finished" else ""
    have = "has" if boot.outcome == "running" else "had"
    return f"the boot {_STATES[boot.outcome]}{where} and {have} not got to {goal.target}"


def cut_at_one_place(boots: Sequence[Boot]) -> dict[str, int]:
    """Of a trial's boots, oldest first, those that were cut short at one place RESTARTS times in a row or more.

    Return for each how often. The place is the last stage and the last code.
    """
    out: dict[str, int] = {}
    own = (boot for boot in boots if boot.passes_of is None and boot.left_out is None)
    for (outcome, *place), row in groupby(own, lambda boot: (boot.outcome, boot.last_stage, boot.last_code)):
        alike = list(row)
        if outcome == "cut-short" and any(place) and len(alike) >= RESTARTS:
            out |= {boot.id: len(alike) for boot in alike}
    return out


def needed_links(goal: Goal, table: RuleTable | None) -> frozenset[str] | None:
    """The kinds of link ("post", "console") by which the goal is seen; None: all there are.

    A stage is seen where its rule in the table can be entered: by codes on a post link, by text on the console.
    """
    if goal.kind == "check-passed":
        return frozenset({"console"})
    rule = next((stage for stage in table.stage if stage.name == goal.target), None) if table is not None else None
    if rule is None or goal.kind != "stage-reached":  # a stage is timed to the next one, whichever that is
        return None
    return frozenset("console" if when.code is None else "post" for when in rule.enter)


def blindness(boot: Boot, needs: Collection[str] | None = None) -> str | None:
    """Why a boot says nothing of what is seen by links of the kinds `needs` (None: any), in words; None if it does."""
    if not boot.anchored:
        return "it was joined in the middle"
    # The settings may call a link by a name that tells no kind: it may be the one that is needed.
    kinds = {blind.link: blind.link.rstrip("0123456789") for blind in boot.blind}
    needed = [b for b in boot.blind if needs is None or kinds[b.link] in needs or kinds[b.link] not in LINK_KINDS]
    if not needed:
        return None
    first, more = needed[0], len(needed) - 1
    name = {"console": "console", "post": "post link"}.get(first.link, f"link {clean(first.link, 60)}")
    again = {0: "", 1: ", and once more"}.get(more, f", and {more} times more")
    return f"the {name} {first.words}{again}"


_STATES = {
    "running": "still runs",
    "finished": "finished",
    "stalled": "stalled",
    "looped": "looped",
    "cut-short": "was cut short",
    "link-lost": "lost its link",
}


def _ended(boot: Boot) -> str:
    where = f" in {boot.last_stage}" if boot.outcome in STOOD and boot.last_stage else ""
    return f"{boot.outcome}{where}"


def _stage_reached(goal: Goal, boot: Boot, results: Sequence[Result]) -> tuple[bool | None, str]:
    found = next((stage for stage in boot.stages if stage.name == goal.target), None)
    if found is not None:
        return True, f"{goal.target} reached at {found.t:.2f} s"
    if boot.outcome == "finished":
        return False, f"finished without {goal.target}"
    if boot.outcome in STOOD:
        return False, f"{_ended(boot)}, before {goal.target}"
    return None, f"{boot.outcome} before {goal.target} could be expected"


def _finding_absent(goal: Goal, boot: Boot, results: Sequence[Result]) -> tuple[bool | None, str]:
    stands = [f for f in boot.findings if goal.target in (f.rule, f.kind) and f.cleared_t is None]
    if stands:
        return False, f"{stands[0].kind} {stands[0].rule} at {stands[0].t:.2f} s"
    if boot.outcome == "finished":
        return True, f"finished without {goal.target}"
    return None, f"{_ended(boot)} for another reason than {goal.target}"


def _check_passed(goal: Goal, boot: Boot, results: Sequence[Result]) -> tuple[bool | None, str]:
    found = check_results(boot, results).get(goal.target)
    if found is not None:
        return found, f"check {goal.target} {'passed' if found else 'failed'}"
    if boot.outcome in STOOD:
        return False, f"{_ended(boot)}, before check {goal.target}"
    return None, f"check {goal.target} was not done"


def _stage_faster(goal: Goal, boot: Boot, results: Sequence[Result]) -> tuple[bool | None, str]:
    assert goal.limit_s is not None
    at = next((i for i, stage in enumerate(boot.stages) if stage.name == goal.target), None)
    if at is not None and at + 1 < len(boot.stages):
        took = boot.stages[at + 1].t - boot.stages[at].t
        return took <= goal.limit_s, f"{goal.target} took {took:.2f} s, the limit is {goal.limit_s:g} s"
    if boot.outcome in STOOD:
        return False, f"{_ended(boot)}, {goal.target} not done"
    if at is not None and boot.outcome == "finished":
        return None, f"{goal.target} is the last stage: it has no end to time"
    if boot.outcome == "finished":
        return False, f"finished without {goal.target}"
    return None, f"{boot.outcome} before {goal.target} was done"


def _by_hand(goal: Goal, boot: Boot, results: Sequence[Result]) -> tuple[bool | None, str]:
    return None, "no result entered yet: `benchd trial result goal ok|fail`"


_RULES = {
    "stage-reached": _stage_reached,
    "finding-absent": _finding_absent,
    "check-passed": _check_passed,
    "stage-faster": _stage_faster,
    "result-ok": _by_hand,
}


def check_results(boot: Boot, results: Sequence[Result] = ()) -> dict[str, bool]:
    """Each check of a boot: as last entered by hand or file, else passed if every console result did."""
    out: dict[str, bool] = {}
    for check in boot.checks:
        out[check.name] = out.get(check.name, True) and check.passed
    for one in results:
        if one.check != GOAL and one.left_out is None:
            out[one.check] = one.passed
    return out
