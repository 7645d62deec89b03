"""A serial port of this machine by Linux's own calls: opened quietly, held alone, set, and asked what is in force.

pyserial reaches the same calls, but leaves the port as it found it for some hundred microseconds (the kernel echoes
what comes in meanwhile), asserts DTR for as long, never asks what the driver made of its settings, and locks by advice
only.
Sources: Linux, termios(3) and ioctl_tty(2); asm-generic/ioctls.h and termbits.h (the numbers; x86, ARM and RISC-V use
them), uapi/linux/serial.h (struct serial_struct), drivers/tty/serial/serial_core.c and drivers/usb/serial/ftdi_sio.c.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import struct
import termios
import time
from dataclasses import dataclass, field
from typing import Any

from benchd.links.lines import divisor, port_kind
from benchd.links.marks import bytes_sent

TCGETS2, TCSETS2 = 0x802C542A, 0x402C542B
TIOCGSERIAL, TIOCSSERIAL = 0x541E, 0x541F
_TERMIOS2 = struct.Struct("4IB19s2I")
"""struct termios2: input, output, control and local flags, line discipline, characters, input and output speed."""
_SERIAL = struct.Struct("iiIiiiii40x")
"""struct serial_struct as far as `baud_base`: type, line, port, irq, flags, fifo size, custom divisor, baud base."""
ASYNC_LOW_LATENCY = 0x2000
CLASSIC_UARTS = range(1, 5)
"""Types 8250 to 16550A: their speed is the crystal by 16 by a whole number, nothing in between."""

CBAUD, BOTHER, CIBAUD, CMSPAR = 0o010017, 0o010000, 0o2003600000, 0o10000000000
SIZES = {5: termios.CS5, 6: termios.CS6, 7: termios.CS7, 8: termios.CS8}
PARITIES = {
    "N": 0,
    "E": termios.PARENB,
    "O": termios.PARENB | termios.PARODD,
    "S": termios.PARENB | CMSPAR,
    "M": termios.PARENB | termios.PARODD | CMSPAR,
}
PARITY_BITS = termios.PARENB | termios.PARODD | CMSPAR

SPEED_REFUSED = 0.03
"""A receiver samples the last bit of 8N1 9.5 bit times after the start edge: 5 % between both ends reads another bit,
and the far end may be off by 2 % itself."""
SPEED_TOLD = 0.005


class UnfitFormat(OSError):
    """The driver took a setting and did something else, with which nothing would be read right."""


@dataclass(frozen=True, slots=True)
class LineFormat:
    """How characters are on the line: bit/s, data bits, parity letter, stop bits."""

    speed: int
    data_bits: int = 8
    parity: str = "N"
    stop_bits: float = 1

    def __str__(self) -> str:
        return f"{self.speed} bit/s, {self.data_bits}{self.parity}{self.stop_bits:g}"


@dataclass(slots=True)
class Terminal:
    """An open terminal. `pulse_ns` is for how long lines that shall be off were asserted at most, 0 if none was."""

    fd: int
    pulse_ns: int = 0
    notes: list[str] = field(default_factory=list)

    def close(self) -> None:
        """Close it at once; others may open it again."""
        with contextlib.suppress(OSError, termios.error):
            termios.tcflush(self.fd, termios.TCOFLUSH)  # closing waits for half a minute for what cannot be sent
            fcntl.ioctl(self.fd, termios.TIOCNXCL)
        with contextlib.suppress(OSError):
            os.close(self.fd)


def open_quietly(path: str, *, dtr: bool = True, rts: bool = True) -> Terminal:
    """Open `path` for this process alone, with echo off and unwanted lines dropped before anything else is done.

    Raises OSError: EBUSY or EAGAIN when another program holds it, ENOTTY when it is no terminal. Exclusive use
    (TIOCEXCL) keeps out everybody but root; the lock (flock) those who ask for it, root too.
    """
    began = time.monotonic_ns()
    fd = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK | os.O_CLOEXEC)
    terminal = Terminal(fd)
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        _hush(terminal, path)
        off = (0 if dtr else termios.TIOCM_DTR) | (0 if rts else termios.TIOCM_RTS)
        if off:
            with contextlib.suppress(OSError):  # a pty has no lines
                fcntl.ioctl(fd, termios.TIOCMBIC, struct.pack("i", off))
                terminal.pulse_ns = time.monotonic_ns() - began
        fcntl.ioctl(fd, termios.TIOCEXCL)
    except BaseException:
        os.close(fd)
        raise
    return terminal


def _hush(terminal: Terminal, path: str) -> None:
    """Switch echo and everything else that the line discipline does off, first of all."""
    fd = terminal.fd
    attributes = _get(fd)
    cooked, echoed = attributes[3] & (termios.ICANON | termios.ECHO), attributes[3] & termios.ECHO
    attributes[0] = attributes[1] = attributes[3] = 0
    _set(fd, attributes)
    if cooked or port_kind(path) == "pty":
        # What came in by then may be changed (CR to LF), and its echo may wait to be sent; on a pty it may be old.
        termios.tcflush(fd, termios.TCIOFLUSH)
    if echoed and (sent := bytes_sent(fd)):
        terminal.notes.append(
            f"echo was on when the port was opened, and its driver has sent {sent} bytes since the port came: what "
            "arrived in that moment may have been echoed"
        )


def _get(fd: int) -> list[Any]:
    return list(_TERMIOS2.unpack(fcntl.ioctl(fd, TCGETS2, bytes(_TERMIOS2.size))))


def _set(fd: int, attributes: list[Any]) -> None:
    fcntl.ioctl(fd, TCSETS2, _TERMIOS2.pack(*attributes))


def _with_speed(attributes: list[Any], speed: int) -> list[Any]:
    constant = getattr(termios, f"B{speed}", BOTHER)
    attributes[2] = attributes[2] & ~(CBAUD | CIBAUD) | constant
    attributes[6] = attributes[7] = speed
    return attributes


def set_format(fd: int, wanted: LineFormat, *, hang_up: bool = True) -> None:
    """Set speed and character format; raw otherwise. `hang_up`: closing drops DTR and RTS."""
    attributes = _get(fd)
    characters = bytearray(attributes[5])
    characters[termios.VMIN], characters[termios.VTIME] = 1, 0
    attributes[5] = bytes(characters)
    attributes[2] = (
        termios.CREAD
        | termios.CLOCAL
        | SIZES[wanted.data_bits]
        | PARITIES[wanted.parity]
        | (termios.CSTOPB if wanted.stop_bits > 1 else 0)
        | (termios.HUPCL if hang_up else 0)
    )
    _set(fd, _with_speed(attributes, wanted.speed))


def set_speed(fd: int, speed: int) -> None:
    """Change only the speed."""
    _set(fd, _with_speed(_get(fd), speed))


def in_force(fd: int) -> LineFormat:
    """Return what the driver has set, with the speed that a UART's crystal gives where that is known."""
    attributes = _get(fd)
    control, speed = attributes[2], attributes[7]
    size = next(bits for bits, flag in SIZES.items() if control & termios.CSIZE == flag)
    parity = next(letter for letter, flags in PARITIES.items() if control & PARITY_BITS == flags)
    stop = 1.0 if not control & termios.CSTOPB else 1.5 if size == 5 else 2.0
    base = _crystal_base(fd)
    if base and speed:
        speed = round(speed * (1 + divisor(speed, base * 16)[1]))
    return LineFormat(speed, size, parity, stop)


def _crystal_base(fd: int) -> int:
    try:
        kind, *_, base = _SERIAL.unpack(fcntl.ioctl(fd, TIOCGSERIAL, bytes(_SERIAL.size)))
    except OSError:
        return 0
    return base if kind in CLASSIC_UARTS else 0


def compare(wanted: LineFormat, got: LineFormat) -> list[str]:
    """Return what to say of settings that came out otherwise. Raises UnfitFormat where nothing would be read right."""
    off = got.speed / wanted.speed - 1
    if abs(off) > SPEED_REFUSED:
        raise UnfitFormat(
            f"asked for {wanted.speed} bit/s, but {got.speed} is in force: this hardware cannot do it; set a speed "
            "that it can do, or use another adapter"
        )
    if got.data_bits != wanted.data_bits:
        raise UnfitFormat(f"asked for {wanted.data_bits} data bits, but {got.data_bits} are in force: {_CANNOT}")
    if got.parity != wanted.parity:
        raise UnfitFormat(f"asked for parity {wanted.parity}, but {got.parity} is in force: {_CANNOT}")
    notes = []
    if abs(off) > SPEED_TOLD:
        notes.append(f"asked for {wanted.speed} bit/s, {got.speed} is in force ({off * 100:+.1f} %)")
    if got.stop_bits != wanted.stop_bits:
        notes.append(f"asked for {wanted.stop_bits:g} stop bits, {got.stop_bits:g} are in force (reading is the same)")
    return notes


_CANNOT = "this hardware cannot do it; set what it can do, or use another adapter"


def set_low_latency(fd: int) -> None:
    """Ask the driver to hand bytes up at once, where it can: an FTDI adapter's latency timer becomes 1 ms."""
    with contextlib.suppress(OSError):
        raw = bytearray(fcntl.ioctl(fd, TIOCGSERIAL, bytes(_SERIAL.size)))
        struct.pack_into("i", raw, 16, _SERIAL.unpack(raw)[4] | ASYNC_LOW_LATENCY)
        fcntl.ioctl(fd, TIOCSSERIAL, bytes(raw))
