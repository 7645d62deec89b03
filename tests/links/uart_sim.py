"""A UART on paper: bytes at one rate as line levels, and what a receiver at another rate samples from them.

The receiver is the textbook one: it waits for a falling edge, looks again half a bit later, samples each data
bit and the stop bit in the middle. A low stop bit is a framing error; all low for a full word is a break,
which leaves one NUL and waits for the line to go high (TL16C550C data sheet, LSR bits 3 and 4).
"""

from __future__ import annotations

from bisect import bisect_right
from functools import cache

from benchd.links.hunt import Decision, Hunter, Lock


class Line:
    """Levels of a line in time (seconds); idle is high."""

    def __init__(self) -> None:
        self.times = [0.0]
        self.levels = [1]
        self.end = 0.0

    def _level(self, level: int, seconds: float) -> None:
        if level != self.levels[-1]:
            self.times.append(self.end)
            self.levels.append(level)
        self.end += seconds

    def idle(self, seconds: float) -> None:
        self._level(1, seconds)

    def low(self, seconds: float) -> None:
        self._level(0, seconds)

    def send(self, data: bytes, rate: float, gap: float = 0.0) -> Line:
        """Send `data` as 8N1 at `rate`, with `gap` seconds of idle line after each character."""
        for byte in data:
            self._level(0, 1 / rate)
            for bit in range(8):
                self._level(byte >> bit & 1, 1 / rate)
            self._level(1, 1 / rate + gap)
        return self

    def at(self, t: float) -> int:
        return self.levels[bisect_right(self.times, t) - 1]

    def next_level(self, level: int, t: float) -> float | None:
        """Return the first instant from `t` on at which the line has `level`."""
        i = bisect_right(self.times, t) - 1
        if self.levels[i] == level:
            return t
        i += 1
        return self.times[i] if i < len(self.times) and self.levels[i] == level else None


def sample(line: Line, rate: float) -> list[tuple[float, int, str]]:
    """Return (time, byte, "" or "framing" or "break") for each character a receiver at `rate` reads, 8N1."""
    out: list[tuple[float, int, str]] = []
    bit = 1 / rate
    t = 0.0
    while True:
        start = line.next_level(0, t)
        if start is None or start >= line.end:
            return out
        if line.at(start + bit / 2):
            t = start + bit / 2
            continue
        byte = sum(line.at(start + (1.5 + i) * bit) << i for i in range(8))
        t = start + 9.5 * bit
        if line.at(t):
            out.append((t, byte, ""))
            continue
        if byte == 0:
            out.append((t, 0, "break"))
            up = line.next_level(1, t)
            if up is None:
                return out
            t = up
        else:
            out.append((t, byte, "framing"))


def marked(received: list[tuple[float, int, str]]) -> bytes:
    """Return what a driver with PARMRK hands up for these characters."""
    out = bytearray()
    for _t, byte, fault in received:
        if fault == "break":
            out += b"\xff\x00\x00"
        elif fault:
            out += b"\xff\x00" + bytes([byte])
        else:
            out += b"\xff\xff" if byte == 0xFF else bytes([byte])
    return bytes(out)


def plain(received: list[tuple[float, int, str]]) -> bytes:
    """Return what a Linux driver without INPCK and PARMRK hands up: characters as they are, a break as NUL."""
    return bytes(byte for _t, byte, _fault in received)


@cache
def received(data: bytes, sent_at: int, read_at: int, gap_chars: float = 0.0) -> list[tuple[float, int, str]]:
    """Characters that a receiver at `read_at` takes from `data` sent at `sent_at`."""
    line = Line()
    line.idle(0.01)
    line.send(data, sent_at, gap_chars * 10 / sent_at)
    line.idle(0.05)
    return sample(line, read_at)


def hunt(
    hunter: Hunter, data: bytes, sent_at: int, *, marks: bool, gap: float = 0.0, rounds: int = 40
) -> list[Decision]:
    """Play `data` again and again to a port that obeys the hunter; return the decisions."""
    out = []
    t = 0
    for _ in range(rounds):
        rate = hunter.rate
        for at, byte, fault in received(data, sent_at, rate, gap):
            now = t + int(at * 1e9)
            told = hunter.tick(now)
            if told is None:
                alone = b"" if marks and fault == "break" else bytes([byte])
                told = hunter.feed(now, alone, int(marks and bool(fault)))
            if told is not None:
                out.append(told)
                if isinstance(told, Lock):
                    return out
                if hunter.rate != rate:
                    break
        t += int((len(data) * (10 + gap * 10) / sent_at + 1) * 1e9)
    return out
