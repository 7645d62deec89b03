"""RAM tests, asked for at build time: faults are found where they are, and what was there stands there again."""

from __future__ import annotations

import random

import pytest
from reporter.display import Planes
from reporter.layouts import Layout, blank
from reporter.machine import Machine
from reporter.reading import read
from reporter.uart import Uart

from benchd.reporter.build import build
from benchd.reporter.options import Options, Window

FIRST, LAST = 0xD0000, 0xD0FFF


def outcome(options: Options, layout: Layout, planes: Planes | None = None) -> tuple[list[str], Machine]:
    """Call the rom at C8000; returns the test lines and the machine, after all but what was tested is as before."""
    layout.bus.memory[0xC8000:0xCA000] = build(options)
    before = bytes(layout.bus.memory)
    uart = Uart()
    machine = Machine(layout.bus, uart, planes)
    window = [] if options.window is None else [(options.window.first, options.window.last + 1)]
    shown = [(0xA0000, 0xC0000)] if options.display else []
    zone = layout.zone
    assert zone is not None
    machine.watch([(0x7BD0, 0x7C00), (zone, zone + 0x800), *window, *shown])
    expected = machine.call(0xC800, 3, (0, 0x7C00), random.Random(4))
    assert machine.registers() == expected and machine.writes == []
    for first, end in ((0, 0x7BD0), (0x7C00, 0xA0000)):
        assert machine.read(first, end - first) == before[first:end]
    return read(uart.text).of("test"), machine


def window_machine(**flaws: int) -> Layout:
    layout = blank(random.Random(5))
    layout.bus.memory[FIRST : LAST + 1] = random.Random(6).randbytes(LAST + 1 - FIRST)
    layout.bus.flaws = {int(name[1:], 16): bits for name, bits in flaws.items()}
    for at, bits in layout.bus.flaws.items():
        layout.bus.memory[at] &= ~bits
    return layout


OPTIONS = Options("rom", window=Window(FIRST, LAST))


def test_good_window() -> None:
    """No error, all as before, and the code of a passed test."""
    layout = window_machine()
    before = bytes(layout.bus.memory)
    lines, machine = outcome(OPTIONS, layout)
    assert lines == ["test window D0000-D0FFF errors 0000 first ----- bits 00"]
    assert machine.codes[-2:] == [0x76, 0x79]
    assert machine.read(FIRST, 0x1000) == before[FIRST : LAST + 1]


def test_bits_that_stay_0() -> None:
    """Two bad cells: counted once a pattern that sets them, the first told, the bits joined."""
    lines, machine = outcome(OPTIONS, window_machine(xD0123=0x08, xD0FFF=0x81))
    assert lines[0].startswith("test window D0000-D0FFF errors ") and lines[0].endswith(" first D0123 bits 89")
    count = int(lines[0].split()[4], 16)
    # 08h is set in FFh and AAh; 81h in FFh, 55h (01h) and AAh (80h): five; and in the own pattern, perhaps.
    assert 5 <= count <= 8
    assert machine.codes[-2:] == [0x77, 0x79]


def test_a_rom_in_the_window() -> None:
    """What takes no write is wrong nearly everywhere, and is not changed."""
    layout = window_machine()
    before = bytes(layout.bus.memory)
    layout.bus.hollow = [(FIRST, LAST + 1)]
    lines, machine = outcome(OPTIONS, layout)
    errors = int(lines[0].split()[4], 16)
    assert errors > 5 * 0x1000 * 0.9 and lines[0].endswith(" bits FF")
    assert bytes(machine.bus.memory[FIRST : LAST + 1]) == before[FIRST : LAST + 1]


@pytest.mark.parametrize("line", [7, 8, 11])
def test_an_address_line_that_is_not_decoded(line: int) -> None:
    """Chunks are good each by itself; the address test finds that two of them are one."""
    layout = window_machine()
    layout.bus.alias = (FIRST, LAST + 1, 1 << line)
    for at in range(FIRST, LAST + 1):
        layout.bus.memory[at] = layout.bus.memory[at & ~(1 << line)]
    before = bytes(layout.bus.memory)
    lines, machine = outcome(OPTIONS, layout)
    assert lines[0].split()[4] != "0000" and lines[0].split()[6] in ("D0000", f"{FIRST + (1 << line):05X}")
    assert bytes(machine.bus.memory[FIRST : LAST + 1]) == before[FIRST : LAST + 1]


def test_display_plane_by_plane() -> None:
    """Where its registers answer; a bad cell in plane 2; registers, indexes and all planes as before."""
    planes = Planes({2: {0x1234: 0x10}})
    planes.planes[2][0x1234] &= 0xEF
    before = planes.state()
    lines, machine = outcome(Options("rom", display=True), blank(random.Random(8)), planes)
    assert [line.split(" errors ")[0] for line in lines] == [f"test display-{n} A0000-AFFFF" for n in range(4)]
    assert [line.endswith("errors 0000 first ----- bits 00") for line in lines] == [True, True, False, True]
    assert lines[2].endswith(" first A1234 bits 10")
    assert planes.state() == before
    assert machine.codes[-5:] == [0x76, 0x76, 0x77, 0x76, 0x79]


@pytest.mark.parametrize(("mode", "range_", "first"), [(7, "B0000-B0FFF", 0xB0000), (3, "B8000-BBFFF", 0xB8000)])
def test_display_without_planes(mode: int, range_: str, first: int) -> None:
    """The window of the mode that the BIOS has set; what was on the screen is there again."""
    layout = blank(random.Random(9))
    layout.bus.memory[0x449] = mode
    layout.bus.memory[first : first + 0x4000] = random.Random(1).randbytes(0x4000)
    before = bytes(layout.bus.memory[first : first + 0x4000])
    lines, machine = outcome(Options("rom", display=True), layout)
    assert lines == [f"test display {range_} errors 0000 first ----- bits 00"]
    assert machine.read(first, 0x4000) == before
    # Looking for planes, nothing was left changed where nobody answers; no other port was touched.
    assert machine.ports_written <= {0x80, *range(0x3F8, 0x400), 0x3C4, 0x3C5, 0x3CE, 0x3CF}


def test_window_and_display_together() -> None:
    """Both lines, the window first."""
    layout = window_machine()
    layout.bus.memory[0xB0000:0xC0000] = bytes(0x10000)
    lines, _ = outcome(Options("rom", window=Window(FIRST, LAST), display=True), layout)
    assert [line.split()[1] for line in lines] == ["window", "display"]
