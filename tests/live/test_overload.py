"""More comes in than can be judged: memory is bounded, every loss counted, and stopping is quick and loses nothing.

The flood comes over `socket://` on loopback, as fast as TCP takes it: thousands of times a serial line.
"""

from __future__ import annotations

import asyncio
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from support.daemon import DaemonProcess, free_port, link_toml, wait_for
from support.story import TABLE

from benchd.daemon import Daemon
from benchd.settings import load_settings
from benchd.store import Store
from benchd.watch import judging
from benchd.watch.replay import Replay

STOP_S = 10.0
"""What a stop may take on a busy machine. Measured with half a core to spare: 4.2 s, of which 1 s is for judging."""


class Flooder:
    """Takes one connection and sends `data` over and over (or once), as fast as it goes."""

    def __init__(self, data: bytes, once: bool = False) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self.url = f"socket://127.0.0.1:{self._server.getsockname()[1]}"
        self._data, self._once = data, once
        self._stop = threading.Event()
        self.go = threading.Event()
        if not once:
            self.go.set()
        threading.Thread(target=self._feed, daemon=True).start()

    def _feed(self) -> None:
        try:
            peer, _ = self._server.accept()
            with peer:
                self.go.wait()
                peer.sendall(self._data)
                while not self._once and not self._stop.is_set():
                    peer.sendall(self._data)
                self._stop.wait()
        except OSError:
            return

    def close(self) -> None:
        self._stop.set()
        self.go.set()
        self._server.close()


@pytest.fixture(params=[b"x" * 65536, bytes(range(256)) * 256], ids=["text", "codes"])
def flooder(request: pytest.FixtureRequest) -> Iterator[Flooder]:
    flooder = Flooder(request.param)
    yield flooder
    flooder.close()


def resident_mb(pid: int) -> int:
    """Resident memory as Linux tells it: VmRSS of proc(5), in MiB."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS"):
            return int(line.split()[1]) >> 10
    raise AssertionError("no VmRSS")


def test_a_flood_is_bounded_counted_and_left_quickly(tmp_path: Path, flooder: Flooder) -> None:
    (tmp_path / "t.toml").write_text(TABLE)
    kind = "console" if flooder._data[0] == ord("x") else "post"
    machine = f'[[machine]]\nname = "pc"\nrules = "t.toml"\n{link_toml(kind, flooder.url)}'
    with DaemonProcess(tmp_path, machine) as daemon:
        assert daemon.process is not None
        before = resident_mb(daemon.process.pid)
        wait_for(lambda: daemon.metric("benchd_lost_total", machine="pc", reason="overload"), 120)
        time.sleep(3)
        assert resident_mb(daemon.process.pid) < before + 100
        began = time.monotonic()
        assert daemon.end() == 0
        assert time.monotonic() - began < STOP_S
    log = daemon.log.read_text()
    assert "bytes dropped" in log and "not judged yet" in log and "Traceback" not in log


def test_what_was_not_judged_is_judged_at_the_next_start(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Stopped at once with all still waiting: the store has in the end what a replay of the capture gives."""
    monkeypatch.setattr(judging, "DRAIN_NS", 0)
    monkeypatch.setattr(judging.Judging, "_turn", lambda self, run, until_ns: True)
    flooder = Flooder(bytes([1, 2, 3, 4, 0xFF, 0xFF]) * 200, once=True)
    (tmp_path / "t.toml").write_text(TABLE)
    (tmp_path / "bench.toml").write_text(
        f'[http]\nlisten = "127.0.0.1:{free_port()}"\n'
        f'[[machine]]\nname = "pc"\nrules = "t.toml"\n{link_toml("post", flooder.url)}'
    )

    async def live() -> None:
        daemon = Daemon(load_settings(tmp_path / "bench.toml"))
        work = asyncio.create_task(daemon.run())
        flooder.go.set()
        while daemon.runs["pc"].inbox.brought["post"] < 1200:
            assert not work.done()
            await asyncio.sleep(0.01)
        daemon.stop()
        await work

    asyncio.run(live())
    captures = list((tmp_path / "data/captures/pc").glob("*.pcapng"))
    expected = Replay(captures).boots()
    assert sum(boot.codes for boot in expected) > 100
    assert "link-lost" not in {boot.outcome for boot in expected}, "we closed the link, it was not lost"
    store = Store.open(str(tmp_path / "data/benchd.db"))
    assert store.boots() == []
    monkeypatch.undo()
    flooder.close()

    async def again() -> None:
        daemon = Daemon(load_settings(tmp_path / "bench.toml"))
        work = asyncio.create_task(daemon.run())
        while len(store.boots()) < len(expected):
            await asyncio.sleep(0.05)
        daemon.stop()
        await work

    asyncio.run(again())
    assert [(b.id, b.codes) for b in store.boots()] == [(b.id, b.codes) for b in reversed(expected)]
    store.close()
