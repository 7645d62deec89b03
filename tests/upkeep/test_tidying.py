"""Tidying up beside a running bench: on its clock, never the file that is written, told when the disk runs full."""

from __future__ import annotations

import asyncio
import os
import re
from pathlib import Path

import pytest
from live.by_capture import GOOD
from support.pipelines import ANCHOR
from support.story import TABLE
from support.virtual import VirtualBench, machine_toml

from benchd.capture import letgo, packed
from benchd.daemon import Daemon
from benchd.store import Store
from benchd.upkeep import tidying
from benchd.upkeep.tidying import Tidying
from benchd.vocabulary.times import NS
from benchd.watch.replay import Replay

DAY_NS = 86_400 * NS


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> VirtualBench:
    (tmp_path / "t.toml").write_text(TABLE)
    toml = f"[bench]\nkeep_days = 30\nreserve_gb = 2\n{machine_toml('pc')}"
    return VirtualBench(tmp_path, toml, monkeypatch)


def files(bench: VirtualBench) -> list[Path]:
    return sorted(path for path in (bench.folder / "data/captures/pc").iterdir() if path.suffix in (".pcapng", ".gz"))


def aged(bench: VirtualBench) -> None:
    """Let files be as old as the bench's clock says: the disk's own clock stands still meanwhile."""
    for path in files(bench):
        if path.stat().st_mtime > 1_760_000_000:  # written just now, by the real clock
            at = ANCHOR.wall_ns / 1e9 + bench.clock.now_ns / 1e9
            os.utime(path, (at, at))


def value(daemon: Daemon, name: str) -> float:
    text = daemon.metrics.render(None)[0].decode()
    found = re.search(rf"^{name}(?:_total)? (\S+)$", text, re.M)
    assert found is not None, name
    return float(found[1])


def test_beside_a_running_bench(bench: VirtualBench, monkeypatch: pytest.MonkeyPatch) -> None:
    """A run's captures are compressed after a week and let go after a month, while later runs go on; boots stay."""
    free = [50 * 10**9]
    monkeypatch.setattr(tidying, "free_bytes", lambda folder: free[0])

    async def play(daemon: Daemon) -> None:
        await bench.play("post", GOOD)
        await asyncio.sleep(30)

    bench.run(play)
    aged(bench)
    (first,) = files(bench)
    bench.clock.now_ns += 8 * DAY_NS
    bench.run(play)
    aged(bench)
    assert sorted(path.suffix for path in files(bench)) == [".gz", ".pcapng"]
    assert len(Replay(files(bench)).boots()) == 2
    bench.clock.now_ns += 24 * DAY_NS

    async def watch(daemon: Daemon) -> None:
        await bench.play("post", GOOD)
        bench.clock.now_ns += 40 * DAY_NS  # the file that is written is older than anything may be, and stays
        await asyncio.sleep(30)
        stored = sum(path.stat().st_size for path in files(bench))
        disk = daemon.disk
        looked = disk.pop("captures")
        assert disk == {"free": free[0], "reserve": 2 * 10**9, "below_reserve": False}
        assert isinstance(looked, int) and 0 <= stored - looked < 100  # a mark of time was written since that look
        assert value(daemon, "benchd_disk_below_reserve") == 0 and value(daemon, "benchd_captures_let_go") == 2
        free[0] = 10**9
        await asyncio.sleep(20)
        assert daemon.disk["below_reserve"] is True and value(daemon, "benchd_disk_below_reserve") == 1
        assert value(daemon, "benchd_disk_free_bytes") == 10**9
        free[0] = 3 * 10**9
        await asyncio.sleep(20)
        assert daemon.disk["below_reserve"] is False
        assert len(files(bench)) == 1 and daemon.runs["pc"].keeper.path in files(bench)

    bench.run(watch)
    assert letgo.let_go(first) is not None
    with Store.open(str(bench.folder / "data/benchd.db")) as store:
        assert [boot.outcome for boot in store.boots()] == ["finished"] * 3


def test_it_ends_with_the_daemon_after_one_step(bench: VirtualBench, monkeypatch: pytest.MonkeyPatch) -> None:
    """A stop comes while a large capture is compressed: the next block is the last, and the capture is whole."""
    bench.run(lambda daemon: asyncio.sleep(1))
    aged(bench)
    (capture,) = files(bench)
    with capture.open("ab") as file:
        file.write(bytes(40 * packed.ROOM))
    whole = capture.read_bytes()
    at = ANCHOR.wall_ns / 1e9
    os.utime(capture, (at, at))
    bench.clock.now_ns += 30 * DAY_NS
    steps: list[int] = []
    pause = Tidying._pause

    async def stop(daemon: Daemon) -> None:
        def stopping(own: Tidying) -> None:
            steps.append(1)
            if len(steps) == 3:
                own.stop()
            pause(own)

        monkeypatch.setattr(Tidying, "_pause", stopping)
        daemon.tidying._tidier._pause = lambda: stopping(daemon.tidying)
        await asyncio.sleep(60)

    bench.toml = bench.toml.replace("keep_days = 30\n", "")
    bench.run(stop)
    assert len(steps) == 3 and capture.read_bytes() == whole and not list(capture.parent.glob("*.part"))


def test_it_has_the_lowest_priority(bench: VirtualBench) -> None:
    """Its thread is as nice as a thread can be, and the thread that reads is not."""
    nice: list[int] = []

    async def look(daemon: Daemon) -> None:
        await asyncio.sleep(30)
        nice.append(await daemon.tidying._worker.run(lambda: os.getpriority(os.PRIO_PROCESS, 0)))
        nice.append(os.getpriority(os.PRIO_PROCESS, 0))

    before = os.getpriority(os.PRIO_PROCESS, 0)
    bench.run(look)
    assert nice == [19, before]
