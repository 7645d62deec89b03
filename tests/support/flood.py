"""Boot-like bytes at a set rate on ptys, for soak tests. The stream depends on the seed alone."""

from __future__ import annotations

import functools
import itertools
import random
import threading
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from benchd.demo import at286
from benchd.demo.line import PtyLine
from benchd.demo.steps import LinkName, timeline

_SLICE_S = 0.002
"""How often bytes are handed over; a UART with a 16-byte FIFO at 76,800 baud interrupts as often."""

POOL = 32
"""Boots laid out beforehand, so that making bytes does not slow a flood down."""


def stream(link: LinkName, seed: int = 0) -> Iterator[bytes]:
    """Endless: what one boot after the other puts on `link`; `POOL` boots in turn, none of them hung."""
    return itertools.cycle(_pool(link, seed))


@functools.lru_cache(maxsize=8)
def _pool(link: LinkName, seed: int) -> tuple[bytes, ...]:
    rng = random.Random(f"load {seed}")
    boots = []
    for _ in range(POOL):
        setup = {factor: rng.choice(levels) for factor, levels in at286.FACTORS.items()}
        fate = at286.fate(setup, rng)
        script = at286.boot_script(setup, "skipped" if fate == "stuck" else fate)
        boots.append(timeline(script, rng).data(link))
    return tuple(boots)


@dataclass(frozen=True, slots=True)
class Flooded:
    """What a flood did: bytes offered and lost (nobody read, or too slowly) per link, and for how long."""

    offered: dict[str, int]
    lost: dict[str, int]
    seconds: float


def flood(
    lines: Mapping[LinkName, PtyLine],
    bytes_per_second: float,
    *,
    seconds: float | None = None,
    stop: threading.Event | None = None,
    seed: int = 0,
) -> Flooded:
    """Send `bytes_per_second` on each line until `seconds` are over or `stop` is set; one of both is needed.

    Never waits for a reader; a reader that keeps up gets exactly the bytes of `stream`.
    """
    if seconds is None and stop is None:
        raise ValueError("a flood without seconds or stop would never end")
    ending = stop or threading.Event()
    waiting = {name: _Waiting(stream(name, seed)) for name in lines}
    before = {name: line.lost for name, line in lines.items()}
    started = time.monotonic()
    passed = 0.0
    while not ending.wait(_SLICE_S) and (seconds is None or passed < seconds):
        passed = time.monotonic() - started
        total = int(min(passed, seconds or passed) * bytes_per_second)
        for name, line in lines.items():
            line.send(waiting[name].up_to(total))
    lost = {str(name): line.lost - before[name] for name, line in lines.items()}
    return Flooded({str(name): one.given for name, one in waiting.items()}, lost, time.monotonic() - started)


class _Waiting:
    """The bytes of one stream that were not given yet."""

    def __init__(self, source: Iterator[bytes]) -> None:
        self._source = source
        self._ready = bytearray()
        self.given = 0

    def up_to(self, total: int) -> bytes:
        """Return what brings the bytes given to `total`."""
        due = total - self.given
        while len(self._ready) < due:
            self._ready += next(self._source)
        out = bytes(self._ready[:due])
        del self._ready[:due]
        self.given += due
        return out


class Flood:
    """A flood in a thread on ptys of its own: open `ports`, `start`; `finish` stops and tells the counts."""

    def __init__(self, bytes_per_second: float, *, seed: int = 0, links: Mapping[LinkName, Path] | None = None) -> None:
        named = links or {}
        names: tuple[LinkName, ...] = ("post", "console")
        self.lines: dict[LinkName, PtyLine] = {name: PtyLine(named.get(name)) for name in names}
        self.ports: dict[str, str] = {name: line.path for name, line in self.lines.items()}
        self._rate = bytes_per_second
        self._seed = seed
        self._stop = threading.Event()
        self._result: Flooded | None = None
        self._thread = threading.Thread(target=self._run, name="flood", daemon=True)

    def _run(self) -> None:
        self._result = flood(self.lines, self._rate, stop=self._stop, seed=self._seed)

    def start(self) -> None:
        self._thread.start()

    def finish(self) -> Flooded:
        """Stop and return the counts; the lines stay open until `close`."""
        self._stop.set()
        self._thread.join()
        assert self._result is not None
        return self._result

    def close(self) -> None:
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join()
        for line in self.lines.values():
            line.close()

    def __enter__(self) -> Flood:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()
