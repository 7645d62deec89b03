"""The program itself: 8086 instructions only, templates as the source gives them, and the time that it takes."""

from __future__ import annotations

import random

import pytest
import unicorn
from reporter.assembling import assemble
from reporter.code8086 import bus_bytes, clocks, fault, trace
from reporter.layouts import blank
from reporter.machine import RETURN, Machine
from reporter.reading import read
from reporter.uart import Uart
from support.option_roms import option_rom

from benchd.reporter.build import build, template
from benchd.reporter.options import WRAPPERS, Options, Window

HERTZ = 14_318_180 / 3
"""4.77 MHz."""


def roots(wrapper: str) -> tuple[bytes, int, list[int]]:
    """Return code, origin, and where the processor, or the program by a computed jump, enters it."""
    code = template(wrapper)  # type: ignore[arg-type]
    origin = 0x100 if wrapper == "com" else 0
    starts = {"rom": [3], "floppy": [0], "com": [0x100]}[wrapper]
    # `push cs / mov ax, LABEL / push ax / retf`, and `mov bx, LABEL / call .each`
    for at in range(len(code) - 5):
        if code[at] == 0xB8 and code[at + 3 : at + 5] == b"\x50\xcb":
            starts.append(int.from_bytes(code[at + 1 : at + 3], "little"))
        if code[at] == 0xBB and code[at + 3] == 0xE8 and code[at + 6] in (0xBB, 0x0E):
            starts.append(int.from_bytes(code[at + 1 : at + 3], "little"))
    return code, origin, starts


@pytest.mark.parametrize("wrapper", WRAPPERS)
def test_every_instruction_is_an_8086_one(wrapper: str) -> None:
    """All code that can be reached, disassembled by capstone and held against the manual's list."""
    code, origin, starts = roots(wrapper)
    found = trace(code, origin, starts)
    faults = {f"{at:04X} {ins.mnemonic} {ins.op_str}": why for at, ins in found.items() if (why := fault(ins))}
    assert not faults
    assert len(found) > 900


def test_what_runs_is_what_was_checked() -> None:
    """Each stretch of code that the rom runs with all its tests begins with an instruction of that list."""
    code, origin, starts = roots("rom")
    found = trace(code, origin, starts)
    layout = blank(random.Random(3))
    layout.bus.memory[0xC8000:0xCA000] = build(Options("rom", window=Window(0xD0000, 0xD07FF), display=True))
    machine = Machine(layout.bus, Uart())
    ran: set[int] = set()
    machine.cpu.hook_add(unicorn.UC_HOOK_BLOCK, lambda _, address, *__: ran.add(address - 0xC8000))
    machine.call(0xC800, 3, (0, 0x7C00), random.Random(1))
    ran.discard(RETURN - 0xC8000)
    assert len(ran) > 200 and ran <= found.keys()


def test_later_instructions_are_found() -> None:
    """The list refuses what the 80186, the 386 and their prefixes brought."""
    for raw in ("60", "6a05", "c1e004", "0fb6c0", "6631c0", "c8040000", "0fa0", "f30fb8c0", "648b07"):
        ins = next(iter(trace(bytes.fromhex(raw) + b"\xcb", 0, [0]).values()))
        assert fault(ins) is not None, raw
    for raw in ("d1e0", "f3a4", "2eac", "8ed8", "e621", "d3e0", "ff5e04"):
        ins = next(iter(trace(bytes.fromhex(raw) + b"\xcb", 0, [0]).values()))
        assert fault(ins) is None, raw


@pytest.mark.peer("nasm")
@pytest.mark.parametrize("wrapper", WRAPPERS)
def test_templates_are_the_source(wrapper: str) -> None:
    """Assembled anew they are the same, byte for byte (else: python3 tests/reporter/assembling.py)."""
    assert assemble(wrapper) == template(wrapper)  # type: ignore[arg-type]
    assert len(template(wrapper)) <= 0x1E00  # type: ignore[arg-type]  # work memory begins 2000h bytes from CS


class Timed:
    """Counts clocks while a machine runs, and has a UART that takes as long as a character does.

    `masked` is the longest time from a CLI to the POPF behind it.
    """

    def __init__(self, machine: Machine, base: int, length: int, character: float) -> None:
        self.now = 0.0
        self.ready_at = self.idle_at = 0.0
        self._character = character
        self._cpu = machine.cpu
        code = machine.read(base, length)
        self._code = {}
        for at, ins in trace(code, 0, roots("rom")[2]).items():
            repeated = ins.mnemonic.startswith("rep")
            fresh = max(clocks(ins), 4 * bus_bytes(ins)) + (9 if repeated else 0)
            self._code[base + at] = (fresh, max(clocks(ins), 4 * bus_bytes(ins, False)))
        self._cli = {base + at for at, ins in trace(code, 0, roots("rom")[2]).items() if ins.mnemonic == "cli"}
        self._popf = {base + at for at, ins in trace(code, 0, roots("rom")[2]).items() if ins.mnemonic == "popf"}
        self._since = 0.0
        self.masked = 0.0
        self._last = -1
        machine.cpu.hook_add(unicorn.UC_HOOK_CODE, self._step)

    def _step(self, _: unicorn.Uc, address: int, *__: object) -> None:
        costs = self._code.get(address)
        if costs is not None:
            self.now += costs[address == self._last]
            if address in self._cli:
                self._since = self.now
            elif self._since and address in self._popf:
                self.masked = max(self.masked, self.now - self._since)
                self._since = 0.0
        self._last = address

    def begin(self) -> None:
        """A character goes into the holding register, and on when the one before is out."""
        self.ready_at = max(self.now, self.idle_at)
        self.idle_at = self.ready_at + self._character


class SlowUart(Uart):
    """One that goes by a clock."""

    timed: Timed

    def ready(self) -> bool:
        return self.timed.now >= self.timed.ready_at

    def idle(self) -> bool:
        return self.timed.now >= self.timed.idle_at

    def begin(self) -> None:
        self.timed.begin()


def timed(content: list[tuple[int, int]]) -> tuple[float, int, Timed]:
    """Return (seconds of an 8088 at 4.77 MHz for a default report, lines, the clock); `content`: (address, size)."""
    rng = random.Random(12)
    layout = blank(rng)
    memory = layout.bus.memory
    memory[:0x400] = (0xF000E000).to_bytes(4, "little") * 256
    memory[0xC0000:0xF0000] = b"\xff" * 0x30000
    for at, size in content:
        memory[at : at + size] = option_rom(min(size // 512, 64), at >> 12 & 0xFF, 0.9).ljust(size, b"\x55")
        memory[at + 0x800 : at + size] = rng.randbytes(size - 0x800)
    memory[0xD0000:0xD2000] = build(Options("rom"))
    uart = SlowUart()
    machine = Machine(layout.bus, uart)
    uart.timed = Timed(machine, 0xD0000, 0x2000, HERTZ * 10 / 9600)
    machine.call(0xD000, 3, (0, 0x7C00), rng)
    return uart.timed.now / HERTZ, len(read(uart.text).bodies), uart.timed


def test_a_usual_report_takes_less_than_15_seconds() -> None:
    """32 KiB on the display adapter, 16 KiB on a disk adapter, 40 KiB of BIOS: an estimate, by the manual's clocks."""
    took, lines, clock = timed([(0xC0000, 0x8000), (0xC8000, 0x4000), (0xF6000, 0xA000)])
    print(f"{took:.1f} s, {lines} lines")
    assert 1 < took < 15
    # Interrupts are off for two copies of a chunk: 2 * 128 * 17 clocks and a little.
    assert 4352 < clock.masked < 4600


@pytest.mark.slow
def test_even_a_full_megabyte_takes_less_than_15_seconds() -> None:
    """All 128 blocks with content, each a line of its own."""
    took, lines, _ = timed([(0xC0000, 0x10000), (0xD0000, 0x10000), (0xE0000, 0x10000), (0xF0000, 0x10000)])
    print(f"{took:.1f} s, {lines} lines")
    assert lines > 128 and took < 15
