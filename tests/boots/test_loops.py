"""Boots told apart: what restarts again and again by itself is a loop, what a person restarts are boots."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.pipelines import invariants
from support.story import TABLE, Story, findings

from benchd.inference.study import Factor, Goal, Study
from benchd.studies.loaded import judged
from benchd.vocabulary.events import BootOver, BootStarted
from benchd.vocabulary.observations import Observation
from benchd.vocabulary.records import Annotation
from benchd.vocabulary.times import NS

Steps = list[tuple[float, str | Observation]]
SHORT = ((0.0, "01"), (0.1, "05"), (0.5, "20"))
STUDY = Study("s", (Factor("card", ("a", "b")),), goal=Goal("stage-reached", "hand-over"))
GOOD = (*SHORT, (3.0, "24"), (4.0, "40"), (4.2, "> storage rom ready"), (5.0, "AA"))


def trial(t: float, name: str) -> tuple[float, Observation]:
    return t, Annotation(round(t * NS), "trial", name)


def at(t: float, steps: Sequence[tuple[float, str]] = SHORT) -> Steps:
    return [(round(t + dt, 6), what) for dt, what in steps]


def restarts(*times: float) -> Steps:
    """A short way at each of these times."""
    return [step for t in times for step in at(t)]


def looping(passes: int = 6, period: float = 1.5) -> Steps:
    return restarts(*(n * period for n in range(passes)))


def test_a_good_boot_after_a_loop_that_stood_is_a_boot_of_its_own_trial() -> None:
    """A loop, a stall, 75 s off that no line shows, a new trial, a good boot: finished, and in the new trial.

    Before, it was one pass more of the old loop, and the old trial was credited with reaching the goal.
    """
    story = Story().tell(trial(0.0, "T1"), *looping(), until=80.0)
    story.tell(trial(80.0, "T2"), *at(83.0, GOOD), until=95)
    *loop, good = story.boots
    assert {boot.outcome for boot in loop} == {"looped"} and {boot.trial for boot in loop} == {"T1"}
    assert (good.outcome, good.trial, good.start_reason, findings(good)) == ("finished", "T2", "code 01", [])
    assert [s.t for s in good.stages] == [0.1, 0.5, 4.0, 4.2, 5.0]
    assert len([f for boot in loop for f in findings(boot) if f[0] == "stall"]) == 1


@pytest.mark.parametrize(("pause", "new"), [(1.5, False), (2.4, False), (3.5, True), (20.0, True)])
def test_a_pause_far_beyond_the_length_of_a_pass_ends_a_loop(pause: float, new: bool) -> None:
    """Passes of 1.5 s; up to a second and a tenth longer is a pass, more is somebody at the switch. No stall needed."""
    table = TABLE.replace('limit = "9s"', 'limit = "90s"')
    story = Story(table).tell(*looping(6), *at(5 * 1.5 + pause, GOOD), until=60)
    assert [boot.outcome for boot in story.boots][3:] == (["looped", "finished"] if new else ["finished"])


def test_a_new_trial_ends_a_loop_at_its_next_start() -> None:
    """The machine loops on under the next trial: each trial has a loop of its own, and its boots."""
    steps = looping(12)
    story = Story().tell(trial(0.0, "T1"), *steps[:18], trial(8.5, "T2"), *steps[18:], until=17)
    loops = [(boot.trial, boot.passes_of is None) for boot in story.boots if boot.outcome == "looped"]
    assert loops == [("T1", False)] * 3 + [("T1", True)] + [("T2", False)] * 3 + [("T2", True)]


def test_a_trial_between_restarts_parts_them() -> None:
    """Two restarts under one trial and two under the next are no loop of four."""
    steps = looping(4)
    story = Story().tell(trial(0.0, "T1"), *steps[:6], trial(2.5, "T2"), *steps[6:], until=5.5)
    assert [(b.outcome, b.trial) for b in story.boots] == [
        ("cut-short", "T1"), ("cut-short", "T1"), ("cut-short", "T2"), ("running", "T2"),
    ]  # fmt: skip


def test_a_stall_ends_a_loop() -> None:
    """The loop stands still for longer than its stage may: what starts then is a boot, though it goes the same way."""
    story = Story().tell(*looping(6, 8.9), until=60)
    assert story.boots[-1].outcome == "looped" and findings(story.boots[-1])[-1] == ("stall", "unknown")
    story.tell(*at(60), until=61)
    assert story.boots[-1].outcome == "running" and story.boots[-1].start_reason == "code 01"


@pytest.mark.parametrize(
    "times",
    [(0, 1.5, 3.3, 4.6), (0, 1.9, 4.0, 5.6), (0, 12.2, 26.1, 38.7)],
    ids=["quick", "quick too", "power cycles at a stall"],
)
def test_restarts_by_hand_are_failures_that_count_and_the_good_boot_after_them_is_good(times: tuple[float]) -> None:
    """Three restarts by a person at one place, before its limit: three boots that count as failed, and a good one.

    Before, they were passes of a loop, and the good boot was the rest of it.
    """
    table = TABLE.replace('limit = "9s"', 'limit = "60s"')
    story = Story(table).tell(*restarts(*times[:-1]), *at(times[-1], GOOD), until=times[-1] + 20)
    assert story.outcomes == ["cut-short"] * 3 + ["finished"]
    assert all(boot.passes_of is None and boot.ended is not None for boot in story.boots)
    assert {(b.last_stage, b.last_code) for b in story.boots[:3]} == {("memory", "20")}
    assert findings(story.boots[3]) == []
    assert [e.boot.id for e in story.of(BootOver)] == [boot.id for boot in story.boots]
    verdicts, _ = judged(STUDY, story.boots, [])
    assert [verdict.ok for verdict in verdicts] == [False, False, False, True]
    assert verdicts[0].why == "stalled in memory, before hand-over (restarted at this place 3 times in a row)"


def test_two_restarts_at_one_place_say_nothing() -> None:
    """A finger on reset twice: cut short, which does not say that the boots would have failed."""
    story = Story().tell(*restarts(0, 1.5), *at(3.3, GOOD), until=12)
    assert story.outcomes == ["cut-short", "cut-short", "finished"]
    assert [verdict.ok for verdict in judged(STUDY, story.boots, [])[0]] == [None, None, True]


def test_a_loop_that_is_not_regular_takes_five_passes_without_a_pause() -> None:
    """A machine that resets out of its work, at odd times: four restarts may be a person's, five are not."""
    times = [0.0, 0.7, 1.9, 2.7, 3.9, 4.6, 5.7]
    story = Story().tell(*restarts(*times[:5]), until=4.0)
    assert {b.outcome for b in story.boots} == {"cut-short", "running"}
    story.tell(*restarts(*times[5:]), until=6.5)
    assert set(story.outcomes) == {"looped"} and len(story.boots) == 6


def test_restarts_by_hand_all_evening_are_told_as_they_go() -> None:
    """Twenty restarts after long pauses: each a boot that is over soon after, none waits for a loop that is none."""
    story = Story(TABLE.replace('limit = "9s"', 'limit = "60s"'))
    times = [sum(11.0 + (n * 37 % 10) / 2 for n in range(k)) for k in range(20)]
    for n, t in enumerate(times):
        story.tell(*restarts(t))
        assert n - len(story.of(BootOver)) <= 4
    story.tell(*at(times[-1] + 9, GOOD), until=times[-1] + 30)
    assert story.outcomes == ["cut-short"] * 20 + ["finished"]


@st.composite
def evenings(draw: st.DrawFn) -> Steps:
    """Short ways, long ones, pauses and trials, one after another."""
    t, steps = 0.0, []
    for n in range(draw(st.integers(1, 14))):
        kind = draw(st.sampled_from(["short", "short", "short", "good", "trial", "off"]))
        if kind == "trial":
            steps.append(trial(t, f"T{n}"))
            continue
        t = round(t + draw(st.sampled_from([0.0, 0.0, 0.3, 2.0, 70.0])), 3)
        if kind == "off":
            steps.append((t, "OFF"))
            t += 4
            continue
        way = SHORT if kind == "short" else GOOD
        steps += at(t, way)
        t = round(t + way[-1][0] + 1.0, 3)
    return steps


def goods(steps: Steps) -> Iterator[tuple[float, str | None]]:
    """Start and trial of each good way of an evening."""
    now: str | None = None
    start = 0.0
    for t, what in steps:
        if isinstance(what, Annotation):
            now = what.value
        elif what == "01":
            start = t
        elif what == "AA":
            yield start, now


@settings(deadline=None, max_examples=150)
@given(evenings())
def test_a_good_boot_after_a_pause_is_credited_to_its_own_trial(steps: Steps) -> None:
    """Whatever came before: one finished boot a good way, and no boot has the finish of another trial's."""
    story = Story().tell(*steps)
    end = steps[-1][0] + 300
    story.tell(until=end)
    invariants(story.events)
    finished = [boot for boot in story.boots if boot.outcome == "finished"]
    assert [boot.trial for boot in finished] == [name for _, name in goods(steps)]
    assert len(story.of(BootStarted)) == len(story.boots)
