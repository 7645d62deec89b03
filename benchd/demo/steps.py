"""What a boot does, as data, and the exact bytes and times that it puts on the wires.

A script is a sequence of steps. `timeline` plays it without any clock: the same script and random state give
the same bytes at the same times. Step times are seconds of the simulated machine; `speed` compresses them,
while bytes keep the line's real byte time.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

LinkName: TypeAlias = Literal["post", "console"]

BITS_PER_BYTE = 10
"""Start bit, eight data bits, one stop bit."""


@dataclass(frozen=True, slots=True)
class Post:
    """The firmware writes `code` to `port` and then works for `work_s` (relative spread `jitter`)."""

    code: int
    work_s: float = 0.05
    jitter: float = 0.03
    port: int = 0x80


@dataclass(frozen=True, slots=True)
class Say:
    """Text on the console, line ends included; the firmware waits for the transmitter."""

    text: str


@dataclass(frozen=True, slots=True)
class Count:
    """A counter rewritten in place: `shape` formatted with first, first + step, ..., last, `every_s` apart."""

    first: int
    last: int
    step: int
    every_s: float
    jitter: float = 0.03
    shape: str = "\r{:05d}K OK"


@dataclass(frozen=True, slots=True)
class Wait:
    """Work that writes nothing."""

    seconds: float
    jitter: float = 0.03


@dataclass(frozen=True, slots=True)
class Hang:
    """The machine stands still until somebody acts. `seconds` is that person's patience: never compressed."""

    seconds: float


@dataclass(frozen=True, slots=True)
class PowerOff:
    """Power off, for `seconds`."""

    seconds: float = 2.0


@dataclass(frozen=True, slots=True)
class PowerOn:
    """Power on; the supply needs 0.3 s until it says good."""


Step: TypeAlias = Post | Say | Count | Wait | Hang | PowerOff | PowerOn
Script: TypeAlias = Sequence[Step]
PostFormat: TypeAlias = Callable[[int, int], bytes]
"""(port, code) to the bytes that the diagnostic card sends."""


@dataclass(frozen=True, slots=True)
class Sent:
    """One byte whose stop bit ends `t_s` seconds (real) after the script began."""

    t_s: float
    link: LinkName
    byte: int


@dataclass(frozen=True, slots=True)
class Mark:
    """Something that leaves no byte: "power-on", "hang" or "power-off"."""

    t_s: float
    what: Literal["power-on", "hang", "power-off"]


@dataclass(frozen=True, slots=True)
class Timeline:
    """All bytes in the order of their times, the marks, the length, and codes that the card had no room for."""

    sent: tuple[Sent, ...]
    marks: tuple[Mark, ...]
    seconds: float
    merged: int

    def data(self, link: LinkName) -> bytes:
        """Everything that goes over one link."""
        return bytes(sent.byte for sent in self.sent if sent.link == link)


def raw_code(_port: int, code: int) -> bytes:
    """A card that sends each code as one byte."""
    return bytes([code & 0xFF])


def hex_code(port: int, code: int) -> bytes:
    """A card that sends text: port and code in hex, one a line."""
    return f"{port:02X} {code:02X}\r\n".encode()


def timeline(
    script: Script,
    rng: random.Random,
    *,
    speed: float = 1.0,
    post_baud: int = 9600,
    console_baud: int = 9600,
    post_format: PostFormat = raw_code,
    card_room: int = 16,
    encoding: str = "cp437",
) -> Timeline:
    """Return what `script` puts on the wires. The card holds at most `card_room` codes waiting for its line."""
    wires = _Wires(1 / speed, rng, BITS_PER_BYTE / post_baud, BITS_PER_BYTE / console_baud, card_room)
    for step in script:
        match step:
            case Post():
                wires.post(post_format(step.port, step.code))
                wires.work(step.work_s, step.jitter)
            case Say():
                wires.say(step.text.encode(encoding, "replace"))
            case Count():
                for value in range(step.first, step.last + 1, step.step):
                    wires.say(step.shape.format(value).encode(encoding, "replace"))
                    wires.work(step.every_s, step.jitter)
            case Wait():
                wires.work(step.seconds, step.jitter)
            case Hang():
                wires.mark("hang")
                wires.now += step.seconds
            case PowerOff():
                wires.mark("power-off")
                wires.work(step.seconds, 0)
            case PowerOn():
                wires.mark("power-on")
                wires.work(0.3, 0.03)
    sent = sorted(wires.sent, key=lambda one: one.t_s)
    end = max(wires.now, sent[-1].t_s if sent else 0.0)
    return Timeline(tuple(sent), tuple(wires.marks), end, wires.merged)


class _Wires:
    """Time and both lines while a script is laid out."""

    def __init__(self, scale: float, rng: random.Random, post_s: float, console_s: float, room: int) -> None:
        self.now = 0.0
        self.sent: list[Sent] = []
        self.marks: list[Mark] = []
        self.merged = 0
        self._scale = scale
        self._rng = rng
        self._post_s = post_s
        self._console_s = console_s
        self._room = room
        self._card_free = 0.0

    def work(self, seconds: float, jitter: float) -> None:
        self.now += seconds * self._scale * (self._rng.lognormvariate(0, jitter) if jitter else 1.0)

    def post(self, data: bytes) -> None:
        """The processor does not wait for the card; a card whose room is full loses the code."""
        waiting = max(0.0, self._card_free - self.now) / (self._post_s * len(data))
        if waiting > self._room:
            self.merged += 1
            return
        at = max(self.now, self._card_free)
        for byte in data:
            at += self._post_s
            self.sent.append(Sent(at, "post", byte))
        self._card_free = at

    def say(self, data: bytes) -> None:
        for byte in data:
            self.now += self._console_s
            self.sent.append(Sent(self.now, "console", byte))

    def mark(self, what: Literal["power-on", "hang", "power-off"]) -> None:
        self.marks.append(Mark(self.now, what))
