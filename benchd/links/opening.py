"""Opening a port: by Linux's own calls where it is a device here, a TCP connection, or by pyserial (other URLs)."""

from __future__ import annotations

import contextlib
import fcntl
import os
import struct
import sys
import termios
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import serial

from benchd.links import marks, terminal
from benchd.links.lines import PortKind, Timing, latency_timer_ms, port_kind, port_timing
from benchd.links.network import TcpPort
from benchd.links.settings import HUNT, PortSettings
from benchd.links.terminal import LineFormat, Terminal

Opener = Callable[..., Any]
"""Called like `serial.serial_for_url`; returns an open pyserial port."""

READ_TIMEOUT_S = 0.1
"""How long a read waits on ports without a file descriptor, so that stopping is noticed."""

Lines = tuple[bool, bool, bool, bool]
"""Modem lines: CTS, DSR, RI, CD."""


@dataclass(slots=True)
class OpenPort:
    """An open port and what it turned out to offer.

    `port` is a Terminal, a TcpPort or pyserial's; `fd` is None where only pyserial's own calls work. `format` is what
    is in force.
    """

    port: Any
    path: str
    kind: PortKind
    fd: int | None
    format: LineFormat
    marked: bool = False
    has_lines: bool = False
    counters: marks.Counters | None = None
    notes: list[str] = field(default_factory=list)

    @property
    def rate(self) -> int:
        return self.format.speed

    @property
    def timing(self) -> Timing:
        """How late bytes are, by what is in force now."""
        line = self.format
        return port_timing(self.path, line.speed, line.data_bits, line.parity, line.stop_bits)

    def lines(self) -> Lines | None:
        """Return the modem lines, or None where the port has none (pty, socket, silent RFC 2217 server)."""
        if self.kind in ("pty", "socket"):
            return None
        try:
            if self.fd is not None:
                bits = struct.unpack("i", fcntl.ioctl(self.fd, termios.TIOCMGET, bytes(4)))[0]
                return (
                    bool(bits & termios.TIOCM_CTS),
                    bool(bits & termios.TIOCM_DSR),
                    bool(bits & termios.TIOCM_RI),
                    bool(bits & termios.TIOCM_CD),
                )
            return bool(self.port.cts), bool(self.port.dsr), bool(self.port.ri), bool(self.port.cd)
        except (OSError, AttributeError, NotImplementedError):
            return None

    def set_rate(self, rate: int) -> None:
        """Change the line speed. Raises what opening raises."""
        wanted = replace(self.format, speed=rate)
        if isinstance(self.port, Terminal):
            terminal.set_speed(self.port.fd, rate)
            self.format = terminal.in_force(self.port.fd)
            terminal.compare(wanted, self.format)
            return
        if isinstance(self.port, TcpPort):
            return
        self.port.baudrate = rate
        if self.marked and self.fd is not None:
            # pyserial sets the whole terminal anew and takes the marking out.
            self.marked = marks.mark_faults(self.fd)
        self.format = wanted

    def close(self) -> None:
        """Close, whatever state the port is in."""
        # pyserial (RFC 2217) drops a socket unclosed when its shutdown fails, usual after the far end went away.
        sock = getattr(self.port, "_socket", None)
        with contextlib.suppress(OSError, termios.error, ValueError, AttributeError):
            self.port.close()
        if sock is not None:
            with contextlib.suppress(OSError):
                sock.close()


def open_port(settings: PortSettings, rate: int, opener: Opener | None = None) -> OpenPort:
    """Open the port of `settings` at `rate` bit/s, exclusively; `opener` stands in for pyserial's.

    Raises OSError (of which SerialException and UnfitFormat are), ValueError, termios.error, NotImplementedError.
    """
    kind = port_kind(settings.port)
    wanted = LineFormat(rate, settings.data_bits, settings.parity, settings.stop_bits)
    notes: list[str] = []
    if kind == "pty" and (wanted.data_bits, wanted.parity) != (8, "N"):
        # The driver refuses the rest, or takes it and does nothing, depending on what was set before.
        notes.append(f"a pty takes 8 data bits without parity only, not {wanted.data_bits}{wanted.parity}")
        wanted = replace(wanted, data_bits=8, parity="N")
    port: Any
    if opener is None and "://" not in settings.port and sys.platform.startswith("linux"):
        port = terminal.open_quietly(settings.port, dtr=settings.dtr, rts=settings.rts)
        fd: int | None = port.fd
    elif opener is None and kind == "socket":
        port = TcpPort(settings.port)
        fd = port.fd
    else:
        port = _open_by_library(settings, wanted, kind, opener or serial.serial_for_url)
        fd = _descriptor(port)
    opened = OpenPort(port, settings.port, kind, fd, wanted, notes=notes)
    try:
        if isinstance(port, Terminal):
            _set_up(opened, port, wanted, settings)
        _prepare(opened, settings)
    except BaseException:
        opened.close()
        raise
    return opened


def _set_up(opened: OpenPort, port: Terminal, wanted: LineFormat, settings: PortSettings) -> None:
    """Set the line format, and hold what the driver made of it against what was asked for."""
    terminal.set_format(port.fd, wanted, hang_up=settings.dtr and settings.rts)
    opened.format = terminal.in_force(port.fd)
    opened.notes += terminal.compare(wanted, opened.format) + port.notes
    if port.pulse_ns:
        lines = " and ".join(n for n, on in (("DTR", settings.dtr), ("RTS", settings.rts)) if not on)
        opened.notes.append(f"{lines} asserted for up to {port.pulse_ns / 1e6:.1f} ms by the driver while opening")


def _open_by_library(settings: PortSettings, wanted: LineFormat, kind: PortKind, opener: Opener) -> Any:
    keywords: dict[str, Any] = {}
    if kind not in ("socket", "rfc2217"):
        keywords["exclusive"] = True
    port = opener(
        settings.port,
        baudrate=wanted.speed,
        bytesize=wanted.data_bits,
        parity=wanted.parity,
        stopbits=wanted.stop_bits,
        timeout=READ_TIMEOUT_S,
        do_not_open=True,
        **keywords,
    )
    with contextlib.suppress(OSError, ValueError):
        port.dtr, port.rts = settings.dtr, settings.rts
    if not port.is_open:
        port.open()
    return port


def _descriptor(port: Any) -> int | None:
    if os.name != "posix":
        return None
    try:
        fd = port.fileno()
    except (OSError, AttributeError, ValueError):
        return None
    return fd if isinstance(fd, int) and fd >= 0 else None


def _prepare(opened: OpenPort, settings: PortSettings) -> None:
    if opened.fd is not None and os.isatty(opened.fd):
        if opened.kind != "pty":  # it has no faults, and its maker may reset the marking
            opened.marked = marks.mark_faults(opened.fd)
            terminal.set_low_latency(opened.fd)
            timer = latency_timer_ms(settings.port)
            if timer is not None and timer > 1:
                opened.notes.append(f"the adapter's latency timer is {timer} ms")
        opened.counters = marks.read_counters(opened.fd)
    opened.has_lines = settings.modem_lines and opened.lines() is not None
    if settings.speed == HUNT and opened.kind == "socket":
        opened.notes.append("a socket has no line speed to hunt for")


def read_some(opened: OpenPort, limit: int) -> bytes:
    """Read what is there on a port without descriptor, waiting up to `READ_TIMEOUT_S`; b"" if nothing came.

    One character at a time behind `in_waiting`: after a cut pyserial's RFC 2217 port throws away what a
    longer read has gathered. Raises OSError when the port has gone.
    """
    port = opened.port
    data = bytearray(port.read(1))
    try:
        for _ in range(min(port.in_waiting, limit - 1) if data else 0):
            one = port.read(1)
            if not one:
                break
            data += one
    except (OSError, TypeError, AttributeError):
        # What came before the cut is delivered first; the next read raises again.
        if not data:
            raise
    return bytes(data)


def leftover(opened: OpenPort) -> bytes:
    """Return what the RFC 2217 port had received but refuses to hand over after a cut."""
    queue = getattr(opened.port, "_read_buffer", None)
    out = bytearray()
    while queue is not None and queue.qsize():
        out += queue.get_nowait() or b""
    return bytes(out)
