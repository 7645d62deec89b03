"""Threads that keep and that put on disk: none closes what another writes, nor waits for its disk."""

from __future__ import annotations

import errno
import os
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from capture.test_keeper import chunk, kept, make

from benchd.vocabulary.records import Chunk
from benchd.watch import keeping as keeping_module
from benchd.watch.inbox import Inbox, Rotation
from benchd.watch.keeping import Keeping


def in_thread(work: Any) -> None:
    thread = threading.Thread(target=work, name="sync")
    thread.start()
    thread.join(10)
    assert not thread.is_alive()


@pytest.mark.parametrize("cut", [False, True])
@pytest.mark.parametrize("how", ["sync fails", "deleted"])
def test_a_sync_that_fails_in_the_midst_of_a_write(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, how: str, cut: bool
) -> None:
    """The file is given up by who writes it, after the write: its bytes go nowhere else, though another file of this
    process is opened at that moment and gets any number that is free; no half record is left, and it is told once."""
    folder = tmp_path / "pc"
    keeper = make(folder)
    keeper.keep(chunk(0))
    real_write, real_sync = os.write, os.fsync
    others: list[int] = []

    def failing(fd: int) -> None:
        if threading.current_thread().name == "sync" and how == "sync fails":
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        real_sync(fd)

    def write(fd: int, data: bytes) -> int:
        monkeypatch.setattr(os, "write", real_write)
        if how == "deleted":
            assert keeper.path is not None
            keeper.path.rename(folder / "away")
        in_thread(keeper.sync)
        others.append(os.open(tmp_path / "other", os.O_WRONLY | os.O_CREAT))
        return real_write(fd, data[: len(data) // 2] if cut else data)

    monkeypatch.setattr(os, "fsync", failing)
    monkeypatch.setattr(os, "write", write)
    for n in range(1, 4):
        keeper.keep(chunk(n))
    assert keeper.failures == 1 and keeper.trouble is None and (keeper.waiting, keeper.dropped) == (0, 0)
    keeper.close()
    assert len(others) == 1
    os.close(others[0])
    assert (tmp_path / "other").read_bytes() == b""
    if how == "deleted":
        (folder / "away").rename(folder / "19990101-000000.pcapng")
    assert kept(folder) == [chunk(n) for n in range(4)] and len(list(folder.iterdir())) == 2


def test_a_sync_that_meets_a_closed_file_is_no_trouble(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file that ends while its sync begins has been put on disk by who ended it; another with its number is safe."""
    keeper = make(tmp_path)
    keeper.keep(chunk(0))
    real = os.fstat
    ended: list[bool] = []

    def fstat(fd: int) -> os.stat_result:
        if threading.current_thread().name == "sync" and not ended:
            ended.append(True)
            keeper.rotate()
            keeper.keep(chunk(1))
        return real(fd)

    monkeypatch.setattr(os, "fstat", fstat)
    in_thread(keeper.sync)
    assert ended and keeper.failures == 0 and keeper.trouble is None
    keeper.keep(chunk(2))
    keeper.close()
    assert kept(tmp_path) == [chunk(n) for n in range(3)] and len(list(tmp_path.iterdir())) == 2


def test_a_slow_disk_keeps_no_record_waiting(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While a sync hangs, records are written, and files are ended and begun."""
    monkeypatch.setattr(keeping_module, "SYNC_S", 0.01)
    real = os.fsync
    hangs, go_on = threading.Event(), threading.Event()

    def slow(fd: int) -> None:
        if threading.current_thread().name.startswith("sync"):
            hangs.set()
            go_on.wait(60)
        real(fd)

    monkeypatch.setattr(os, "fsync", slow)
    inbox = Inbox()
    keeper = make(tmp_path)
    keeping = Keeping("pc", inbox, keeper, lambda: None)
    keeping.start()
    try:
        inbox.deliver(chunk(0))
        assert hangs.wait(10)
        for n in range(1, 40):
            inbox.deliver(chunk(n))
            if n % 10 == 0:
                inbox.put(Rotation("t", "[table]", ""))
        waited = threading.Event()
        for _ in range(500):
            if inbox.all_kept or waited.wait(0.02):
                break
        assert inbox.all_kept and not go_on.is_set()
    finally:
        go_on.set()
        assert keeping.stop(10)
    keeping.close()
    assert keeper.failures == 0 and kept(tmp_path) == [chunk(n) for n in range(40)]
    assert len(list(tmp_path.iterdir())) == 4


def test_a_machine_whose_file_hangs_delays_no_other(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One thread writes for all; what waits for the disk at a file's beginning is done by the machine's own."""
    real = os.fsync
    hangs, go_on = threading.Event(), threading.Event()

    def slow(fd: int) -> None:
        if threading.current_thread().name == "files a":
            hangs.set()
            go_on.wait(60)
        real(fd)

    monkeypatch.setattr(os, "fsync", slow)
    writing, boxes = keeping_module.Writing(), {name: Inbox() for name in "abc"}
    keepers = {name: make(tmp_path / name) for name in "abc"}
    keepings = [Keeping(name, boxes[name], keepers[name], lambda: None, writing) for name in "abc"]
    for one in keepings:
        one.start()
    try:
        boxes["a"].deliver(chunk(0))
        assert hangs.wait(10)
        for n in range(30):
            for inbox in boxes.values():
                inbox.deliver(chunk(n))
            wait(lambda: boxes["b"].all_kept and boxes["c"].all_kept)
        assert not boxes["a"].all_kept and not go_on.is_set()
        go_on.set()
        wait(lambda: boxes["a"].all_kept)
    finally:
        go_on.set()
        assert all([one.stop(10) for one in keepings])
    for one in keepings:
        one.close()
    assert kept(tmp_path / "a") == [chunk(0), *(chunk(n) for n in range(30))]
    assert kept(tmp_path / "b") == kept(tmp_path / "c") == [chunk(n) for n in range(30)]


def test_the_shared_thread_ends_with_the_last_machine_and_begins_with_the_next(tmp_path: Path) -> None:
    writing = keeping_module.Writing()
    for n in range(3):
        inbox = Inbox()
        keeping = Keeping("pc", inbox, make(tmp_path / f"{n}"), lambda: None, writing)
        keeping.start()
        inbox.deliver(chunk(n))
        wait(lambda inbox=inbox: inbox.all_kept)  # type: ignore[misc]
        assert keeping.stop(10)
        keeping.close()
        assert kept(tmp_path / f"{n}") == [chunk(n)]
    wait(lambda: not any(thread.name == "keep" for thread in threading.enumerate()))


def test_a_record_that_fits_nowhere_takes_none_with_it(tmp_path: Path) -> None:
    """Of several that came together one is of no link of this capture: it is told, the others are kept."""
    inbox, keeper = Inbox(), make(tmp_path)
    keeping = Keeping("pc", inbox, keeper, lambda: None)
    for record in (chunk(0), chunk(1), Chunk("nowhere", 5, b"x"), chunk(2)):
        inbox.deliver(record)
    assert not keeping.keep() and inbox.all_kept
    keeping.close()
    assert kept(tmp_path) == [chunk(n) for n in range(3)]


def wait(condition: Callable[[], bool]) -> None:
    end = time.monotonic() + 30
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.002)
