"""Goals judged boot by boot: the numbered rules of `studies.goal`, each with a boot that shows it."""

from __future__ import annotations

import pytest

from benchd.inference.study import Factor, Goal, Study
from benchd.store import Result
from benchd.studies.goal import judge
from benchd.studies.loaded import Passed, judged
from benchd.vocabulary.models import Boot, Check, Finding, Stage

REACHED = Goal("stage-reached", "rom")
ABSENT = Goal("finding-absent", "stands")
PASSED = Goal("check-passed", "video")
FASTER = Goal("stage-faster", "memory", 5.0)
BY_HAND = Goal()
NOW = "2026-03-01T20:00:00+01:00"


def boot(outcome: str = "finished", *stages: tuple[str, float], **more: object) -> Boot:
    return Boot(
        id="b1",
        machine="m",
        started=NOW,
        outcome=outcome,  # type: ignore[arg-type]
        stages=[Stage(name=name, t=t, u=0.001) for name, t in stages],
        **more,  # type: ignore[arg-type]
    )


def finding(rule: str = "stands", cleared: float | None = None) -> Finding:
    return Finding(kind="stall", rule=rule, t=3.0, cleared_t=cleared)


def entered(check: str, passed: bool, number: int = 1) -> Result:
    return Result(id=number, trial="T1", boot="b1", check=check, passed=passed, entered=NOW)


@pytest.mark.parametrize(
    ("goal", "seen", "ok"),
    [
        (REACHED, boot("finished", ("rom", 2.0)), True),
        (REACHED, boot("stalled", ("rom", 2.0)), True),
        (REACHED, boot("finished", ("memory", 2.0)), False),
        (REACHED, boot("stalled", ("memory", 2.0)), False),
        (REACHED, boot("looped"), False),
        (REACHED, boot("cut-short"), None),
        (REACHED, boot("link-lost"), None),
        (REACHED, boot("running", ("rom", 2.0)), None),
        (ABSENT, boot("finished"), True),
        (ABSENT, boot("stalled", findings=[finding()]), False),
        (ABSENT, boot("finished", findings=[finding(cleared=9.0)]), True),
        (ABSENT, boot("stalled", findings=[finding("other")]), None),
        (Goal("finding-absent", "stall"), boot("stalled", findings=[finding("other")]), False),
        (PASSED, boot("finished", checks=[Check(name="video", passed=True, t=1)]), True),
        (PASSED, boot("finished", checks=[Check(name="video", passed=p, t=1) for p in (True, False, True)]), False),
        (PASSED, boot("finished"), None),
        (PASSED, boot("stalled"), False),
        (FASTER, boot("finished", ("memory", 1.0), ("rom", 6.0)), True),
        (FASTER, boot("finished", ("memory", 1.0), ("rom", 6.1)), False),
        (FASTER, boot("stalled", ("memory", 1.0)), False),
        (FASTER, boot("finished", ("rom", 1.0)), False),
        (FASTER, boot("finished", ("memory", 1.0)), None),
        (FASTER, boot("cut-short", ("memory", 1.0)), None),
        (BY_HAND, boot("finished"), None),
    ],
)
def test_boots_against_goals(goal: Goal, seen: Boot, ok: bool | None) -> None:
    """Each kind of goal: reached, missed, or not said by this boot."""
    verdict = judge(goal, seen)
    assert verdict.ok is ok and verdict.why


def test_what_a_person_enters_decides() -> None:
    """A goal entered by hand outweighs the record, and the last one counts."""
    failed = boot("finished")
    assert judge(REACHED, failed, [entered("goal", True)]).ok is True
    assert judge(REACHED, failed, [entered("goal", True), entered("goal", False, 2)]).ok is False
    assert judge(BY_HAND, boot("cut-short"), [entered("goal", True)]).source == "hand"


def test_a_check_entered_by_hand_outweighs_the_console() -> None:
    """Eyes see what a rule misread."""
    misread = boot("finished", checks=[Check(name="video", passed=False, t=1)])
    assert judge(PASSED, misread, [entered("video", True)]).ok is True
    assert judge(PASSED, misread, [entered("video", True), entered("video", False, 2)]).ok is False


def test_of_a_boot_that_is_gone_the_last_result_counts_too() -> None:
    """Captures and boots can be deleted; what a person entered for one stays, and a later word outweighs an earlier."""
    study = Study("s", (Factor("card", ("in", "out")),), goal=REACHED)
    results = [
        entered(check, passed, n)
        for n, (check, passed) in enumerate((("goal", False), ("video", True), ("goal", True), ("video", False)), 1)
    ]
    verdicts, checks = judged(study, (), results)
    assert [(verdict.boot, verdict.ok) for verdict in verdicts] == [("b1", True)]
    assert checks == {"video": Passed(0, 1)}


def test_an_earlier_pass_of_a_loop_is_no_boot() -> None:
    """A loop of ten passes is one failed boot, not ten."""
    assert judge(REACHED, boot("looped", passes_of="b9")).ok is None
