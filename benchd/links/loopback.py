"""What a port of this machine does, shown by a plug that joins its output to its input.

The only place that writes to a port. It is for a person who has taken the cable off and said so; see "What only your
hardware can show" in firmware-notes/null-modem.md.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import select
import statistics
import struct
import termios
import time
from dataclasses import dataclass, field

from benchd.errors import ExternalError
from benchd.links.holders import holders
from benchd.links.marks import Fault, MarkParser, read_counters
from benchd.links.opening import OpenPort, open_port
from benchd.links.settings import PortSettings
from benchd.links.terminal import UnfitFormat
from benchd.links.trouble import why_not_open
from benchd.vocabulary.times import byte_time_ns

SPEEDS = (9600, 19200, 38400, 57600, 115200)
SINGLES = 20
PATIENCE_S = 1.0
"""How long a byte may be on its way through plug, driver and adapter."""
EVERYTHING = bytes(range(256)) + b"\xff\xff\x00\xff\x00\x00" * 8 + bytes(reversed(range(256)))
SPEED_FAILS = 0.02


@dataclass(slots=True)
class SpeedCheck:
    """One speed: what came back of what was sent, and when. `delay_ms` is beyond the time on the line.

    `values` of the 256 came back; `speed_error` is relative, uncertain by `speed_error_u`, None where the port has no
    line speed; `trouble` is what went wrong, "" for nothing.
    """

    speed: int
    in_force: str = ""
    sent: int = 0
    received: int = 0
    values: int = 0
    delay_ms: float | None = None
    delay_worst_ms: float | None = None
    speed_error: float | None = None
    speed_error_u: float | None = None
    break_seen: bool = False
    faults: list[str] = field(default_factory=list)
    trouble: str = ""


@dataclass(slots=True)
class LoopbackReport:
    """All speeds, and which inputs follow which output ("DTR": ["DSR", "CD"]); None where the port has no lines."""

    port: str
    speeds: list[SpeedCheck] = field(default_factory=list)
    lines: dict[str, list[str]] | None = None

    @property
    def fine(self) -> bool:
        return bool(self.speeds) and not any(one.trouble for one in self.speeds)


class Plug:
    """An open port whose output comes back: writes, and reads with faults told apart."""

    def __init__(self, port: OpenPort) -> None:
        if port.fd is None:
            raise ExternalError(f"{port.path}: only a port of this machine can be checked")
        self.fd, self.port = port.fd, port
        self.faults: list[Fault] = []
        self._parser = MarkParser()

    def take(self, wait_s: float) -> tuple[bytes, int]:
        """Return what comes within `wait_s` and when (ns); b"" if nothing does."""
        if not select.select([self.fd], [], [], wait_s)[0]:
            return b"", time.monotonic_ns()
        data, t = os.read(self.fd, 4096), time.monotonic_ns()
        pieces = self._parser.feed(data) if self.port.marked else [data]
        self.faults += [piece for piece in pieces if not isinstance(piece, bytes)]
        return b"".join(piece for piece in pieces if isinstance(piece, bytes)), t

    def through(self, data: bytes) -> tuple[bytes, list[tuple[int, int]]]:
        """Send `data` while reading; return what came back, and (ns, bytes so far) at each read."""
        got, marks, left = bytearray(), [], data
        until = time.monotonic() + PATIENCE_S
        while len(got) < len(data) and time.monotonic() < until:
            if left:
                with contextlib.suppress(BlockingIOError):
                    left = left[os.write(self.fd, left[:512]) :]
            piece, t = self.take(0.001 if left else 0.02)
            if piece:
                got += piece
                marks.append((t, len(got)))
                until = time.monotonic() + PATIENCE_S
        return bytes(got), marks


def run_loopback(path: str, speeds: tuple[int, ...] = SPEEDS, long_s: float = 2.0) -> LoopbackReport:
    """Send through the plug in `path` and report. Raises ExternalError when the port cannot be used.

    `long_s` is how long the run is that the speed is measured on.
    """
    if users := holders(path):
        raise ExternalError(f"{path}: in use by {', '.join(users)}; close that program first")
    report = LoopbackReport(path)
    for speed in speeds:
        check = SpeedCheck(speed)
        report.speeds.append(check)
        try:
            port = open_port(PortSettings(path), speed)
        except UnfitFormat as error:
            check.trouble = str(error)
            continue
        except (OSError, ValueError, termios.error) as error:
            raise ExternalError(why_not_open(error, path).message) from error
        try:
            check.in_force = str(port.format)
            _check_speed(Plug(port), check, long_s)
            if report.lines is None:
                report.lines = _check_lines(port)
        finally:
            port.close()
        if not check.received:
            break
    return report


def _check_speed(plug: Plug, check: SpeedCheck, long_s: float) -> None:
    each_ns = byte_time_ns(plug.port.rate)
    delays = []
    for n in range(SINGLES):
        began = time.monotonic_ns()
        got, marks = plug.through(bytes([n + 65]))
        check.sent, check.received = check.sent + 1, check.received + len(got)
        if not got:
            check.trouble = "nothing came back: is TXD joined to RXD, and is it this port?"
            return
        delays.append((marks[-1][0] - began - each_ns) / 1e6)
    check.delay_ms, check.delay_worst_ms = statistics.median(delays), max(delays)
    got, _ = plug.through(EVERYTHING)
    check.sent, check.received = check.sent + len(EVERYTHING), check.received + len(got)
    check.values = len(set(got))
    wrong = got != EVERYTHING
    count = int(long_s * 1e9 / each_ns)
    run = bytes(n % 251 for n in range(count))
    got, marks = plug.through(run)
    check.sent, check.received = check.sent + count, check.received + len(got)
    wrong |= got != run
    timing = plug.port.timing
    if timing.paced and len(marks) > 1 and not wrong:
        took = marks[-1][0] - marks[0][0]
        check.speed_error = (marks[-1][1] - marks[0][1]) * each_ns / took - 1
        check.speed_error_u = timing.latency_ns / took
    check.faults = [str(fault) for fault in plug.faults]
    _check_break(plug, check)
    if wrong:
        check.trouble = f"{check.sent} bytes sent, {check.received} came back, or not as they were sent"
    elif check.faults:
        check.trouble = f"the driver told of {', '.join(sorted(set(check.faults)))}"
    elif check.speed_error is not None and abs(check.speed_error) - (check.speed_error_u or 0) > SPEED_FAILS:
        check.trouble = f"the speed is off by {check.speed_error * 100:+.1f} %"


def _check_break(plug: Plug, check: SpeedCheck) -> None:
    before = read_counters(plug.fd)
    plug.faults.clear()
    with contextlib.suppress(OSError, termios.error):
        termios.tcsendbreak(plug.fd, 0)
    plug.take(PATIENCE_S / 2)
    after = read_counters(plug.fd)
    check.break_seen = "break" in plug.faults or bool(before and after and after.breaks > before.breaks)


def _check_lines(port: OpenPort) -> dict[str, list[str]] | None:
    names = ("CTS", "DSR", "RI", "CD")
    out: dict[str, list[str]] = {}
    for name, bit in (("DTR", termios.TIOCM_DTR), ("RTS", termios.TIOCM_RTS)):
        seen = []
        for call in (termios.TIOCMBIC, termios.TIOCMBIS):
            if port.fd is None or port.lines() is None:
                return None
            fcntl.ioctl(port.fd, call, struct.pack("i", bit))
            time.sleep(0.05)
            seen.append(port.lines() or (False,) * 4)
        out[name] = [what for what, off, on in zip(names, *seen, strict=True) if on and not off]
    return out


def loopback_text(report: LoopbackReport) -> str:
    """Return `report` as text for people."""
    lines = [report.port]
    for one in report.speeds:
        lines.append(f"  {one.in_force or f'{one.speed} bit/s'}: {one.trouble or 'fine'}")
        if not one.received:
            continue
        lines.append(f"    bytes: {one.sent} sent, {one.received} back; {one.values} of 256 values")
        if one.delay_ms is not None:
            lines.append(f"    delay: {one.delay_ms:.2f} ms beyond the line, {one.delay_worst_ms:.2f} ms at most")
        if one.speed_error is not None and one.speed_error_u is not None:
            lines.append(f"    speed: {one.speed_error * 100:+.2f} % (±{one.speed_error_u * 100:.2f} %)")
        lines.append(f"    break: {'seen' if one.break_seen else 'not seen'}")
    if report.lines is not None:
        told = [f"{name} shows as {', '.join(seen) or 'nothing'}" for name, seen in report.lines.items()]
        lines.append(f"  lines: {'; '.join(told)}")
    return "\n".join(lines)
