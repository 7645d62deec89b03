"""Facts about serial lines: rates, divisors, byte times, and how late each kind of port delivers.

Sources: TL16C550C data sheet (SLLS177), tables of divisors and LSR bit 4 (break); TL16C2550 data sheet
(SLWS161E), table 5 (FIFO time-out); Linux admin-guide/devices.txt (pty majors 136..143).
"""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from benchd.vocabulary.hunting import STANDARD_RATES
from benchd.vocabulary.times import byte_time_ns

__all__ = ["STANDARD_RATES", "Timing", "divisor", "latency_timer_ms", "port_kind", "port_timing"]

CRYSTAL_HZ = 1_843_200
"""The usual crystal of a PC serial port."""

PortKind = Literal["pty", "socket", "rfc2217", "usb", "uart", "other"]

SCHEDULER_NS = 5_000_000
"""Lateness allowed for thread scheduling. Measured on a shared two-core machine: median 0.02 ms, 99th percentile
0.3 ms, at worst 3 ms; on a starved one more, which nothing here can see."""

USB_TIMER_MS = 16
"""Usual latency timer of USB adapters until somebody sets it lower (common practice)."""

FIFO_TIMEOUT_CHARS = 4
"""A 16550-class FIFO below its trigger level interrupts after this many quiet character times."""


@dataclass(frozen=True, slots=True)
class Timing:
    """How bytes arrive at this kind of port; feeds `LinkInfo.paced` and `LinkInfo.latency_ns`."""

    paced: bool
    latency_ns: int
    why: str


def divisor(rate: float, crystal_hz: int = CRYSTAL_HZ) -> tuple[int, float]:
    """Return (divisor, relative error of the real rate) of a UART with 16x clock; divisor within 1..65535."""
    n = min(65535, max(1, round(crystal_hz / (16 * rate))))
    return n, crystal_hz / (16 * n) / rate - 1


def port_kind(port: str) -> PortKind:
    """Tell what sort of port a path or URL names; a path that does not exist (yet) is told by its name."""
    if "://" in port:
        scheme = port.split("://", 1)[0].lower()
        return {"socket": "socket", "rfc2217": "rfc2217"}.get(scheme, "other")  # type: ignore[return-value]
    real = os.path.realpath(port)
    try:
        status = os.stat(real)
    except OSError:
        status = None
    if status is not None and stat.S_ISCHR(status.st_mode) and 136 <= os.major(status.st_rdev) <= 143:
        return "pty"
    name = os.path.basename(real)
    if real.startswith("/dev/pts/"):
        return "pty"
    if name.startswith(("ttyUSB", "ttyACM")) or "/serial/by-" in port:
        return "usb"
    if name.startswith(("ttyS", "ttyAMA")):
        return "uart"
    return "other"


def latency_timer_ms(port: str, sys: Path = Path("/sys")) -> int | None:
    """Return the latency timer that the driver of a USB adapter shows in /sys, in ms, or None."""
    name = os.path.basename(os.path.realpath(port))
    try:
        value = int((sys / "bus/usb-serial/devices" / name / "latency_timer").read_text())
    except (OSError, ValueError):
        return None
    return value if 0 < value <= 1000 else None


def port_timing(
    port: str,
    rate: int = 9600,
    data_bits: int = 8,
    parity: str = "N",
    stop_bits: float = 1,
    sys: Path = Path("/sys"),
) -> Timing:
    """Return how bytes of `port` arrive: at line speed or not, and how late at most (ns)."""
    kind = port_kind(port)
    if kind in ("pty", "socket"):
        return Timing(False, SCHEDULER_NS, f"a {kind} has no line speed; bytes come as fast as they are sent")
    if kind == "rfc2217":
        # The far end has a real line, but the network batches bytes as it likes.
        return Timing(False, SCHEDULER_NS + 10_000_000, "RFC 2217: the network gathers bytes; 10 ms allowed")
    if kind == "uart":
        fifo = FIFO_TIMEOUT_CHARS * byte_time_ns(rate, data_bits, parity, stop_bits)
        return Timing(True, SCHEDULER_NS + fifo, "built-in UART: the FIFO waits four character times")
    if kind == "usb":
        known = latency_timer_ms(port, sys)
        timer = USB_TIMER_MS if known is None else known
        said = "as its driver says" if known is not None else "the usual value; its driver does not say"
        return Timing(True, SCHEDULER_NS + timer * 1_000_000, f"USB adapter: latency timer {timer} ms, {said}")
    return Timing(True, SCHEDULER_NS + USB_TIMER_MS * 1_000_000, "kind of port not known: 16 ms allowed")
