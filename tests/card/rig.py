"""The card in an emulator: its shipped image, bus cycles on its pins, frames from its UART.

The emulator (rp2040js, from the npm registry) and what is added to it: emulator.mjs. Times are the emulator's, in ns.
The frames are taken apart here with the cobs and crccheck libraries, and by benchd's own decoder: both must agree.
"""

from __future__ import annotations

import json
import subprocess
import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cobs import cobs
from crccheck.crc import Crc16CcittFalse
from support.npm import modules

from benchd.decode.benchframe import CardWrite, Frame, decode_frame

NOTES = Path(__file__).parents[2] / "firmware-notes" / "card"
PINS = tomllib.loads((NOTES / "pins.toml").read_text())
IMAGE = NOTES / PINS["image"]["file"]
PACKAGE = "rp2040js@1.4.1"
MS = 1_000_000
SECOND = 1_000_000_000
BYTE_NS = 10e9 / 115_200
WRITE_NS = 750
"""A bus at 8 MHz: six clocks for an 8-bit I/O cycle, written back to back."""
QUEUE = 8_128
"""Writes that the card promises to keep while nothing leaves; this and the next are in its README.md."""
SHORTEST_NS = 100
"""The shortest strobe that is always seen."""
HIGH_NS = 90
"""How long IOW# must be high between two strobes."""
SHORTEST_CYCLE_NS = 250
GLITCH_NS = 60
"""Strobes up to this length are never seen."""
SETS = ((0x80,), (0x80, 0x84, 0x90), (0x80, 0x84, 0x90, 0x300), (0x10, 0x11, 0x60, 0x80, 0x84, 0x90, 0x190, 0x300))
"""The ports that are watched, by the jumpers: bit 0 of the index is jumper 0."""


@dataclass(frozen=True, slots=True)
class Line:
    """What left the UART: bytes, when each one's stop bit ended, and how often its FIFO was written while full."""

    data: bytes
    times: list[float]
    over: int


@dataclass(frozen=True, slots=True)
class Told:
    """One entry as a receiver reads it: its number (16 bits), its ticks (us, 32 bits) and its port."""

    number: int
    ticks: int
    port: int | None
    entry: CardWrite


class Card:
    """An emulated card. Every method is one step of the story; time stands still between them."""

    def __init__(self) -> None:
        program = str(Path(__file__).with_name("emulator.mjs"))
        self._process = subprocess.Popen(
            ["node", program, str(modules(PACKAGE)), str(IMAGE), json.dumps(PINS)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self.now = 0.0
        self._rest = b""

    def close(self) -> None:
        assert self._process.stdin and self._process.stdout
        self._process.stdin.close()
        self._process.wait(30)
        self._process.stdout.close()

    def ask(self, name: str, *given: object) -> Any:
        """Give one command of emulator.mjs and return its value."""
        assert self._process.stdin and self._process.stdout
        self._process.stdin.write(json.dumps([name, *given]) + "\n")
        self._process.stdin.flush()
        answer = self._process.stdout.readline()
        assert answer, f"the emulator ended at {name}"
        told = json.loads(answer)
        self.now = told["now"]
        return told["value"]

    def fresh(self, **levels: int) -> None:
        """Another card, from power-on, with these levels on its pins (others: a quiet bus with power, no jumper)."""
        self.ask("fresh")
        self._rest = b""
        self.ask("set", levels)

    def run(self, ns: float) -> None:
        self.ask("run", ns)

    def line(self, byte_ns: float | None) -> None:
        """Set how long the UART takes for a byte: 0: none, None: for ever."""
        self.ask("line", byte_ns)

    def write(self, writes: Sequence[tuple[int, int]], gap_ns: float = WRITE_NS, **how: int) -> list[float]:
        """Write (port, byte) after (port, byte), `gap_ns` apart; return when each strobe ended."""
        return self.write_at([(n * gap_ns, port, byte) for n, (port, byte) in enumerate(writes)], **how)

    def write_at(self, writes: Iterable[tuple[float, int, int]], **how: int) -> list[float]:
        """Write (ns from now, port, byte); return when each strobe ended."""
        return self.ask("writes", list(writes), how)  # type: ignore[no-any-return]

    def take(self) -> Line:
        told = self.ask("take")
        return Line(bytes.fromhex(told["bytes"]), told["times"], told["over"])

    def frames(self) -> list[Frame]:
        """What has left since the last call, as frames; what of one is still to come is kept."""
        data = self._rest + self.take().data
        whole = data.rfind(b"\0") + 1
        self._rest = data[whole:]
        return frames_of(data[:whole])

    def drained(self) -> list[Frame]:
        """The same, after everything that waits has left."""
        frames: list[Frame] = []
        self.line(0)
        while True:
            self.run(MS)
            more = self.frames()
            if not more and not self._rest:
                return frames
            frames += more


def frames_of(data: bytes) -> list[Frame]:
    """Take bytes apart into frames; CRC and layout must be right. The rest behind the last delimiter must be empty."""
    *wires, rest = data.split(b"\0")
    assert not rest, f"half a frame: {rest.hex()}"
    for wire in filter(None, wires):
        plain = cobs.decode(wire)
        assert Crc16CcittFalse.calc(plain[:-2]) == int.from_bytes(plain[-2:], "big")
    return [decode_frame(wire) for wire in wires if wire]


def entries_of(frames: Iterable[Frame]) -> list[Told]:
    """Every entry with its number, ticks and port as a receiver reads them; numbers must go on without a gap."""
    told = []
    for frame in frames:
        number, ticks, port = frame.sequence, frame.ticks, None
        for entry in frame.entries:
            ticks = (ticks + entry.delta) % 2**32
            port = port if entry.port is None else entry.port
            assert not told or number == (told[-1].number + 1) % 2**16
            told.append(Told(number, ticks, port, entry))
            number = (number + 1) % 2**16
    return told


def writes_of(frames: Iterable[Frame]) -> list[tuple[int | None, int]]:
    """(port, byte) of each write, in order."""
    return [(one.port, one.entry.code) for one in entries_of(frames) if one.entry.code is not None]


def errors_us(told: Iterable[Told], ends: Sequence[float], start_us: float = 0) -> list[float]:
    """How far (us) each code's ticks are from the end of its strobe; the counter wraps at 32 bits."""
    ticks = [one.ticks for one in told if one.entry.code is not None]
    off = [(tick - end / 1000 - start_us + 2**31) % 2**32 - 2**31 for tick, end in zip(ticks, ends, strict=True)]
    return off
