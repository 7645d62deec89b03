"""What is said and shown of boots while `benchd run` works: its lines, the goal's verdict, the last boot, a silence."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from live.by_capture import GOOD
from sinks.story import Teller
from support.story import TABLE
from support.virtual import VirtualBench, machine_toml

from benchd.cli.serving import set_up_logging
from benchd.clock import Backoff
from benchd.daemon import Daemon
from benchd.errors import UsageError
from benchd.sinks.alerts.channels import Channel, DeliveryFailed
from benchd.sinks.alerts.message import AlertMessage
from benchd.store import Result, StoredStudy, Trial
from benchd.store.study_models import Hand
from benchd.vocabulary.events import BootOver
from benchd.vocabulary.times import NS
from benchd.watch.telling import MOST, Telling

HANGS = GOOD[:4]
LATER = ((0.0, 0xAA),)
STUDY = {
    "question": "Does it boot?",
    "goal": {"kind": "stage-reached", "target": "hand-over"},
    "factor": [{"name": "slot", "levels": ["1", "2"]}],
}


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> VirtualBench:
    (tmp_path / "t.toml").write_text(TABLE)
    return VirtualBench(tmp_path, machine_toml("pc"), monkeypatch)


@pytest.fixture
def said(caplog: pytest.LogCaptureFixture) -> Callable[[], list[str]]:
    """The lines of `benchd.boots` so far."""
    caplog.set_level(logging.INFO)
    return lambda: [record.getMessage() for record in caplog.records if record.name == "benchd.boots"]


def wall(bench: VirtualBench, back_s: float = 0.0) -> str:
    return (datetime.fromtimestamp(bench.clock.time_ns() / NS, UTC) - timedelta(seconds=back_s)).isoformat()


def start(daemon: Daemon, bench: VirtualBench, back_s: float = 0.0) -> Trial:
    at = wall(bench, back_s)
    daemon.store.save_study(StoredStudy(name="slots", document=STUDY, created=at, edited=at))
    return daemon.store.start_trial(study="slots", machine="pc", setup={"slot": "1"}, changed={}, started=at)


async def until(what: Callable[[], object]) -> None:
    for _ in range(200):
        if what():
            return
        await asyncio.sleep(0.25)
    raise AssertionError("it did not come to be within 50 s of the bench's clock")


def test_a_line_at_start_end_stall_recovery_and_trial_change(
    bench: VirtualBench, said: Callable[[], list[str]]
) -> None:
    """One line each, in the order in which they happened, and one of whether it reached what the trial is for."""

    async def story(daemon: Daemon) -> None:
        trial = start(daemon, bench)
        await asyncio.sleep(2)
        await bench.play("post", HANGS)
        await asyncio.sleep(20)
        await bench.play("post", LATER)
        await until(lambda: all(any(word in line for line in said()) for word in ("boot finished", "goal")))
        daemon.store.end_trial(trial.id, wall(bench))
        await asyncio.sleep(2)

    bench.run(story)
    lines = [line.removeprefix("pc: ") for line in said()]
    goal = "goal reached: hand-over reached at 22.00 s"  # asked of the store: it may come before the boot is over
    assert lines.index(goal) in (4, 5)
    lines.remove(goal)
    assert lines == [
        "trial T1 of study 'slots' runs",
        "a boot begins (code 01), trial T1",
        "STALL: rom-never-returns in rom-scan at 7.0 s",
        "stall: rom-never-returns is over after 15.0 s",
        "boot finished in hand-over after 22.0 s, last code AA, trial T1",
        "no trial runs any more; boots seen now belong to none",
    ]


def test_a_trial_of_yesterday_is_told_as_perhaps_forgotten(bench: VirtualBench, said: Callable[[], list[str]]) -> None:
    """With the day, and the command that ends it; the picture has when it began."""
    shown: list[str] = []

    async def story(daemon: Daemon) -> None:
        start(daemon, bench, back_s=86_400)
        await until(lambda: daemon.now.picture("pc").trial_left)
        shown.append(str(daemon.now.picture("pc").trial_started))

    bench.run(story)
    (line,) = said()
    assert "Trial T1 of study slots runs since yesterday" in line and "`benchd trial end T1`" in line
    assert datetime.fromisoformat(shown[0]).day == 14


def test_quiet_says_none_of_it(capsys: pytest.CaptureFixture[str]) -> None:
    """Neither starts nor stalls; trouble with the outside is said all the same."""
    before = logging.getLogger().handlers[:], logging.getLogger().level
    t, told = Teller(), Telling()
    try:
        for quiet, wanted in ((False, 3), (True, 1)):
            set_up_logging(quiet=quiet)
            for event in (t.started(), t.raised(9.0), t.link(10.0, False)):
                told.event(event, True)
            assert len(capsys.readouterr().err.splitlines()) == wanted
    finally:
        logging.getLogger("benchd.boots").setLevel(logging.NOTSET)
        logging.getLogger().handlers[:], logging.getLogger().level = before[0], before[1]


def test_a_machine_that_loops_does_not_flood_the_terminal(said: Callable[[], list[str]]) -> None:
    """A hundred restarts in ten seconds are some lines and a count; passes of a loop are not said at all."""
    t, told = Teller(), Telling()
    for n in range(100):
        told.event(t.started(n / 10, f"b{n}"), True)
        told.event(BootOver(t.machine, t.at(n / 10), t.boot(f"b{n}", "cut-short", passes_of="b100")), True)
    told.event(t.started(60, "late"), True)
    assert len(said()) == MOST + 2
    assert said()[-2] == f"at286: {100 - MOST} more starts and ends of boots were not said one by one"


def test_a_stage_that_was_left_out_is_said_as_such(said: Callable[[], list[str]]) -> None:
    """A person reads what did not happen, not the rule's name twice."""
    t, told = Teller(), Telling()
    told.event(t.raised(9.0, "skipped", "storage-rom", stage="storage-rom"), True)
    told.event(t.raised(9.0), True)
    assert said()[0] == "at286: SKIPPED: finished, but storage-rom was never reached, at 9.0 s"
    assert said()[1].startswith("at286: STALL: rom-never-returns")


def picture_goal(daemon: Daemon) -> tuple[bool | None, str | None]:
    goal = daemon.now.picture("pc").goal
    return (goal.ok, goal.boot) if goal else (None, None)


def test_the_verdict_of_the_goal_is_in_the_picture(bench: VirtualBench) -> None:
    """Of the running trial's newest boot: reached as soon as the stage is, a hand's result at once, none without."""

    async def story(daemon: Daemon) -> None:
        assert daemon.now.picture("pc").goal is None
        await bench.play("post", GOOD)
        await asyncio.sleep(40)
        trial = start(daemon, bench)
        await until(lambda: daemon.now.picture("pc").goal)
        goal = daemon.now.picture("pc").goal
        assert goal is not None
        assert (goal.trial, goal.short, goal.boot, goal.ok) == ("T1", "hand-over", None, None)
        assert goal.why == "no boot of this trial yet"
        await bench.play("post", HANGS)
        await until(lambda: picture_goal(daemon)[1])
        assert picture_goal(daemon)[0] is None
        await until(lambda: picture_goal(daemon)[0] is False)
        boot = daemon.now.picture("pc").boot
        assert boot is not None and boot.outcome == "stalled"
        daemon.store.add_result(
            Result(trial=trial.id, boot=boot.id, check="goal", passed=True, note="it prints", entered=wall(bench))
        )
        await until(lambda: picture_goal(daemon)[0] is True)
        hand = Hand(wall(bench), "page")
        daemon.store.leave_out(boot.id, "unsure", hand)
        await until(lambda: picture_goal(daemon) == (None, boot.id))
        daemon.store.count_boot(boot.id, hand)
        await until(lambda: picture_goal(daemon)[0] is True)
        daemon.store.move_boot(boot.id, None, hand)
        await until(lambda: picture_goal(daemon) == (None, None))

    bench.run(story)


def test_after_a_restart_the_last_boot_is_there(bench: VirtualBench) -> None:
    """With its outcome, from the store, until the machine boots again."""
    first: list[str] = []

    async def once(daemon: Daemon) -> None:
        await bench.play("post", GOOD)
        await until(lambda: daemon.store.boots(outcome="finished"))
        first.append(daemon.store.boots(limit=1)[0].id)

    async def again(daemon: Daemon) -> None:
        await until(lambda: daemon.now.picture("pc").boot)
        now = daemon.now.picture("pc")
        assert now.boot is not None
        assert (now.boot.id, now.boot.outcome, now.remembered, now.stage) == (first[0], "finished", True, "hand-over")
        assert now.boot_for_s is not None and 0 < now.boot_for_s < 100
        await bench.play("post", GOOD)
        await asyncio.sleep(1)
        now = daemon.now.picture("pc")
        assert now.boot is not None and now.boot.id != first[0] and not now.remembered

    bench.run(once)
    bench.run(again)


class Ear(Channel):
    """A channel whose other end does not answer until it is `there`."""

    def __init__(self) -> None:
        super().__init__("ear", tries=50, backoff=Backoff(0.2, 0.5))
        self.there, self.heard = False, list[AlertMessage]()

    async def deliver(self, message: AlertMessage) -> None:
        if not self.there:
            raise DeliveryFailed("nobody there")
        self.heard.append(message)


def test_a_silenced_alarm_is_not_delivered(bench: VirtualBench, monkeypatch: pytest.MonkeyPatch) -> None:
    """The channel that could not deliver it yet does not try on, nor tells that it is over; another hang is told.
    What does not stand cannot be silenced."""
    ear = Ear()
    monkeypatch.setattr("benchd.sinks.alerts.sink.channels_of", lambda settings: [ear])
    bench.toml += '[alert]\ncommand = ["unused"]\n'

    async def story(daemon: Daemon) -> None:
        with pytest.raises(UsageError, match="does not stand on pc any more"):
            daemon.silence("pc", "stall", "rom-never-returns", 600)
        await bench.play("post", HANGS)
        await until(lambda: ear.results["failed"])
        daemon.silence("pc", "stall", "rom-never-returns", 600)
        assert daemon.now.picture("pc").silent_for_s == 600
        await until(lambda: ear.results["silenced"])
        ear.there = True
        await bench.play("post", LATER)
        await asyncio.sleep(40)
        assert ear.heard == []
        await bench.play("post", HANGS)
        await until(lambda: ear.heard)
        assert daemon.now.picture("pc").silent_for_s is None

    bench.run(story)
    assert [message.state for message in ear.heard] == ["raised"]
