"""A daemon as a process of its own, lines that are full, and what it costs: for the rows of `tests/speed.py`.

Ports are ptys. A pty has no pace, so what comes on one is read at least every 5 ms to be dated; that is also what a
socket costs. `SERIAL` lets a daemon take its ptys for built-in serial ports: there the pace of the line dates the
bytes, and a full one is read every 8 ms.
"""

from __future__ import annotations

import os
import random
import re
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from itertools import islice
from pathlib import Path
from typing import NamedTuple

from support.flood import stream
from web import rig

from benchd.capture import read_capture
from benchd.demo.line import PtyLine
from benchd.vocabulary.records import Chunk
from benchd.vocabulary.times import byte_time_ns

ROOT = Path(__file__).resolve().parents[2]
BENCHD = [sys.executable, "-m", "benchd"]
LINE_BYTES = 72
LINE_BPS = 11_520
"""Bytes in a second of a full 115,200 baud line."""
MEASURED_S = 15.0
TICK = os.sysconf("SC_CLK_TCK")
SERIAL = 'import benchd.links.lines as lines\nlines.port_kind = lambda port: "uart"\n'


def environment(*ways: Path) -> dict[str, str]:
    """As an installed benchd finds it: its bytecode is there, the first of several runs writes it."""
    kept = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    return kept | {"PYTHONPATH": os.pathsep.join(map(str, [*ways, ROOT]))}


def console_lines(count: int, hits: bool = False) -> bytes:
    """Kernel-like lines of 72 bytes with their ends; with `hits`, a rule knows every tenth."""
    chance, out = random.Random(1), []
    for n in range(count):
        words = " ".join("".join(chance.choices("abcdefghijkl", k=chance.randint(3, 9))) for _ in range(10))
        line = f"[{n / 160:12.6f}] {'parity checked ' if hits and not n % 10 else ''}{words}"
        out.append(f"{line[: LINE_BYTES - 2]:{LINE_BYTES - 2}}\r\n")
    return "".join(out).encode()


class Running:
    """A daemon as a process of its own, and what it costs."""

    def __init__(self, room: Path, machines: str, *, serial: bool = False) -> None:
        self.room = room
        self.port = rig.free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        (room / "bench.toml").write_text(f'[http]\nlisten = "127.0.0.1:{self.port}"\n{machines}')
        self.log = (room / "log").open("wb")
        ways = []
        if serial:
            (room / "sitecustomize.py").write_text(SERIAL)
            ways.append(room)
        command = [*BENCHD, "run", "--config", str(room / "bench.toml")]
        self.process = subprocess.Popen(command, cwd=room, stdout=self.log, stderr=self.log, env=environment(*ways))

    def __enter__(self) -> Running:
        rig.wait_for("the daemon listens", lambda: b"metrics and page" in Path(self.log.name).read_bytes(), 60)
        time.sleep(3)
        return self

    def __exit__(self, *exc: object) -> None:
        self.process.terminate()
        self.process.wait(20)
        self.log.close()

    def get(self, path: str) -> bytes:
        with urllib.request.urlopen(self.url + path, timeout=60) as answer:
            return bytes(answer.read())

    def cpu_s(self) -> float:
        fields = Path(f"/proc/{self.process.pid}/stat").read_text().rsplit(")", 1)[1].split()
        return (int(fields[11]) + int(fields[12])) / TICK

    def rss_mb(self) -> float:
        return rss_mb(self.process.pid)

    def beside_mb(self) -> float:
        """Of the processes that it began."""
        begun = Path(f"/proc/{self.process.pid}/task").glob("*/children")
        return sum(rss_mb(int(pid)) for path in begun for pid in path.read_text().split())


def rss_mb(pid: int) -> float:
    found = re.search(r"VmRSS:\s+(\d+)", Path(f"/proc/{pid}/status").read_text())
    assert found
    return int(found[1]) / 1000


def machine(name: str, **ports: str) -> str:
    links = "".join(f'[[machine.link]]\nkind = "{k}"\nport = "{p}"\nspeed = 115200\n' for k, p in ports.items())
    return f'[[machine]]\nname = "{name}"\nrules = "demo-at286"\n{links}'


class Load(NamedTuple):
    """What a daemon took meanwhile: share of a core in per cent, how late events came after the read (count up to each
    bound, s), and how long bytes had waited for their read (the 99th percentile, ms)."""

    share: float
    counts: dict[float, float]
    waited_ms: float


@contextmanager
def sending(every_s: float, send: Callable[[float], None]) -> Iterator[None]:
    """Call `send` with the seconds since the beginning, again and again."""
    ending = threading.Event()

    def work() -> None:
        begun = time.monotonic()
        while not ending.wait(every_s):
            send(time.monotonic() - begun)

    sender = threading.Thread(target=work)
    sender.start()
    try:
        yield
    finally:
        ending.set()
        sender.join()


def full_text(lines: Sequence[PtyLine]) -> Callable[[float], None]:
    """The same text at line speed on all lines."""
    data, at = console_lines(4_000), 0

    def send(now_s: float) -> None:
        nonlocal at
        due = int(now_s * LINE_BPS)
        while at < due:
            part = data[at % len(data) :][: due - at]
            at += len(part)
            for line in lines:
                line.send(part)

    return send


def codes_of_boots(lines: Sequence[PtyLine], per_s: float) -> Callable[[float], None]:
    """Codes of boots, one after the other, `per_s` of them in a second on each line."""
    codes, gone = [b"".join(islice(stream("post", n), 200)) for n in range(len(lines))], 0

    def send(now_s: float) -> None:
        nonlocal gone
        while gone < int(now_s * per_s):
            for line, data in zip(lines, codes, strict=True):
                line.send(data[gone % len(data) :][:1])
            gone += 1

    return send


def loaded(running: Running) -> Load:
    """Let it work for a while and tell what that took."""
    time.sleep(2)
    earlier, before = delays(running.get("/metrics").decode()), running.cpu_s()
    begun = time.monotonic()
    time.sleep(MEASURED_S)
    share = (running.cpu_s() - before) / (time.monotonic() - begun) * 100
    later = delays(running.get("/metrics").decode())
    counts = {le: count - earlier.get(le, 0) for le, count in sorted(later.items())}
    return Load(share, counts, waited_ms(running.room))


def waited_ms(room: Path) -> float:
    """How long a byte had waited when it was read, by the captures: the 99th percentile of all bytes."""
    byte_ns, waits = byte_time_ns(115_200), []
    for path in room.glob("data/captures/*/*.pcapng"):
        last: dict[str, int] = {}
        for record in read_capture(path).records():
            if isinstance(record, Chunk):
                most = record.t_ns - last.get(record.link, record.t_ns)
                waits += [min(n * byte_ns, most) for n in range(len(record.data))]
                last[record.link] = record.t_ns
    waits.sort()
    return waits[int(0.99 * len(waits))] / 1e6


def delays(metrics: str) -> dict[float, float]:
    """Observations up to each bound of the delay's histogram, of all machines."""
    found: dict[float, float] = {}
    for le, count in re.findall(r'^benchd_observation_delay_seconds_bucket\{.*?le="(.+?)".*?\} (\S+)', metrics, re.M):
        found[float(le)] = found.get(float(le), 0) + float(count)
    return found
