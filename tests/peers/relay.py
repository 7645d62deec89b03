"""What stands between a machine and the program that reads it: line speed, line faults, a pulled plug."""

from __future__ import annotations

import contextlib
import os
import random
import select
import threading
import time
import tty
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from benchd.demo.line import PtyLine, byte_time_ns, wait_until


class Sink(Protocol):
    """Where a relay sends to: a `PtyLine` or a `LinkPuller`."""

    @property
    def path(self) -> str: ...
    def send(self, data: bytes) -> int: ...
    def close(self) -> None: ...


@dataclass(frozen=True, slots=True)
class Faults:
    """Share of bytes (0 to 1) that are lost, sent twice, or have one bit flipped."""

    drop: float = 0.0
    double: float = 0.0
    damage: float = 0.0


class PortReader:
    """Opens a terminal device raw and takes its bytes as they come; for tests that read a link themselves."""

    def __init__(self, path: str) -> None:
        self._fd = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        tty.setraw(self._fd)

    def read(self, timeout_s: float) -> bytes | None:
        """Bytes, b"" after the timeout, None when the other side is gone."""
        try:
            if not select.select([self._fd], [], [], timeout_s)[0]:
                return b""
            return os.read(self._fd, 4096) or None
        except BlockingIOError:
            return b""
        except (OSError, ValueError):
            return None

    def collect(self, *, until: bytes | None = None, quiet_s: float = 0.5, limit_s: float = 20.0) -> bytes:
        """Everything up to and with `until`, or up to `quiet_s` of silence, or the end; at most `limit_s`."""
        data = bytearray()
        deadline = time.monotonic() + limit_s
        while time.monotonic() < deadline and (until is None or until not in data):
            piece = self.read(min(quiet_s, limit_s) if until is None else deadline - time.monotonic())
            if not piece:
                break
            data += piece
        return bytes(data)

    def close(self) -> None:
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1


class PacedRelay:
    """Carries bytes from the terminal device `source` to a pty of its own, one byte per slot of the line.

    At `baud` a byte is handed over at the end of its slot, slots never closer than a byte time; with None at
    once. `sink` replaces the relay's own pty. `capture` is an independent record of what the reader was sent:
    [(monotonic ns at hand-over, byte)] (`done`: when each had been),
    doubled and damaged bytes as sent, dropped ones not. `counts` has
    "in", "dropped", "doubled", "damaged"; `seed` makes the faults repeat. Reading starts at construction.
    """

    def __init__(
        self,
        source: str,
        *,
        baud: int | None = None,
        faults: Faults | None = None,
        seed: int = 0,
        sink: Sink | None = None,
        link: Path | None = None,
    ) -> None:
        self.capture: list[tuple[int, int]] = []
        self.done: list[int] = []
        self.counts: Counter[str] = Counter()
        self.sink: Sink = sink if sink is not None else PtyLine(link)
        self._slot_ns = byte_time_ns(baud) if baud else 0
        self._faults = faults or Faults()
        self._random = random.Random(seed)
        self._source = PortReader(source)
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"relay {source}", daemon=True)
        self._thread.start()

    @property
    def path(self) -> str:
        """What the reader opens."""
        return self.sink.path

    def _run(self) -> None:
        free_ns = 0
        while not self._ending.is_set():
            data = self._source.read(0.05)
            now = time.monotonic_ns()
            if data is None:
                return
            for byte in data:
                for out in self._spoil(byte):
                    free_ns = max(free_ns, now) + self._slot_ns
                    wait_until(free_ns)
                    self.capture.append((time.monotonic_ns(), out))
                    self.sink.send(bytes([out]))
                    self.done.append(time.monotonic_ns())
                    if self._ending.is_set():
                        return

    def _spoil(self, byte: int) -> list[int]:
        self.counts["in"] += 1
        flipped = byte ^ 1 << self._random.randrange(8)
        dice = self._random.random()
        for name, share, out in (
            ("dropped", self._faults.drop, []),
            ("doubled", self._faults.double, [byte, byte]),
            ("damaged", self._faults.damage, [flipped]),
        ):
            if dice < share:
                self.counts[name] += 1
                return out
            dice -= share
        return [byte]

    def first(self, pattern: bytes) -> int | None:
        """When the last byte of the first `pattern` was handed over (monotonic ns), or None."""
        at = bytes(byte for _, byte in self.capture).find(pattern)
        return None if at < 0 else self.capture[at + len(pattern) - 1][0]

    def span(self, pattern: bytes) -> tuple[int, int] | None:
        """Between which two instants (monotonic ns) the last byte of the first `pattern` was handed over."""
        at = bytes(byte for _, byte in self.capture).find(pattern)
        last = at + len(pattern) - 1
        return None if at < 0 or last >= len(self.done) else (self.capture[last][0], self.done[last])

    def close(self) -> None:
        self._ending.set()
        self._thread.join()
        self._source.close()
        self.sink.close()

    def __enter__(self) -> PacedRelay:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()


class LinkPuller:
    """A port with a fixed name whose adapter can be pulled and plugged in again.

    `path` is a symbolic link, as under /dev/serial/by-id. `unplug` removes it and hangs up the terminal, so an
    open reader gets an input/output error; `plug` makes a new terminal under the same name. Bytes sent in
    between are lost and counted in `lost`.
    """

    def __init__(self, link: Path, *, plugged: bool = True) -> None:
        self._link = link
        self._line: PtyLine | None = None
        self._lock = threading.Lock()
        self.lost = 0
        if plugged:
            self.plug()

    @property
    def path(self) -> str:
        return str(self._link)

    @property
    def plugged(self) -> bool:
        return self._line is not None

    def plug(self) -> None:
        with self._lock:
            if self._line is None:
                self._line = PtyLine(self._link)

    def unplug(self) -> None:
        with self._lock:
            if self._line is not None:
                self.lost += self._line.lost
                self._line.close()
                self._line = None

    def send(self, data: bytes) -> int:
        with self._lock:
            if self._line is None:
                self.lost += len(data)
                return 0
            return self._line.send(data)

    def close(self) -> None:
        with contextlib.suppress(FileNotFoundError):
            self.unplug()
