"""Facts of serial lines agree with the data sheets."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest

from benchd.links.lines import (
    SCHEDULER_NS,
    STANDARD_RATES,
    divisor,
    latency_timer_ms,
    port_kind,
    port_timing,
)
from benchd.vocabulary.times import byte_time_ns

# TL16C550C data sheet (SLLS177), table "Baud rates using a 1.8432-MHz crystal": rate, divisor, error in
# per cent as printed (magnitude; "-" where it prints none).
TABLE_1_8432 = [
    (50, 2304, None), (75, 1536, None), (110, 1047, 0.026), (134.5, 857, 0.058),
    (150, 768, None), (300, 384, None),
    (600, 192, None), (1200, 96, None), (1800, 64, None), (2000, 58, 0.69), (2400, 48, None), (3600, 32, None),
    (4800, 24, None), (7200, 16, None), (9600, 12, None), (19200, 6, None), (38400, 3, None), (56000, 2, 2.86),
]  # fmt: skip
# The same data sheet, table for a 3.072-MHz crystal.
TABLE_3_072 = [
    (110, 1745, 0.026),
    (134.5, 1428, 0.034),
    (1800, 107, 0.312),
    (3600, 53, 0.628),
    (7200, 27, 1.23),
]


@pytest.mark.parametrize(("rate", "n", "percent"), TABLE_1_8432)
def test_divisors_of_the_usual_crystal(rate: float, n: int, percent: float | None) -> None:
    """Divisor and error are those of the data sheet, to the digits it prints."""
    got, error = divisor(rate)
    assert got == n
    assert abs(error) * 100 == pytest.approx(percent or 0.0, abs=0.005 if percent and percent > 0.1 else 0.0005)


@pytest.mark.parametrize(("rate", "n", "percent"), TABLE_3_072)
def test_divisors_of_another_crystal(rate: float, n: int, percent: float) -> None:
    """The formula holds for the second crystal of the data sheet too."""
    got, error = divisor(rate, 3_072_000)
    assert got == n
    assert abs(error) * 100 == pytest.approx(percent, abs=0.006)


def test_signs_of_errors() -> None:
    """110 runs fast, 134.5 and 2000 slow, 56000 fast (computed from the formula of the data sheet)."""
    signed = {rate: divisor(rate)[1] * 100 for rate in (110, 134.5, 2000, 56000)}
    assert signed == pytest.approx({110: 0.0260, 134.5: -0.0577, 2000: -0.6897, 56000: 2.8571}, abs=5e-5)


def test_every_standard_rate_is_exact() -> None:
    """The rates that are hunted need no rounding of the divisor, 110 but little (table 7-9); 115200 is divisor 1."""
    assert [rate for rate in STANDARD_RATES if divisor(rate)[1]] == [110]
    assert divisor(110)[0] == 1047 and divisor(150) == (768, 0.0)
    assert divisor(115200) == (1, 0.0)
    assert divisor(57600)[0] == 2


@pytest.mark.parametrize(
    ("rate", "ms"),
    [(300, 33.333), (1200, 8.3333), (2400, 4.1667), (9600, 1.041667), (19200, 0.520833), (38400, 0.260417),
     (57600, 0.173611), (115200, 0.0868056)],
)  # fmt: skip
def test_byte_times_at_8n1(rate: int, ms: float) -> None:
    """A character at 8N1 is ten bit times (TIA-232 framing: start, 8 data, stop)."""
    assert byte_time_ns(rate) / 1e6 == pytest.approx(ms, rel=2e-5)


def test_byte_times_of_other_frames() -> None:
    """110 bit/s with two stop bits is 11 bits, 100 ms: the ten characters a second of a teleprinter."""
    assert byte_time_ns(110, 8, "N", 2) == 100_000_000
    assert byte_time_ns(1000, 7, "E", 1) == 10_000_000
    assert byte_time_ns(1000, 8, "O", 1.5) == 11_500_000


def test_kinds_of_ports() -> None:
    """A pty is known by its device number under any name; the rest by name or scheme."""
    master, slave = os.openpty()
    try:
        assert port_kind(os.ttyname(slave)) == "pty"
    finally:
        os.close(master)
        os.close(slave)
    assert port_kind("socket://127.0.0.1:5000") == "socket"
    assert port_kind("RFC2217://box:2217") == "rfc2217"
    assert port_kind("/dev/ttyUSB7") == port_kind("/dev/serial/by-id/usb-bench-if00") == "usb"
    assert port_kind("/dev/ttyS9") == "uart"
    assert port_kind("/dev/pts/99999") == "pty"
    assert port_kind("loop://") == "other"


def test_a_link_to_a_pty_is_a_pty(tmp_path: Path) -> None:
    """Steady names are followed."""
    master, slave = os.openpty()
    try:
        link = tmp_path / "post"
        link.symlink_to(os.ttyname(slave))
        assert port_kind(str(link)) == "pty"
    finally:
        os.close(master)
        os.close(slave)


def test_latency_timer_is_read_from_sys(tmp_path: Path) -> None:
    """The driver's own figure is used; nonsense and absence are not."""
    timer = tmp_path / "bus/usb-serial/devices/ttyUSB0/latency_timer"
    timer.parent.mkdir(parents=True)
    timer.write_text("1\n")
    assert latency_timer_ms("/dev/ttyUSB0", tmp_path) == 1
    assert port_timing("/dev/ttyUSB0", sys=tmp_path).latency_ns == SCHEDULER_NS + 1_000_000
    timer.write_text("soon\n")
    assert latency_timer_ms("/dev/ttyUSB0", tmp_path) is None
    assert latency_timer_ms("/dev/ttyUSB1", tmp_path) is None
    # 16 ms is what USB adapters come with (common practice, no source).
    assert port_timing("/dev/ttyUSB1", sys=tmp_path).latency_ns == SCHEDULER_NS + 16_000_000


def test_timing_by_kind() -> None:
    """A FIFO waits four characters (TL16C2550, table 5: 4.167 ms at 9600); sockets and ptys are not paced."""
    assert port_timing("/dev/ttyS9", 9600).latency_ns - SCHEDULER_NS == pytest.approx(4.167e6, rel=1e-3)
    assert port_timing("/dev/ttyS9", 9600).paced
    assert not port_timing("socket://127.0.0.1:1").paced
    assert not port_timing("/dev/pts/99999").paced


def test_the_wiring_notes_print_the_same_figures() -> None:
    """Rates, divisors and character times in firmware-notes/null-modem.md are those of the code."""
    notes = Path(__file__).parents[2] / "firmware-notes" / "null-modem.md"
    rows = re.findall(r"^\| (\d+) \| (\d+) \| ([\d.]+) ms \|$", notes.read_text(encoding="utf-8"), re.M)
    assert len(rows) == 10
    for rate, n, ms in rows:
        assert divisor(int(rate))[0] == int(n) and abs(divisor(int(rate))[1]) < 3e-4
        assert f"{byte_time_ns(int(rate)) / 1e6:.3f}" == ms
