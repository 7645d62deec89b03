"""`kill -9` at random moments, also during start, recovery and the change of files: what README promises holds.

Two machines, four links (ptys and sockets). The feeder logs every byte that it sent, and when; the captures and the
store are held against that log and nothing else.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import socket
import subprocess
import sys
import threading
import time
import tty
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import pytest
from live.by_capture import GOOD
from support import small_files
from support.daemon import DaemonProcess, link_toml, wait_for
from support.story import TABLE

from benchd.capture import read_capture
from benchd.store import Store
from benchd.vocabulary.records import Chunk, LinkState, Record
from benchd.vocabulary.times import NS

PROMISE_NS = NS
"""A kill loses at most what came within this time before it."""


class Line:
    """One link that can be fed: a pty or a socket. `log` has (when, bytes) of what really went out."""

    def __init__(self, kind: str) -> None:
        self.log: list[tuple[int, bytes]] = []
        self._peer: socket.socket | None = None
        self._server: socket.socket | None = None
        self._fds: tuple[int, ...] = ()
        if kind == "pty":
            master, slave = self._fds = os.openpty()
            tty.setraw(slave)
            os.set_blocking(master, False)
            self.port = os.ttyname(slave)
        else:
            self._server = socket.create_server(("127.0.0.1", 0))
            self.port = f"socket://127.0.0.1:{self._server.getsockname()[1]}"
            threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        assert self._server is not None
        with contextlib.suppress(OSError):
            while True:
                peer, _ = self._server.accept()
                before, self._peer = self._peer, peer
                if before is not None:
                    before.close()

    def send(self, data: bytes) -> None:
        """Send `data` if somebody is there; what went out is logged. A killed reader takes the connection along."""
        try:
            if self._fds:
                data = data[: os.write(self._fds[0], data)]
            elif (peer := self._peer) is not None:
                peer.sendall(data)
            else:
                return
        except OSError:
            return
        self.log.append((time.monotonic_ns(), data))

    def written(self) -> bytes:
        """What the daemons wrote towards the machine."""
        out = b""
        with contextlib.suppress(OSError):
            if self._fds:
                out = os.read(self._fds[0], 4096)
            elif self._peer is not None:
                self._peer.setblocking(False)
                out = self._peer.recv(4096)
        return out

    def close(self) -> None:
        for fd in self._fds:
            os.close(fd)
        for sock in (self._server, self._peer):
            if sock is not None:
                sock.close()


@dataclass
class Fed:
    """A machine being fed: boots on its post link, numbered lines on its console. `boots`: first and last code."""

    name: str
    post: Line
    console: Line
    rng: random.Random
    boots: list[tuple[int, int]] = field(default_factory=list)
    ending: threading.Event = field(default_factory=threading.Event)

    def start(self) -> list[threading.Thread]:
        threads = [threading.Thread(target=work, daemon=True) for work in (self._boot, self._talk)]
        for thread in threads:
            thread.start()
        return threads

    def _boot(self) -> None:
        while not self.ending.wait(self.rng.uniform(0.7, 1.0)):
            first = time.monotonic_ns()
            before = len(self.post.log)
            for _, code in GOOD:
                self.post.send(bytes([code]))
                time.sleep(0.02)
            if len(self.post.log) == before + len(GOOD):
                self.boots.append((first, time.monotonic_ns()))

    def _talk(self) -> None:
        number = 0
        while not self.ending.wait(0.02):
            lines = b""
            for _ in range(self.rng.randrange(1, 12)):
                number += 1
                lines += b"%s line %08d says nothing in particular\r\n" % (self.name.encode(), number)
            self.console.send(lines)


@dataclass
class Round:
    started_ns: int
    killed_ns: int


def play(folder: Path, rounds: int, seed: int) -> None:
    """Feed, kill `rounds` times, and hold everything against the log. Raises AssertionError."""
    rng = random.Random(seed)
    (folder / "t.toml").write_text(TABLE)
    lines = [Line("pty"), Line("socket"), Line("socket"), Line("pty")]
    fed = [Fed(name, lines[i], lines[i + 1], random.Random(seed + i)) for name, i in (("a", 0), ("b", 2))]
    machines = "".join(
        f'[[machine]]\nname = "{one.name}"\nrules = "t.toml"\n'
        + link_toml("post", one.post.port)
        + link_toml("console", one.console.port)
        for one in fed
    )
    daemon = DaemonProcess(folder, machines)
    command = [sys.executable, small_files.__file__, "run", "--config", str(daemon.config)]
    env = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    threads = [thread for one in fed for thread in one.start()]
    killed: list[Round] = []
    try:
        for n in range(rounds):
            began = time.monotonic_ns()
            with daemon.log.open("ab") as log:
                process = subprocess.Popen(command, stdout=log, stderr=log, env=env)
            if n % 3:  # else it may be killed while it starts, or recovers
                wait_for(lambda began=began: _reads(folder, began), 60)  # type: ignore[misc]
            time.sleep(rng.uniform(1.0, 6.0) if n % 3 else rng.uniform(0.2, 4.0))
            assert process.poll() is None, daemon.log.read_text()[-3000:]
            process.kill()
            process.wait()
            killed.append(Round(began, time.monotonic_ns()))
    finally:
        for one in fed:
            one.ending.set()
        for thread in threads:
            thread.join()
    try:
        began = time.monotonic_ns()
        with daemon:
            wait_for(lambda: _recovered(folder, began), 120)
            assert not any(line.written() for line in lines), "it never writes to the machine"
    finally:
        for line in lines:
            line.close()
    assert "Traceback" not in daemon.log.read_text()
    for one in fed:
        _hold_bytes(folder, one, killed)
        _hold_boots(folder, one, killed)


def _reads(folder: Path, since_ns: int) -> bool:
    """Whether every machine has a capture of the run that began then, with something in it."""
    return all(any(mono_ns > since_ns for mono_ns in runs_of(folder, name)) for name in "ab")


def _recovered(folder: Path, began_ns: int) -> bool:
    """Whether the run that began then has recovered all runs before it, of each machine."""
    found = [json.loads(path.read_text()) for path in (folder / "data/captures").rglob("stored.json")]
    open_runs = [[key for key, entry in one.items() if not entry["done"]] for one in found]
    return len(found) == 2 and all(len(keys) == 1 and int(keys[0].split(".")[1]) > began_ns for keys in open_runs)


def runs_of(folder: Path, machine: str) -> dict[int, list[Path]]:
    """The capture files of each run, in order of their first record, by the run's start (monotonic ns)."""
    runs: dict[int, list[tuple[int, Path]]] = {}
    for path in (folder / "data/captures" / machine).glob("*.pcapng"):
        capture = read_capture(path)
        first = next(capture.records(), None)
        if capture.version and first is not None:
            runs.setdefault(capture.mono_ns, []).append((first.t_ns, path))
    return {mono_ns: [path for _, path in sorted(files)] for mono_ns, files in sorted(runs.items())}


def _hold_bytes(folder: Path, fed: Fed, killed: list[Round]) -> None:
    """What a run captured is a piece of what was sent, whole up to 1 s before the kill."""
    runs, compared = runs_of(folder, fed.name), 0
    for name, line in (("post", fed.post), ("console", fed.console)):
        sent = b"".join(data for _, data in line.log)
        for one in killed:
            files = [f for mono, f in runs.items() if one.started_ns < mono < one.killed_ns]
            if not files:
                continue  # killed before it read anything
            records = [record for path in files[0] for record in read_capture(path).records()]
            got = b"".join(r.data for r in records if isinstance(r, Chunk) and r.link == name)
            up = came_up(records, name)
            assert got in sent, f"{fed.name} {name}: not as it was sent"
            if up is None:
                continue
            safe = (up + NS // 20, one.killed_ns - PROMISE_NS)
            due = b"".join(data for t_ns, data in line.log if safe[0] < t_ns < safe[1])
            compared += len(due)
            assert due in got, f"{fed.name} {name}: bytes of more than 1 s before the kill are missing"
    assert compared > 1000 * len(killed) or len(killed) < 3


def came_up(records: list[Record], link: str) -> int | None:
    return next((r.t_ns for r in records if isinstance(r, LinkState) and r.link == link and r.up), None)


def _hold_boots(folder: Path, fed: Fed, killed: list[Round]) -> None:
    """Every boot that was over 1.5 s before a kill is in the store once, as finished; none is there twice."""
    begun = []
    for mono_ns, files in runs_of(folder, fed.name).items():
        capture = read_capture(files[0])
        if (up := came_up(list(capture.records()), "post")) is not None:
            begun.append((mono_ns, up + NS // 20, capture.wall_ns - mono_ns))
    with Store.open(str(folder / "data/benchd.db")) as store:
        boots = [b for b in store.boots(machine=fed.name, newest_first=False)]
    assert not [b for b in boots if b.outcome == "running"]
    starts = [datetime.fromisoformat(b.started).timestamp() for b in boots if b.outcome == "finished" and b.codes == 5]
    due = 0
    for one in killed:
        for mono, up_ns, offset_ns in begun:
            if not one.started_ns < mono < one.killed_ns:
                continue
            for first_ns, last_ns in fed.boots:
                if up_ns < first_ns and last_ns < one.killed_ns - 3 * PROMISE_NS // 2:
                    due += 1
                    near = [s for s in starts if abs(s - (first_ns + offset_ns) / NS) < 0.3]
                    assert len(near) == 1, f"{fed.name}: {len(near)} boots stored where one was sent"
    assert due or len(killed) < 5
    assert len(boots) == len({b.id for b in boots}) and len(starts) <= len(fed.boots) + len(killed)


@pytest.mark.alone
def test_ten_kills(tmp_path: Path) -> None:
    play(tmp_path, 10, 9)


@pytest.mark.long
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("seed", range(10))
def test_two_hundred_kills(tmp_path: Path, seed: int) -> None:
    play(tmp_path, 20, 100 + seed)
