"""The numbers that boots are judged by, each held from both sides of its edge."""

from __future__ import annotations

import pytest
from support.story import ANCHOR, POST, TABLE, Story, findings

from benchd.boots.loops import Pass, RestartChain, same_pass
from benchd.boots.machine import ROWS, BootMachine
from benchd.boots.state import BootState
from benchd.vocabulary.events import BootStarted
from benchd.vocabulary.records import Annotation
from benchd.vocabulary.times import NS


@pytest.mark.parametrize(("after_s", "boots"), [(2.9, 1), (3.1, 2)])
def test_a_boot_joined_in_the_middle_is_the_one_that_starts_within_three_seconds(after_s: float, boots: int) -> None:
    """A stage, then the start mark: one boot if it comes soon, two if not."""
    story = Story().tell((0, "05"), (after_s, "01"), until=after_s + 1)
    assert len(story.of(BootStarted)) == boots


@pytest.mark.parametrize(("after_s", "boots"), [(29.9, 1), (30.1, 2)])
def test_another_start_mark_within_thirty_seconds_is_of_the_same_boot(after_s: float, boots: int) -> None:
    """A table with two start marks: the second belongs to the boot that the first began, for half a minute."""
    table = TABLE.replace('starts = [{ code = "01" }]', 'starts = [{ code = "01" }, { text = "Version" }]')
    story = Story(table).tell((0, "01"), (0.1, "05"), (after_s, "> Version 1"))
    assert len(story.of(BootStarted)) == boots


@pytest.mark.parametrize(("times", "found"), [(3, []), (4, [("fault", "floating-bus")])])
def test_a_bus_floats_from_four_in_a_row(times: int, found: list[tuple[str, str]]) -> None:
    """Three FFh may be noise; four are a bus that nobody drives."""
    story = Story().tell((0, "01"), (0.1, "05"), *((0.2 + n / 100, "FF") for n in range(times)))
    assert findings(story.boots[0]) == found


@pytest.mark.parametrize(("lost", "same"), [(2, True), (6, False)])
def test_passes_are_alike_from_four_codes_in_five(lost: int, same: bool) -> None:
    """A slow card loses some codes of a pass: 8 of 10 still are the same way, 4 of 10 are not.

    The ratio is 2M/T of Ratcliff and Obershelp, as `difflib` computes it: 16/18 and 8/14.
    """
    boot = BootState("b", "m", "t", None, None, 0, 0, "", True, ANCHOR)
    whole = tuple(range(10))
    one, other = (Pass(boot, 0, NS, codes, ("early",)) for codes in (whole, whole[: 10 - lost]))
    assert same_pass(one, other) is same


def test_what_is_no_more_in_a_chain_is_handed_back() -> None:
    """Each pass leaves the chain once, so that its boot is told as over once."""
    boot = BootState("b", "m", "t", None, None, 0, 0, "", True, ANCHOR)
    one, other = (Pass(boot, 0, NS, (n,), (stage,)) for n, stage in ((1, "early"), (2, "memory")))
    chain = RestartChain()
    assert chain.add(one) == [] and chain.add(other) == [one]
    assert chain.goes_elsewhere("early") and not chain.goes_elsewhere("memory")
    assert chain.clear() == [other] and chain.clear() == []


LIMITED = TABLE.replace('quiet = "30s"', 'quiet = "4s"', 1)


@pytest.mark.parametrize(("until", "stalled"), [(9.9, False), (10.1, True)])
def test_a_stage_with_a_long_limit_is_judged_by_the_shorter_pause(until: float, stalled: bool) -> None:
    """Limit 9 s, table's quiet 4 s: the stage began at 1 s and spoke at 5 s, so it stalls at 10 s, not at 14 s."""
    story = Story(LIMITED).tell((0, "01"), (0.1, "05"), (1.0, "20"), (5.0, "21"), until=until)
    assert (story.boots[0].outcome == "stalled") is stalled


def test_silence_while_nobody_looked_proves_nothing() -> None:
    """Stopped and continued for 40 s: no stall for that; counted anew from there, and the boot says so."""
    story = Story(links=(POST,)).tell((0, "01"), (0.1, "05"), (1.0, "20"), until=2)
    story.tell((2.0, Annotation(2 * NS, "attention", "40.0")), until=50.9)
    (boot,) = story.boots
    assert boot.outcome == "running" and not boot.findings
    assert [(b.link, b.t, b.until, b.why) for b in story.boots[0].blind] == []  # told with the record's next change
    (boot,) = story.tell(until=51.1).boots
    assert boot.outcome == "stalled"
    assert [(b.link, b.t, b.until, b.why) for b in boot.blind] == [("post", 2.0, 42.0, "not-watched")]


def test_what_may_have_come_unseen_is_not_skipped() -> None:
    """The storage ROM's text may have come while the console was out: finished, but nothing is said of the ROM."""
    from benchd.vocabulary.observations import LinkChange

    def link(t: float, up: bool) -> tuple[float, LinkChange]:
        return t, LinkChange("console", round(t * NS), 0, up, "cable")

    start = [(0.0, "01"), (0.1, "05"), (1.0, "20")]
    seen = Story().tell(*start, (3.0, "AA"), until=5)
    assert ("skipped", "storage-rom") in findings(seen.boots[0])
    blind = Story().tell(*start, link(1.5, False), link(2.5, True), (3.0, "AA"), until=5)
    assert findings(blind.boots[0]) == []
    assert [(b.link, b.t, b.until, b.why) for b in blind.boots[0].blind] == [("console", 1.5, 2.5, "down")]


@pytest.mark.parametrize("value", ["", "memory", "memory=x:learned-normal:5", "memory=nan:learned-normal:5",
                                   "memory=inf:distribution-free:5", "memory=2.0:guessed:5"])  # fmt: skip
def test_a_damaged_annotation_is_refused_by_name(value: str) -> None:
    """One flipped byte in a capture: told as lost, and judging goes on by what was in force."""
    story = Story().tell((0, "01"), (0.0, Annotation(0, "limit", value)), (0.1, "05"), (1.0, "20"), until=10.1)
    assert [(e.reason, e.link) for e in story.events if hasattr(e, "reason")] == [("bad-limit", "")]
    assert [(f.limit_s, f.limit_kind) for f in story.boots[0].findings] == [(9.0, "explicit")]


def test_every_row_names_what_the_machine_has() -> None:
    """The table drives the machine: its conditions and actions exist, and its rules are those of the prose above."""
    import benchd.boots.machine as module

    for row in ROWS:
        for name in (*row.do, *([row.when] if row.when else [])):
            assert callable(getattr(BootMachine, f"_{name}")), name
    told = {
        int(line.split(".")[0])
        for line in (module.__doc__ or "").splitlines()
        if line.strip()[:2].strip(". ").isdigit()
    }
    assert told == {row.rule for row in ROWS}
