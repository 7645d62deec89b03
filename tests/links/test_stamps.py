"""Arrival stamps against the sender's own clock: what is stated holds, or a record says that it may not.

Sender and reader are processes of one machine, so they share the monotonic clock (clock_gettime(2)). A byte left the
sender between the two instants that it took around its write.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from links.port_rig import Pty

from benchd.links.absence import QUIET_NS, Absence
from benchd.links.lines import SCHEDULER_NS

READER = """
import json, queue, sys, time
from benchd.links.reader import LinkReader
from benchd.links.settings import PortSettings
from benchd.vocabulary.records import Annotation, Chunk, LinkInfo, LinkState
sys.setswitchinterval(0.0005)
box = queue.SimpleQueue()
info = LinkInfo("link", "console", "text", port=sys.argv[1], paced=False)
reader = LinkReader(info, PortSettings(sys.argv[1]), box.put)
reader.start()
while True:
    record = box.get()
    if isinstance(record, Chunk):
        print(json.dumps(["chunk", record.t_ns, record.data.hex()]), flush=True)
        if b"!" in record.data:
            break
    elif isinstance(record, LinkState):
        print(json.dumps(["up", record.t_ns, record.latency_ns]), flush=True)
    elif isinstance(record, Annotation):
        print(json.dumps([record.key, record.t_ns, float(record.value)]), flush=True)
reader.stop()
"""


class Reading:
    """A reader in a process of its own; what it said, line by line."""

    def __init__(self, port: str) -> None:
        self.process = subprocess.Popen([sys.executable, "-c", READER, port], stdout=subprocess.PIPE, text=True)
        self.u_ns = self.next()[2]

    def __enter__(self) -> Reading:
        return self

    def __exit__(self, *_: object) -> None:
        self.process.kill()
        self.process.wait()
        assert self.process.stdout is not None
        self.process.stdout.close()

    def next(self) -> list:
        assert self.process.stdout is not None
        return json.loads(self.process.stdout.readline())

    def rest(self) -> list[list]:
        out, _ = self.process.communicate(timeout=60)
        return [json.loads(line) for line in out.splitlines()]


@pytest.fixture
def pty(tmp_path: Path) -> Iterator[Pty]:
    port = Pty(tmp_path / "post")
    yield port
    port.unplug()


@contextmanager
def starved(processes: int) -> Iterator[None]:
    """Keep so many processes busy meanwhile."""
    busy = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(processes)]
    try:
        yield
    finally:
        for process in busy:
            process.kill()
            process.wait()


def send(pty: Pty, count: int, apart_s: float = 0.002) -> list[tuple[int, int]]:
    """Send `count` numbered bytes, so far apart; return the instants before and after each write."""
    sent = []
    for n in range(count):
        before = time.monotonic_ns()
        os.write(pty.master, bytes([n % 26 + 97]))
        sent.append((before, time.monotonic_ns()))
        time.sleep(apart_s)
    os.write(pty.master, b"!")
    return sent


def wrong(sent: list[tuple[int, int]], told: list[list], u_ns: int) -> tuple[int, int, int]:
    """Return (chunks, chunks stamped outside of what was stated, those of them that no record of attention covers)."""
    chunks = outside = silent = place = 0
    blind_from = blind_until = 0
    for what, t_ns, value in told:
        if what == "attention":
            blind_from, blind_until = t_ns - u_ns, t_ns + round(value * 1e9)
        elif what == "chunk":
            size = len(value) // 2
            for before, after in sent[place : place + size]:
                if not before <= t_ns <= after + u_ns:
                    outside += 1
                    silent += not (blind_from <= after and t_ns <= blind_until)
                    break
            place += size
            chunks += 1
    assert place == len(sent) + 1
    return chunks, outside, silent


@pytest.mark.alone
@pytest.mark.parametrize("load", [0, 6], ids=["calm", "starved by six"])
def test_what_is_stated_holds(pty: Pty, load: int) -> None:
    """At least 99.9 % of chunks are stamped within u of their sending, or a record says that they may not be."""
    with Reading(str(pty.link)) as reading, starved(load):
        sent = send(pty, 5000)
        chunks, outside, silent = wrong(sent, reading.rest(), reading.u_ns)
    print(f"{chunks} chunks, {outside} outside of ±{reading.u_ns / 1e6} ms, {silent} of them without a record")
    assert silent <= chunks / 1000


@pytest.mark.alone
def test_what_is_stated_holds_on_a_silent_line(pty: Pty) -> None:
    """Bytes that come one by one, each after a silence."""
    with Reading(str(pty.link)) as reading:
        sent = send(pty, 6, 0.8)
        _chunks, outside, silent = wrong(sent, reading.rest(), reading.u_ns)
    assert silent == 0, outside


@pytest.mark.parametrize("seconds", [0.4, 2.0])
def test_a_stopped_process_says_so(pty: Pty, seconds: float) -> None:
    """Stopped and continued (Ctrl-Z, fg): what came meanwhile is stamped late, and the record before it says so."""
    with Reading(str(pty.link)) as reading:
        os.write(pty.master, b"a")
        while reading.next()[0] != "chunk":
            pass
        reading.process.send_signal(signal.SIGSTOP)
        time.sleep(seconds / 2)
        sent = time.monotonic_ns()
        os.write(pty.master, b"b")
        time.sleep(seconds / 2)
        reading.process.send_signal(signal.SIGCONT)
        gap = reading.next()
        late = reading.next()
        os.write(pty.master, b"!")
        assert (gap[0], late[0]) == ("attention", "chunk")
        assert late[1] - sent > seconds / 2 * 1e9
        assert gap[1] <= sent, "the absence that is told covers the sending"
        assert gap[1] + gap[2] * 1e9 == pytest.approx(late[1], abs=1000)
        assert seconds <= gap[2] / 2 < seconds + 5
        reading.rest()


def test_a_stop_without_a_byte_is_told_too(pty: Pty) -> None:
    """Silence across an absence proves nothing: it is told though nothing came."""
    with Reading(str(pty.link)) as reading:
        reading.process.send_signal(signal.SIGSTOP)
        time.sleep(0.6)
        reading.process.send_signal(signal.SIGCONT)
        gap = reading.next()
        assert gap[0] == "attention"
        assert gap[2] >= 0.6
        os.write(pty.master, b"!")
        reading.rest()


def test_turns_of_the_loop() -> None:
    """Within what u allows nothing is told; beyond it the whole turn is, for a quiet one only when it was long."""
    absence = Absence(0)
    u = SCHEDULER_NS
    assert absence.away(u - 1, u, True) == 0
    assert absence.away(3 * u, 3 * u + 1, True) == 2 * (2 * u + 2), (
        "since it was last asked, not since it was last told"
    )
    assert absence.away(5 * u, 5 * u, False) == 0, "short, and nothing was read"
    assert absence.away(5 * u + QUIET_NS + 1, 5 * u + QUIET_NS + 1, False) == 2 * (QUIET_NS + 1)
