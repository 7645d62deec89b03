"""A 16450 by its data sheet (National NS16450: registers, divisor latch, line status), as far as sending goes."""

from __future__ import annotations

from collections.abc import Callable

EMPTY, IDLE = 0x20, 0x40


class Uart:
    """Registers at `base`. After a character it is busy for `busy` polls of the line status (None: for good).

    `sent` has each character with the divisor and line control in force; what is written while it is not ready is
    lost, as in the part, and counted in `overrun`.
    """

    def __init__(self, base: int = 0x3F8, busy: Callable[[], int | None] = lambda: 0, scratch: bool = True) -> None:
        self.base = base
        self.scratch = 0x5C if scratch else None
        self.ier, self.lcr, self.mcr, self.divisor = 0x01, 0x1B, 0x08, 0x0180
        self.sent: list[tuple[int, int, int]] = []
        self.overrun = 0
        self._busy = busy
        self._holding: int | None = 0
        self._shifting: int | None = 0

    @property
    def text(self) -> bytes:
        return bytes(character for character, _, _ in self.sent)

    def settings(self) -> tuple[int | None, ...]:
        return self.ier, self.lcr, self.mcr, self.divisor, self.scratch

    def ready(self) -> bool:
        return self._holding == 0

    def idle(self) -> bool:
        return self._shifting == 0

    def begin(self) -> None:
        """A character goes out."""
        self._holding = self._busy()
        self._shifting = None if self._holding is None else self._holding + 3

    def write(self, register: int, value: int) -> None:
        latch = self.lcr & 0x80
        if register == 0 and latch:
            self.divisor = self.divisor & 0xFF00 | value
        elif register == 1 and latch:
            self.divisor = self.divisor & 0x00FF | value << 8
        elif register == 0:
            if not self.ready():
                self.overrun += 1
                return
            self.sent.append((value, self.divisor, self.lcr))
            self.begin()
        elif register == 1:
            self.ier = value & 0x0F
        elif register == 3:
            assert self.idle() or not self.sent, "line control changed under a character"
            self.lcr = value
        elif register == 4:
            self.mcr = value & 0x1F
        elif register == 7 and self.scratch is not None:
            self.scratch = value

    def read(self, register: int) -> int:
        assert register != 0 or self.lcr & 0x80, "reading data takes a received character away"
        assert register not in (2, 6), "reading these clears what a driver may wait for"
        if register == 5:
            return self._status()
        low, high = self.divisor & 0xFF, self.divisor >> 8
        latch = self.lcr & 0x80
        return {0: low, 1: high if latch else self.ier, 3: self.lcr, 4: self.mcr, 7: self.scratch or 0}[register]

    def _status(self) -> int:
        status = EMPTY * self.ready() | IDLE * self.idle()
        if self._holding:
            self._holding -= 1
        if self._shifting:
            self._shifting -= 1
        return status
