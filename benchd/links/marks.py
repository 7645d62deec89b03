"""Break, framing and parity trouble as the terminal driver marks it in the data, and its counters.

With INPCK and PARMRK set, a character X received with a framing or parity error reads FFh 00h X, a break
reads FFh 00h 00h, and a good character FFh reads FFh FFh (POSIX.1-2017, XBD 11.2.2 Input Modes). A bad NUL
and a break read the same. Linux counts each kind separately for real ports (TIOCGICOUNT), not for ptys.
"""

from __future__ import annotations

import contextlib
import fcntl
import struct
import termios
from dataclasses import dataclass
from typing import Literal

Fault = Literal["break", "framing", "parity", "overrun"]

TIOCGICOUNT = 0x545D
COUNTERS = struct.Struct("11i36x")
"""struct serial_icounter_struct (linux/serial.h): cts dsr rng dcd rx tx frame overrun parity brk buf_overrun,
then 9 spare ints."""


class MarkParser:
    """Takes marks out of what was read. Keeps an unfinished mark between reads."""

    def __init__(self, bad_character: Fault = "framing") -> None:
        self.bad_character: Fault = bad_character
        self._pending = b""

    def feed(self, data: bytes) -> list[bytes | Fault]:
        """Return the pieces of `data` in order: received bytes, and faults.

        A bad character's own byte stays in the data, behind its fault: what was received is the truth. A
        break leaves no byte.
        """
        if not self._pending and b"\xff" not in data:
            return [data] if data else []
        data = self._pending + data
        self._pending = b""
        out: list[bytes | Fault] = []
        good = bytearray()
        i, n = 0, len(data)

        def tell(fault: Fault) -> None:
            if good:
                out.append(bytes(good))
                good.clear()
            out.append(fault)

        while i < n:
            at = data.find(b"\xff", i)
            if at < 0:
                good += data[i:]
                break
            good += data[i:at]
            rest = n - at
            if rest == 1 or (rest == 2 and data[at + 1] == 0):
                self._pending = data[at:]
                break
            second = data[at + 1]
            if second == 0xFF:
                good.append(0xFF)
                i = at + 2
            elif second == 0:
                if data[at + 2] == 0:
                    tell("break")
                else:
                    tell(self.bad_character)
                    good.append(data[at + 2])
                i = at + 3
            else:
                # No driver that marks sends this; take it as it stands rather than lose a byte.
                good.append(0xFF)
                i = at + 1
        if good:
            out.append(bytes(good))
        return out

    def flush(self) -> bytes:
        """Return what an unfinished mark held back (at the end of a link), as plain bytes."""
        rest, self._pending = self._pending, b""
        return rest


def mark_faults(fd: int) -> bool:
    """Let the driver of terminal `fd` mark faults; return False where it cannot."""
    try:
        attributes = termios.tcgetattr(fd)
        attributes[0] &= ~(termios.IGNPAR | termios.IGNBRK | termios.BRKINT | termios.ISTRIP)
        attributes[0] |= termios.INPCK | termios.PARMRK
        termios.tcsetattr(fd, termios.TCSANOW, attributes)
        return bool(termios.tcgetattr(fd)[0] & termios.PARMRK)
    except (OSError, termios.error):
        return False


@dataclass(frozen=True, slots=True)
class Counters:
    """What the driver has counted since it was loaded."""

    framing: int
    overrun: int
    parity: int
    breaks: int

    def since(self, earlier: Counters) -> Counters:
        """Return the increase since `earlier`; a driver that started over counts from zero."""
        return Counters(
            *(
                now - before if now >= before else now
                for now, before in zip(
                    (self.framing, self.overrun, self.parity, self.breaks),
                    (earlier.framing, earlier.overrun, earlier.parity, earlier.breaks),
                    strict=True,
                )
            )
        )


def parse_counters(raw: bytes) -> Counters:
    """Return the fault counters in a `struct serial_icounter_struct`; lost-in-buffer counts as overrun."""
    fields = COUNTERS.unpack(raw)
    return Counters(framing=fields[6], overrun=fields[7] + fields[10], parity=fields[8], breaks=fields[9])


def read_counters(fd: int) -> Counters | None:
    """Return the driver's counters, or None where the port has none (pty, socket, some drivers)."""
    with contextlib.suppress(OSError):
        return parse_counters(fcntl.ioctl(fd, TIOCGICOUNT, bytes(COUNTERS.size)))
    return None


def bytes_sent(fd: int) -> int:
    """Return how many bytes the driver has sent since the port came, 0 where it does not count."""
    with contextlib.suppress(OSError):
        return int(COUNTERS.unpack(fcntl.ioctl(fd, TIOCGICOUNT, bytes(COUNTERS.size)))[5])
    return 0
