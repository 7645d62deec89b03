"""Real ports for tests: ptys that can be unplugged, an RFC 2217 server, and a box that collects."""

from __future__ import annotations

import contextlib
import os
import queue
import select
import socket
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import serial
import serial.rfc2217

from benchd.decode import framing_of
from benchd.links.reader import LinkReader
from benchd.links.settings import PortSettings
from benchd.links.tries import Retry
from benchd.vocabulary.records import Chunk, LinkInfo, LinkState, Record

DEADLINE_S = 60.0
QUICK = Retry(base_s=0.02, cap_s=0.05, path_cap_s=0.05, steady_s=0.5)


def until(condition: Callable[[], Any], what: str) -> Any:
    """Wait until `condition` is true; fail with `what` after a generous time."""
    end = time.monotonic() + DEADLINE_S
    while time.monotonic() < end:
        value = condition()
        if value:
            return value
        time.sleep(0.002)
    raise AssertionError(f"waited {DEADLINE_S} s in vain for: {what}")


class Box:
    """Takes records as a daemon would (a queue that never blocks) and keeps them for looking."""

    def __init__(self) -> None:
        self.queue: queue.SimpleQueue[Record] = queue.SimpleQueue()
        self.records: list[Record] = []

    def look(self) -> list[Record]:
        with contextlib.suppress(queue.Empty):
            while True:
                self.records.append(self.queue.get_nowait())
        return self.records

    def data(self) -> bytes:
        return b"".join(r.data for r in self.look() if isinstance(r, Chunk))

    def states(self) -> list[LinkState]:
        return [r for r in self.look() if isinstance(r, LinkState)]

    def wait_data(self, want: bytes) -> None:
        until(lambda: want in self.data(), f"{want!r} in what was read")

    def wait_state(self, up: bool, count: int = 1) -> LinkState:
        """Wait for the `count`-th state that is up, or down."""
        return until(lambda: [s for s in self.states() if s.up == up][count - 1 : count], f"state up={up}")[0]


class Pty:
    """A pty whose near end is a steady name in `where`; can be unplugged and plugged in again."""

    def __init__(self, where: Path) -> None:
        self.link = where
        self.master = -1
        self.plug()

    def plug(self) -> None:
        self.master, slave = os.openpty()
        tty.setraw(slave)
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(os.ttyname(slave))
        os.close(slave)

    def unplug(self) -> None:
        self.link.unlink(missing_ok=True)
        if self.master >= 0:
            os.close(self.master)
        self.master = -1

    def send(self, data: bytes) -> None:
        while data:
            data = data[os.write(self.master, data) :]


@contextlib.contextmanager
def reading(port: str, box: Box, **more: Any) -> Iterator[LinkReader]:
    """Run a reader on `port` into `box`; it is stopped and checked to have ended."""
    link = {k: more.pop(k) for k in ("kind", "framing", "paced") if k in more}
    info = LinkInfo("console", **({"kind": "console", "framing": "text", "paced": False} | link), port=port)
    settings = PortSettings(port, **more.pop("settings", {}))
    more.setdefault("scoring", framing_of(info).hunt)
    reader = LinkReader(info, settings, more.pop("deliver", box.queue.put), retry=more.pop("retry", QUICK), **more)
    reader.start()
    try:
        yield reader
    finally:
        assert reader.stop(DEADLINE_S), "the reader's thread did not end"


class LinedPort:
    """A serial port whose modem lines are what the test says; everything else is a real pyserial port."""

    def __init__(self, path: str) -> None:
        self.port = serial.Serial(path, timeout=0)
        self.cts = self.dsr = self.ri = self.cd = False

    def __getattr__(self, name: str) -> Any:
        return getattr(self.port, name)

    def __setattr__(self, name: str, value: Any) -> None:
        if name in ("port", "cts", "dsr", "ri", "cd"):
            object.__setattr__(self, name, value)
        elif name not in ("dtr", "rts", "break_condition"):
            setattr(self.port, name, value)


class Server:
    """An RFC 2217 server for one client at a time over a pty, by pyserial's own PortManager."""

    def __init__(self, path: str) -> None:
        self.serial = LinedPort(path)
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.url = f"rfc2217://127.0.0.1:{self.listener.getsockname()[1]}"
        self.client: socket.socket | None = None
        self.stop = threading.Event()
        self.lock = threading.Lock()
        self.thread = threading.Thread(target=self._run)
        self.thread.start()

    def write(self, data: bytes) -> None:
        with self.lock, contextlib.suppress(OSError):
            if self.client is not None:
                self.client.sendall(data)

    def cut(self) -> None:
        client, self.client = self.client, None
        if client is not None:
            with contextlib.suppress(OSError):
                client.shutdown(socket.SHUT_RDWR)

    def _run(self) -> None:
        while not self.stop.is_set():
            if not select.select([self.listener], [], [], 0.02)[0]:
                continue
            client, _ = self.listener.accept()
            with client:
                self.client = client
                manager = serial.rfc2217.PortManager(self.serial, self)
                with contextlib.suppress(OSError):
                    self._serve(client, manager)
                self.client = None

    def _serve(self, client: socket.socket, manager: Any) -> None:
        while not self.stop.is_set() and self.client is client:
            ready = select.select([client, self.serial.fileno()], [], [], 0.005)[0]
            if client in ready:
                data = client.recv(1024)
                if not data:
                    return
                self.serial.write(b"".join(manager.filter(data)))
            if self.serial.fileno() in ready:
                self.write(b"".join(manager.escape(self.serial.read(4096))))
            manager.check_modem_lines()

    def close(self) -> None:
        self.stop.set()
        self.cut()
        self.thread.join(DEADLINE_S)
        self.listener.close()
        self.serial.close()
