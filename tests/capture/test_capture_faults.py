"""Each call of the disk under a machine's captures goes wrong in turn: nothing lost, and a replay judges as live."""

from __future__ import annotations

import errno
import os
import stat
import time
from pathlib import Path
from typing import Any

import pytest
from boots.test_rotation import GOOD, HANGS, Bench
from sinks.faults import Fault

from benchd.capture import keeper as keeper_module
from benchd.capture import read_capture
from benchd.capture import writer as writer_module
from benchd.vocabulary.models import Boot
from benchd.vocabulary.records import Chunk, Record
from benchd.watch.replay import run_files

CALLS = ("write", "fsync", "open", "ftruncate")


class Disk:
    """Stands in for `os` in the capture's writer; `harmless` says that the fault hit only the syncing of a folder."""

    def __init__(self, fault: Fault) -> None:
        self.fault, self.harmless, self.hit = fault, True, ""

    def __getattr__(self, name: str) -> Any:
        real = getattr(os, name)
        if name not in CALLS:
            return real

        def call(*args: Any) -> Any:
            mode = self.fault.due()
            if not mode:
                return real(*args)
            self.hit = name
            self.harmless = self.harmless and (is_folder(args[0]) or mode in ("slow", "short"))
            if mode == "slow":
                time.sleep(0.001)
                return real(*args)
            if name == "write" and mode in ("short", "torn"):
                done = real(args[0], args[1][: len(args[1]) // 2])
                if mode == "short":
                    return done
            elif mode == "short":
                return real(*args)
            raise OSError(errno.EIO, os.strerror(errno.EIO))

        return call


def is_folder(what: int | Path) -> bool:
    return stat.S_ISDIR(os.fstat(what).st_mode) if isinstance(what, int) else what.is_dir()


def life(folder: Path, disk: Disk, patch: pytest.MonkeyPatch) -> tuple[Bench, int, list[Boot]]:
    """Three boots on two links, files that end between boots and in the midst of one; return what was told live."""
    patch.setattr(writer_module, "os", disk)
    bench = Bench(folder)
    bench.run.limit_bytes = 1
    bench.note("trial", "T1")
    for number, played in enumerate((GOOD, HANGS, GOOD)):
        bench.run.keeping.most_bytes = 1300 if number else 1 << 30
        bench.boot(played, line="half a line ")
        bench.run.keeping.sync()
        bench.go(700)
        bench.take(Chunk("console", bench.ms * 1_000_000, b"and its end\r\n"))
        bench.go(11_000 if played is HANGS else 1000)
        bench.run.keeping.sync()
        bench.run.keeper.retry()
    seen = disk.fault.seen
    return bench, seen, bench.finish()


def bytes_of(bench: Bench) -> list[Record]:
    files = run_files(bench.captures)
    return [r for path in files for r in read_capture(path).records() if isinstance(r, Chunk)]


def sweep(tmp_path: Path, patch: pytest.MonkeyPatch, mode: str, times: int, step: int) -> int:
    patch.setattr(keeper_module, "RETRY_S", 0.0)
    sound, calls, boots = life(tmp_path / "sound", Disk(Fault()), patch)
    want = bytes_of(sound)
    assert [boot.outcome for boot in boots] == ["finished", "stalled", "finished"] and len(sound.captures) > 4
    for at in range(0, calls - times, step):
        disk = Disk(Fault(at, mode, times))
        bench, _, live = life(tmp_path / f"{at}", disk, patch)
        keeper, where = bench.run.keeper, f"call {at}, {disk.hit}"
        assert disk.hit, where
        assert live == boots == bench.together(), where
        assert bytes_of(bench) == want, where
        assert (keeper.trouble, keeper.waiting, keeper.dropped) == (None, 0, 0), where
        if times == 1:
            assert keeper.failures == (0 if disk.harmless else 1), f"{where}: told once"
    return calls


@pytest.mark.parametrize(("mode", "times"), [("fail", 1), ("torn", 1), ("short", 1), ("fail", 5)])
def test_calls_of_the_disk_go_wrong(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, mode: str, times: int) -> None:
    """Every 41st call, over the whole run: fails, fails after half of it, does half of it, fails five times on."""
    assert sweep(tmp_path, monkeypatch, mode, times, 41) > 100


@pytest.mark.long
@pytest.mark.parametrize(
    ("mode", "times"), [("fail", 1), ("torn", 1), ("short", 1), ("slow", 1), ("fail", 2), ("torn", 3), ("fail", 9)]
)
def test_each_call_of_the_disk_goes_wrong(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, mode: str, times: int
) -> None:
    """Each call in turn."""
    assert sweep(tmp_path, monkeypatch, mode, times, 1) > 100
