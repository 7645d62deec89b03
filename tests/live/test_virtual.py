"""The whole daemon on a virtual clock: limits, restarts, clocks that are set; only ports and time are made up."""

from __future__ import annotations

import asyncio
import errno
import shutil
import time
from collections.abc import Collection
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from live.by_capture import GOOD
from support.pipelines import ANCHOR
from support.story import TABLE
from support.virtual import VirtualBench, machine_toml

from benchd.daemon import Daemon
from benchd.sinks.alerts.policy import AlertPolicy
from benchd.store import Store
from benchd.store.boots import Boots, GoodBoot
from benchd.vocabulary.events import BootOver, Event, FindingCleared, FindingRaised
from benchd.vocabulary.times import NS
from benchd.watch.progress import Progress
from benchd.watch.replay import Replay

HANGS = GOOD[:3]


class Spy:
    """A sink that remembers."""

    name = "spy"

    def __init__(self) -> None:
        self.events: list[Event] = []

    def offer(self, event: Event) -> None:
        self.events.append(event)

    async def run(self) -> None:
        return

    async def close(self) -> None:
        return

    def status(self) -> dict[str, Any]:
        return {"name": self.name, "state": "running", "reason": "", "queued": 0, "dropped": {}}

    def of(self, kind: type) -> list[Any]:
        return [event for event in self.events if isinstance(event, kind)]


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> VirtualBench:
    (tmp_path / "t.toml").write_text(TABLE)
    return VirtualBench(tmp_path, machine_toml("pc"), monkeypatch)


def stored(bench: VirtualBench) -> list[tuple[str, int]]:
    with Store.open(str(bench.folder / "data/benchd.db")) as store:
        return [(boot.outcome, boot.codes) for boot in store.boots(newest_first=False)]


def test_an_hour_of_boots_takes_seconds(bench: VirtualBench) -> None:
    """Twenty good boots and one that hangs, three minutes apart: all stored, the stall told at its limit."""
    spy, began = Spy(), time.monotonic()

    async def story(daemon: Daemon) -> None:
        daemon.sinks.append(spy)
        for _ in range(20):
            await bench.play("post", GOOD)
            await asyncio.sleep(177)
        await bench.play("post", HANGS)
        await asyncio.sleep(60)

    bench.run(story)
    assert stored(bench) == [("finished", 5)] * 20 + [("stalled", 3)]
    (stall,) = spy.of(FindingRaised)[-1:]
    assert stall.finding.kind == "stall" and stall.finding.limit_kind == "learned-normal"
    assert bench.clock.now_ns > 3600 * NS and time.monotonic() - began < 120


def test_what_stood_before_a_restart_stands_after_it(bench: VirtualBench) -> None:
    """A hung machine hangs on while we restart: it is told as standing, not as news; its next boot ends it, once."""
    before, after, again = Spy(), Spy(), Spy()

    async def hang(daemon: Daemon) -> None:
        daemon.sinks.append(before)
        await bench.play("post", GOOD)
        await asyncio.sleep(5)
        await bench.play("post", HANGS)
        await asyncio.sleep(60)

    async def look(daemon: Daemon) -> None:
        daemon.sinks.append(after)
        await asyncio.sleep(30)

    async def move_on(daemon: Daemon) -> None:
        daemon.sinks.append(again)
        await asyncio.sleep(30)
        assert [e.recovered for e in again.of(FindingRaised)] == [True]
        await bench.play("post", GOOD)
        await asyncio.sleep(5)

    bench.run(hang)
    stall = before.of(FindingRaised)[-1]
    assert stall.finding.kind == "stall"
    bench.run(look)
    (raised,) = after.of(FindingRaised)
    assert raised.recovered and raised.boot == stall.boot and raised.finding == stall.finding
    assert abs(raised.t_ns - stall.t_ns) < 2_000_000 and after.of(BootOver) == []
    bench.run(move_on)
    (cleared,) = again.of(FindingCleared)[:1]
    assert cleared.boot == stall.boot and cleared.stood_s > 60
    policy = AlertPolicy(["stall"], link_delay_s=1, flaps=3, window_s=60)
    assert [notice.state for event in again.events for notice in policy.feed(event)] == ["recovered"]
    over = [event.boot for event in again.of(BootOver)]
    assert [(boot.outcome, boot.ended is not None) for boot in over] == [("stalled", True), ("finished", True)]
    with Store.open(str(bench.folder / "data/benchd.db")) as store:
        assert store.boot(stall.boot).ended == over[0].ended
    bench.run(look)
    assert len(after.of(FindingRaised)) == 1, "it stands no more"


def test_a_boot_cut_by_a_kill_gets_its_end(bench: VirtualBench, tmp_path: Path) -> None:
    """A kill leaves the data folder as it is at that moment: the next start tells sinks that the boot is over."""
    spy, copy = Spy(), tmp_path / "copy"

    async def story(daemon: Daemon) -> None:
        await bench.play("post", GOOD)
        await asyncio.sleep(5)
        await bench.play("post", GOOD[:2])
        await asyncio.sleep(1)
        shutil.copytree(bench.folder / "data", copy / "data")

    async def look(daemon: Daemon) -> None:
        daemon.sinks.append(spy)
        await asyncio.sleep(5)

    bench.run(story)
    bench.clock.now_ns += 60 * NS
    bench.folder = copy
    (copy / "t.toml").write_text(TABLE)
    bench.run(look)
    (over,) = spy.of(BootOver)
    assert (over.boot.outcome, over.boot.codes, over.boot.ended is not None) == ("cut-short", 2, True)
    assert spy.of(FindingRaised) == [] and stored(bench) == [("finished", 5), ("cut-short", 2)]


def test_limits_are_learned_seldom(bench: VirtualBench, monkeypatch: pytest.MonkeyPatch) -> None:
    """Good boots one after another for a minute, and history grows: limits are learned every 5 s at most."""
    learned: list[int] = []
    read: list[int] = []
    good_boots = Boots.good_boots

    def counted(
        store: Boots, machine: str, table: str, limit: int = 500, of: Collection[str] | None = None
    ) -> list[GoodBoot]:
        learned.append(bench.clock.now_ns)
        assert limit <= 500
        found = good_boots(store, machine, table, limit, of)
        read.append(len(found))
        return found

    monkeypatch.setattr(Boots, "good_boots", counted)

    async def story(daemon: Daemon) -> None:
        for _ in range(60):
            await bench.play("post", tuple((t / 10, code) for t, code in GOOD))
            await asyncio.sleep(0.7)
        assert daemon.learned["pc"]["memory"].boots > 40

    bench.run(story)
    assert [row[0] for row in stored(bench)] == ["finished"] * 60
    assert 5 < len(learned) <= 60 / 5 + 2
    assert sum(read) <= 60 + len(learned), "what was read before is not read again"


def test_a_clock_that_is_set_labels_the_boots_after_it(bench: VirtualBench) -> None:
    """Without a clock battery: the run begins in the past, the network sets the clock; a replay says the same."""
    bench.clock.set_ns = -20 * 365 * 86_400 * NS

    async def story(daemon: Daemon) -> None:
        await bench.play("post", GOOD)
        await asyncio.sleep(5)
        bench.clock.set_ns = 0
        await asyncio.sleep(5)
        await bench.play("post", GOOD)
        await asyncio.sleep(5)

    bench.run(story)
    with Store.open(str(bench.folder / "data/benchd.db")) as store:
        first, second = store.boots(newest_first=False)
    assert first.started.startswith("2005-") and second.started.startswith("2025-06-15T15:")
    since = datetime.fromisoformat(second.started).timestamp() - ANCHOR.wall_ns / NS
    assert 1010 < since < 1020, "the wall time at which it really started"
    assert Replay(sorted(bench.folder.rglob("*.pcapng"))).boots() == [first, second]


def test_a_disk_that_refuses_is_told_of_once(
    bench: VirtualBench, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """How far the store has a run is tried again each second; the log says so once, so that it hides nothing else."""
    real, full = Progress.write, [True]

    def write(progress: Progress, text: str) -> None:
        if full[0]:
            raise OSError(errno.ENOSPC, "no room")
        real(progress, text)

    monkeypatch.setattr(Progress, "write", write)

    async def story(daemon: Daemon) -> None:
        await bench.play("post", GOOD)
        await asyncio.sleep(30)
        full[0] = False
        await asyncio.sleep(5)
        assert (bench.folder / "data/captures/pc/stored.json").exists()

    bench.run(story)
    told = [record.getMessage() for record in caplog.records if "stored.json" in record.getMessage()]
    assert len(told) == 1 and "cannot be written" in told[0]
