"""Goals judged boot by boot: the numbered rules of `studies.goal`, each with a boot that shows it."""

from __future__ import annotations

import pytest

from benchd.inference.study import Factor, Goal, Study
from benchd.rules import load_text
from benchd.store import Result
from benchd.studies.goal import judge, needed_links
from benchd.studies.loaded import Passed, judged
from benchd.vocabulary.models import Blind, Boot, Check, Finding, Stage

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


def out(link: str = "console", why: str = "down", t: float = 3.1, until: float | None = 5.0) -> Blind:
    return Blind(link=link, t=t, until=until, why=why)  # type: ignore[arg-type]


CONSOLE = frozenset({"console"})


@pytest.mark.parametrize(
    ("blind", "needs", "why"),
    [
        (out(), CONSOLE, "not counted: the console was out from 3.1 to 5.0 s"),
        (out(until=None), CONSOLE, "not counted: the console was out from 3.1 s on"),
        (out(why="lossy"), CONSOLE, "not counted: the console lost some of what came from 3.1 to 5.0 s"),
        (out("post2", "not-watched"), None, "not counted: the link post2 was not watched from 3.1 to 5.0 s"),
        (out("post"), frozenset({"post"}), "not counted: the post link was out from 3.1 to 5.0 s"),
        (out("card"), CONSOLE, "not counted: the link card was out from 3.1 to 5.0 s"),  # a name tells no kind
        (out("post"), CONSOLE, None),
        (out("console2"), frozenset({"post"}), None),
    ],
)
def test_a_blind_instrument_is_no_failure(blind: Blind, needs: frozenset[str] | None, why: str | None) -> None:
    """A boot during which a link that the goal needs was not heard says nothing, whichever way it seems to speak."""
    for seen in (boot("finished", blind=[blind]), boot("finished", ("rom", 2.0), blind=[blind])):
        verdict = judge(REACHED, seen, needs=needs)
        if why is None:
            assert verdict == judge(REACHED, seen.model_copy(update={"blind": []}))
        else:
            assert (verdict.ok, verdict.why) == (None, why)
    twice = judge(REACHED, boot("stalled", blind=[blind, blind]), needs=needs)
    assert twice.ok is (False if why is None else None) and ("and once more" in twice.why) is (why is not None)


@pytest.mark.parametrize("goal", [REACHED, ABSENT, PASSED, FASTER])
@pytest.mark.parametrize("outcome", ["finished", "stalled", "looped", "cut-short"])
def test_a_boot_joined_in_the_middle_does_not_count(goal: Goal, outcome: str) -> None:
    """What came before is not known: neither that a stage was left out nor when one began."""
    verdict = judge(goal, boot(outcome, ("rom", 2.0), anchored=False))
    assert (verdict.ok, verdict.why) == (None, "not counted: it was joined in the middle")


def test_eyes_outweigh_a_blind_instrument() -> None:
    """A goal or check that a person entered counts, however the boot was watched; a goal by hand alone waits for it."""
    unseen = boot("finished", anchored=False, blind=[out()])
    assert judge(REACHED, unseen, [entered("goal", True)]).ok is True
    assert judge(PASSED, unseen, [entered("video", False)]).ok is False
    assert "no result entered yet" in judge(BY_HAND, unseen).why


STAGES = """
[table]
name = "t"
source = "test"
[[stage]]
name = "by-code"
enter = [{ code = "01" }]
[[stage]]
name = "by-text"
enter = [{ text = "^ROM" }]
[[stage]]
name = "by-both"
enter = [{ code = "03" }, { text = "^SCAN" }]
"""


@pytest.mark.parametrize(
    ("goal", "needs"),
    [
        (Goal("stage-reached", "by-code"), {"post"}),
        (Goal("stage-reached", "by-text"), {"console"}),
        (Goal("stage-reached", "by-both"), {"post", "console"}),
        (Goal("stage-reached", "unknown"), None),
        (Goal("stage-faster", "by-code", 1.0), None),  # timed to whatever comes next
        (Goal("finding-absent", "by-code"), None),
        (Goal("check-passed", "video"), {"console"}),
    ],
)
def test_a_goal_needs_the_links_by_which_it_is_seen(goal: Goal, needs: set[str] | None) -> None:
    """Codes come by post links, text by the console; where the table does not tell, every link is needed."""
    table = load_text(STAGES, "t")
    assert needed_links(goal, table) == needs
    assert needed_links(goal, None) == ({"console"} if goal.kind == "check-passed" else None)


@pytest.mark.parametrize(
    ("seen", "words"),
    [
        (boot("cut-short", ("memory", 2.0), last_stage="memory"), "was cut short in memory and had not got to rom"),
        (boot("running", ("memory", 2.0), last_stage="memory"), "still runs in memory and has not got to rom"),
        (boot("finished", ("memory", 2.0), last_stage="memory"), "finished and had not got to rom"),
        (boot("stalled"), "stalled and had not got to rom"),
        (boot("cut-short", ("rom", 2.0)), None),
        (boot("recorded"), None),
        (boot("cut-short", anchored=False), None),
    ],
)
def test_what_was_entered_says_so_and_what_speaks_against_it(seen: Boot, words: str | None) -> None:
    """A pass by hand counts and is called so; where the boot's own record had not got there, that stands beside it."""
    said = judge(REACHED, seen, [entered("goal", True)])
    assert said.ok is True
    assert said.why == "passed, entered by hand" + (f"; the boot {words}" if words else "")
    assert judge(REACHED, seen, [entered("goal", False)]).why == "failed, entered by hand"
    assert judge(BY_HAND, seen, [entered("goal", True)]).why == "passed, entered by hand"
