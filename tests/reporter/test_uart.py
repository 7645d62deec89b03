"""The serial side: speeds, a UART that is slow, stuck or missing, settings put back."""

from __future__ import annotations

import random

import pytest
from reporter.layouts import blank
from reporter.machine import Machine
from reporter.reading import read
from reporter.uart import Uart

from benchd.reporter.build import build
from benchd.reporter.options import Options

DIVISORS = {
    300: 384, 600: 192, 1200: 96, 1800: 64, 2400: 48, 3600: 32, 4800: 24, 7200: 16, 9600: 12, 14400: 8, 19200: 6,
    28800: 4, 38400: 3, 57600: 2, 115200: 1,
}  # fmt: skip
"""Data sheets of the 16450, PC16550D and TL16C550C, table for 1.8432 MHz; 14400, 28800 and 57600 by board manuals."""


def small(options: Options, uart: Uart | None, floats: bool = False) -> Machine:
    """A machine with a BIOS and this rom only, after the call."""
    rng = random.Random(7)
    layout = blank(rng)
    layout.bus.memory[0xC8000 : 0xC8000 + options.size] = build(options)
    if floats:
        layout.bus.floating = [(0xD0000, 0xD1000)]
        layout.bus.program = (0xC8000, 0xC9000)
    machine = Machine(layout.bus, uart)
    expected = machine.call(0xC800, 3, (0, 0x7C00), rng)
    assert machine.registers() == expected
    return machine


@pytest.mark.parametrize("speed", DIVISORS)
def test_divisors(speed: int) -> None:
    """Every character goes out with the divisor of the data sheets and as 8N1; the line says the speed."""
    uart = Uart()
    settings = uart.settings()
    small(Options("rom", speed=speed), uart)
    assert {(divisor, lcr) for _, divisor, lcr in uart.sent} == {(DIVISORS[speed], 0x03)}
    assert f" speed {speed} " in read(uart.text).bodies[0]
    assert uart.settings() == settings


@pytest.mark.parametrize("base", [0x3F8, 0x2F8, 0x3E8, 0x2E8])
def test_bases(base: int) -> None:
    """Only the ports of its own UART are written, and port 80h."""
    uart = Uart(base)
    machine = small(Options("rom", uart=base), uart)
    assert f" uart {base:03X} " in read(uart.text).bodies[0]
    assert machine.ports_written <= {0x80, *range(base, base + 8)}


def test_a_first_8250_has_no_scratch_register() -> None:
    """The program finds it all the same."""
    uart = Uart(scratch=False)
    small(Options("rom"), uart)
    assert read(uart.text)


@pytest.mark.parametrize("floats", [False, True])
def test_nobody_at_the_base(floats: bool) -> None:
    """FFh, or what was last on the bus: the report goes into the codes, the last of them the end."""
    machine = small(Options("rom"), None, floats)
    assert machine.codes == [0x71, 0x73, 0x74, 0x75, 0x01, 0x79]


def test_stuck_from_the_start() -> None:
    """A UART that takes one character and never gets ready again is given up after one wait."""
    uart = Uart(busy=lambda: None)
    machine = small(Options("rom"), uart)
    assert machine.codes == [0x71, 0x78, 0x74, 0x75, 0x01, 0x79]
    assert len(uart.sent) == 1 and machine.polls <= 2 * 4 * 65536 + 100


def test_stuck_later() -> None:
    """In the midst of a line: what went out is the report's beginning, and the boot goes on."""
    left = iter(range(300))
    uart = Uart(busy=lambda: None if next(left, None) is None else 0)
    whole = Uart()
    small(Options("rom"), whole)
    assert small(Options("rom"), uart).codes.count(0x78) == 1
    assert len(uart.text) == 301 and whole.text.startswith(uart.text)
