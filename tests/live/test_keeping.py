"""Bytes are on disk within a second whatever else the daemon does, and a start reads first and recovers beside it.

Feeds are sockets on loopback, a line as fast as the test wants it; what was written is read from the capture file
itself, while the daemon goes on.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import socket
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from live.by_capture import GOOD
from support.daemon import DaemonProcess, free_port, link_toml, wait_for
from support.story import TABLE

from benchd.capture import CaptureWriter, read_capture
from benchd.daemon import Daemon
from benchd.settings import load_settings
from benchd.store import Store
from benchd.vocabulary.models import Boot
from benchd.vocabulary.records import Annotation, Chunk, LinkInfo
from benchd.vocabulary.times import NS
from benchd.watch.replay import Replay

PROMISE_S = 1.0
pytestmark = pytest.mark.alone


class Feed:
    """One connection at a time; `send` writes to it, and `sent` remembers what was sent, and when (monotonic)."""

    def __init__(self) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self.url = f"socket://127.0.0.1:{self._server.getsockname()[1]}"
        self.sent: list[tuple[float, bytes]] = []
        self._peer: socket.socket | None = None
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                peer, _ = self._server.accept()
                before, self._peer = self._peer, peer
                if before is not None:
                    before.close()

    def send(self, data: bytes) -> None:
        wait_for(lambda: self._peer)
        assert self._peer is not None
        self._peer.sendall(data)
        self.sent.append((time.monotonic(), data))

    def flood(self, data: bytes, ending: threading.Event) -> None:
        with contextlib.suppress(OSError):
            while not ending.is_set():
                assert self._peer is not None
                self._peer.sendall(data)

    def close(self) -> None:
        self._server.close()
        if self._peer is not None:
            self._peer.close()


@pytest.fixture
def feeds() -> Iterator[Callable[[], Feed]]:
    made: list[Feed] = []

    def make() -> Feed:
        made.append(Feed())
        return made[-1]

    yield make
    for feed in made:
        feed.close()


def machine(name: str, feed: Feed, kind: str = "post") -> str:
    return f'[[machine]]\nname = "{name}"\nrules = "t.toml"\n{link_toml(kind, feed.url)}'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "t.toml").write_text(TABLE)
    return tmp_path


def captured(folder: Path, name: str, since_ns: int = 0) -> bytes:
    """The bytes of a machine that its capture files hold at this moment."""
    data = b""
    for path in sorted((folder / "data/captures" / name).glob("*.pcapng")):
        data += b"".join(r.data for r in read_capture(path).records() if isinstance(r, Chunk) and r.t_ns >= since_ns)
    return data


def worst_delay(folder: Path, name: str, feed: Feed, seconds: float) -> float:
    """Send a byte every 50 ms and look whether it is in the file; return the longest wait (s)."""
    worst, end, n = 0.0, time.monotonic() + seconds, 0
    size = lambda: sum(p.stat().st_size for p in (folder / "data/captures" / name).glob("*.pcapng"))  # noqa: E731
    while time.monotonic() < end:
        before, began = size(), time.monotonic()
        n += 1
        feed.send(bytes([n & 0x7F]))
        wait_for(lambda before=before: size() >= before + 36, 120, 0.005)  # type: ignore[misc]
        worst = max(worst, time.monotonic() - began)
        time.sleep(0.05)
    return worst


def test_a_flood_of_one_machine_does_not_delay_another(folder: Path, feeds: Callable[[], Feed]) -> None:
    a, b = feeds(), feeds()
    with DaemonProcess(folder, machine("a", a, "console") + machine("b", b)) as daemon:
        wait_for(daemon.links_up)
        ending = threading.Event()
        flood = threading.Thread(target=a.flood, args=(b"an endless line of text " * 400, ending), daemon=True)
        flood.start()
        try:
            wait_for(lambda: daemon.metric("benchd_judging_behind_seconds", machine="a") > 0.2, 60)
            assert worst_delay(folder, "b", b, 6.0) < PROMISE_S
            behind = wait_for(lambda: _behind(daemon, "a"), 60)
            assert behind > 1.0 and _behind(daemon, "b") == 0.0, "B is judged in its turn as well"
        finally:
            ending.set()
    assert daemon.log.read_text().count("a: judging is") >= 1
    assert captured(folder, "b") == b"".join(data for _, data in b.sent)


def _behind(daemon: DaemonProcess, name: str) -> float:
    return float(daemon.api("/api/health")["captures"][name]["judging_behind_s"])


def test_big_answers_do_not_delay_keeping(folder: Path, feeds: Callable[[], Feed]) -> None:
    """Twelve lists of thousands of boots at once."""
    with Store.open(str(folder / "data/benchd.db")) as store:
        for n in range(1500):
            boot = Boot(
                id=f"pc-{n}", machine="pc", started=f"2025-01-01T{n // 3600:02d}:{n // 60 % 60:02d}:{n % 60:02d}+00:00",
                outcome="finished", stages=[{"name": f"s{i}", "t": i, "u": 0.001} for i in range(8)],  # type: ignore[list-item]
            )  # fmt: skip
            store.save_boot(boot)
    feed = feeds()
    with DaemonProcess(folder, machine("pc", feed)) as daemon:
        wait_for(daemon.links_up)
        ending = threading.Event()

        def ask() -> None:
            while not ending.is_set():
                with contextlib.suppress(OSError):
                    daemon.api("/api/boots?limit=10000")

        askers = [threading.Thread(target=ask, daemon=True) for _ in range(12)]
        for asker in askers:
            asker.start()
        try:
            assert worst_delay(folder, "pc", feed, 6.0) < PROMISE_S
        finally:
            ending.set()
    assert captured(folder, "pc") == b"".join(data for _, data in feed.sent)


def large_capture(folder: Path, records: int) -> None:
    """The capture of a run that was killed: one boot after another, and console text without end."""
    now, name = time.time_ns() - 3600 * NS, "20250101-000000.pcapng"
    path = folder / "data/captures/pc" / name
    path.parent.mkdir(parents=True)
    links = [LinkInfo("post", "post", "raw"), LinkInfo("console", "console", "text")]
    with CaptureWriter(path, machine="pc", table="t", links=links, wall_ns=now, mono_ns=0) as writer:
        writer.write(Annotation(0, "table", TABLE))
        for n in range(records):
            writer.write(Chunk("console", n * NS // 200, b"%08d the machine has a lot to say about itself\r\n" % n))
            if n % 500 == 0:
                for t, code in GOOD if n < records - 500 else GOOD[:3]:
                    writer.write(Chunk("post", n * NS // 200 + round(t / 2 * NS), bytes([code])))


def test_a_start_reads_first_whatever_is_to_be_recovered(folder: Path, feeds: Callable[[], Feed]) -> None:
    """A killed run of some hours: within 2 s of the start a byte is in the capture, and a stop takes 2 s at most."""
    large_capture(folder, 60_000)
    feed = feeds()
    (folder / "bench.toml").write_text(f'[http]\nlisten = "127.0.0.1:{free_port()}"\n{machine("pc", feed)}')
    since_ns = time.monotonic_ns()

    async def live() -> tuple[float, float]:
        began = time.monotonic()
        daemon = Daemon(load_settings(folder / "bench.toml"))
        work = asyncio.create_task(daemon.run())
        sent = False
        while not (path := daemon.runs["pc"].keeper.path) or not captured_in(path):
            assert not work.done()
            if daemon.runs["pc"].keeper.path and not sent:
                sent = True
                feed.send(b"\x01")
            await asyncio.sleep(0.01)
        first = time.monotonic() - began
        assert (
            not (folder / "data/captures/pc/stored.json").exists()
            or "true" not in (folder / "data/captures/pc/stored.json").read_text()
        ), "the recovery goes on"
        await asyncio.sleep(1.0)
        began = time.monotonic()
        daemon.stop()
        await work
        return first, time.monotonic() - began

    def captured_in(path: Path) -> bool:
        return any(isinstance(r, Chunk) and r.t_ns > since_ns for r in read_capture(path).records())

    first, stop = asyncio.run(live())
    assert first < 2.0 and stop < 2.0, (first, stop)


def test_a_stop_while_the_store_refuses_loses_no_boot(folder: Path, feeds: Callable[[], Feed]) -> None:
    """Another process holds the store for all of a run, from before its start: every boot is there after the next."""
    feed = feeds()
    settings = machine("pc", feed)
    with DaemonProcess(folder, settings) as daemon:
        wait_for(daemon.links_up)
    holder = sqlite3.connect(folder / "data/benchd.db", isolation_level=None)
    holder.execute("BEGIN EXCLUSIVE")
    try:
        with DaemonProcess(folder, settings) as daemon:
            wait_for(daemon.links_up)
            for _ in range(4):
                for _, code in GOOD:
                    feed.send(bytes([code]))
                    time.sleep(0.03)
                time.sleep(0.8)
            store = wait_for(
                lambda: [s for s in daemon.api("/api/health")["sinks"] if s["name"] == "store" and s["reason"]], 30
            )
            assert store[0]["reason"].startswith("store ") and "locked" in store[0]["reason"]
            began = time.monotonic()
            assert daemon.end() == 0
            assert time.monotonic() - began < 5.0
    finally:
        holder.close()
    expected = Replay(sorted((folder / "data/captures/pc").glob("*.pcapng"))).boots()
    assert [boot.outcome for boot in expected] == ["finished"] * 4
    with DaemonProcess(folder, settings) as daemon:
        wait_for(lambda: len(daemon.boots()) == 4, 120)
    assert [boot["id"] for boot in daemon.boots()] == [boot.id for boot in expected]


@pytest.mark.parametrize("state", ["damaged", "frozen"])
def test_a_store_that_is_no_store_keeps_no_link_from_being_read(
    folder: Path, feeds: Callable[[], Feed], state: str
) -> None:
    """Reading begins, health says what is wrong, and a stop takes 5 s at most."""
    feed, extra = feeds(), ""
    silent = socket.create_server(("127.0.0.1", 0))
    if state == "damaged":
        (folder / "data").mkdir()
        (folder / "data/benchd.db").write_bytes(b"this is no database" * 1000)
    else:
        extra = f'[bench]\nstore = "postgresql://u@127.0.0.1:{silent.getsockname()[1]}/x"\n'
    daemon = DaemonProcess(folder, machine("pc", feed))
    if extra:
        text = daemon.config.read_text()
        daemon.config.write_text(text.replace('data = "data"\n', f'data = "data"\n{extra.splitlines()[1]}\n'))
    with daemon, silent:
        wait_for(daemon.links_up)
        feed.send(b"\x01\x05")
        wait_for(lambda: captured(folder, "pc") == b"\x01\x05")

        def reason() -> Any:
            (store,) = [s for s in daemon.api("/api/health")["sinks"] if s["name"] == "store"]
            return store["state"] == "degraded" and store["reason"]

        assert "store" in wait_for(reason, 120)
        began = time.monotonic()
        assert daemon.end() == 0
        assert time.monotonic() - began < 5.0
    assert "Traceback" not in daemon.log.read_text()


def test_a_stopped_and_continued_process_notes_that_it_did_not_look(folder: Path, feeds: Callable[[], Feed]) -> None:
    """SIGSTOP for 2 s: the capture says so before any byte that waited in the port."""
    feed = feeds()
    with DaemonProcess(folder, machine("pc", feed)) as daemon:
        wait_for(daemon.links_up)
        feed.send(b"\x01")
        wait_for(lambda: captured(folder, "pc") == b"\x01")
        assert daemon.process is not None
        os.kill(daemon.process.pid, signal.SIGSTOP)
        time.sleep(1.0)
        feed.send(b"\x05")
        time.sleep(1.0)
        os.kill(daemon.process.pid, signal.SIGCONT)
        wait_for(lambda: captured(folder, "pc") == b"\x01\x05")
    (path,) = daemon.captures()
    records = list(read_capture(path).records())
    notes = [r for r in records if isinstance(r, Annotation) and r.key == "attention"]
    gap = max(notes, key=lambda note: float(note.value))
    assert 1.8 < float(gap.value) < 5.0
    chunk = next(r for r in records if isinstance(r, Chunk) and r.data == b"\x05")
    assert records.index(gap) < records.index(chunk)
    assert gap.t_ns < chunk.t_ns and chunk.t_ns - gap.t_ns >= float(gap.value) * 0.9 * NS


def test_a_stop_right_after_the_start(folder: Path, feeds: Callable[[], Feed]) -> None:
    """SIGTERM as soon as the service manager is told that we read: it ends within 2 s."""
    address = str(folder / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(address)
        manager.settimeout(30)
        daemon = DaemonProcess(folder, machine("pc", feeds()), prefix=["env", f"NOTIFY_SOCKET={address}"])
        threading.Thread(target=lambda: _quietly(daemon.start), daemon=True).start()
        assert manager.recv(100) == b"READY=1"
        assert daemon.process is not None
        began = time.monotonic()
        daemon.process.send_signal(signal.SIGTERM)
        assert daemon.process.wait(20) == 0
        assert time.monotonic() - began < 2.0


def _quietly(work: Callable[[], object]) -> None:
    with contextlib.suppress(Exception):
        work()
