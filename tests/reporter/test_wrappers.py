"""The floppy and the DOS program in the emulated machine: how they get in, where they write, what they leave."""

from __future__ import annotations

import random

import pytest
import unicorn
from reporter.layouts import blank, expected_blocks
from reporter.machine import REGISTERS, Machine
from reporter.reading import read
from reporter.uart import Uart
from unicorn import x86_const as x86

from benchd.reporter.build import DISKS, build
from benchd.reporter.options import Options

SEGMENT = 0x2000


class Services:
    """INT 10h, 13h, 20h and 21h, as far as they are called; each keeps all registers but its results."""

    def __init__(self, machine: Machine, image: bytes = b"", fails: int = 0) -> None:
        self.machine = machine
        self.image = image
        self.fails = fails
        self.said = ""
        self.ended = False
        self.sectors: list[int] = []
        machine.cpu.hook_add(unicorn.UC_HOOK_INTR, self._called)
        machine.cpu.hook_add(unicorn.UC_HOOK_CODE, self._halted, None, 0x7C00, 0x7DFF)

    def _halted(self, cpu: unicorn.Uc, address: int, *_: object) -> None:
        if cpu.mem_read(address, 1) == b"\xf4":
            self.ended = True
            cpu.emu_stop()

    def _called(self, cpu: unicorn.Uc, number: int, _: object) -> None:
        regs = self.machine.registers()
        if number == 0x10:
            assert regs["AX"] >> 8 == 0x0E
            self.said += chr(regs["AX"] & 0xFF)
        elif number == 0x13:
            self._disk(cpu, regs)
        elif number == 0x21:
            assert regs["AX"] >> 8 == 9
            text = self.machine.read((regs["DS"] << 4) + regs["DX"], 200)
            self.said += text[: text.index(b"$")].decode("ascii")
        else:
            assert number == 0x20
            self.ended = True
            cpu.emu_stop()

    def _disk(self, cpu: unicorn.Uc, regs: dict[str, int]) -> None:
        """Read one sector (AH = 2) or reset (AH = 0); `fails` tries fail first, as while a motor starts."""
        assert regs["DX"] & 0xFF == 0
        if regs["AX"] >> 8 == 0:
            return
        track, heads = self.image[0x18], self.image[0x1A]
        cylinder, sector, head = regs["CX"] >> 8, regs["CX"] & 0xFF, regs["DX"] >> 8
        assert regs["AX"] == 0x0201 and 1 <= sector <= track and head < heads
        failed = self.fails > 0
        self.fails -= failed
        cpu.reg_write(REGISTERS["FLAGS"], regs["FLAGS"] & ~1 | failed)
        if not failed:
            number = (cylinder * heads + head) * track + sector - 1
            self.sectors.append(number)
            cpu.mem_write((regs["ES"] << 4) + regs["BX"], self.image[number * 512 : number * 512 + 512])


@pytest.mark.parametrize("disk", DISKS)
def test_floppy(disk: str) -> None:
    """Boots from each format, some tries failing first; writes to stack and work memory only; asks to be taken out."""
    layout = blank(random.Random(disk))
    image = build(Options("floppy", disk=disk))
    layout.bus.memory[0x7C00:0x7E00] = image[:512]
    machine = Machine(layout.bus, Uart())
    services = Services(machine, image, fails=3)
    machine.watch([(0x7B80, 0x7E00), (0x9C00, 0xA400)])
    machine.cpu.reg_write(REGISTERS["SS"], 0)
    machine.cpu.reg_write(REGISTERS["SP"], 0x400)
    machine.cpu.reg_write(REGISTERS["DX"], 0)
    machine.cpu.reg_write(REGISTERS["CS"], 0)
    machine.cpu.emu_start(0x7C00, 0xFFFFF, count=40_000_000)
    assert services.ended and machine.writes == []
    assert services.sectors == list(range(1, image[0x0E]))
    assert services.said.endswith("Take the floppy out and switch off.\r\n")
    assert machine.uart is not None
    told = read(machine.uart.text)
    assert told.bodies[0].startswith("begin 1 as floppy at 07C00 uart 3F8 speed 9600 ")
    assert told.blocks == expected_blocks(layout)


def test_floppy_that_cannot_be_read() -> None:
    """It says so and stops."""
    layout = blank(random.Random(1))
    image = build(Options("floppy"))
    layout.bus.memory[0x7C00:0x7E00] = image[:512]
    machine = Machine(layout.bus, Uart())
    services = Services(machine, image, fails=99)
    machine.cpu.reg_write(REGISTERS["CS"], 0)
    machine.cpu.emu_start(0x7C00, 0xFFFFF, count=100_000)
    assert services.ended and services.said == "The floppy cannot be read.\r\n" and services.fails == 95


def started(top: int) -> tuple[Machine, Services]:
    """The DOS program at 2000:0100 with memory up to segment `top`, run to its end."""
    layout = blank(random.Random(2))
    program = build(Options("com"))
    at = SEGMENT << 4
    layout.bus.memory[at : at + 0x100] = bytes(0x100)
    layout.bus.memory[at + 2 : at + 4] = top.to_bytes(2, "little")
    layout.bus.memory[at + 0x100 : at + 0x100 + len(program)] = program
    machine = Machine(layout.bus, Uart())
    services = Services(machine)
    machine.watch([(at + 0x2000, at + 0x2800), (at + 0xFFC0, at + 0x10000)])
    for name in ("CS", "DS", "ES", "SS"):
        machine.cpu.reg_write(REGISTERS[name], SEGMENT)
    machine.cpu.reg_write(REGISTERS["SP"], 0xFFFE)
    machine.cpu.reg_write(x86.UC_X86_REG_DX, 0x1234)
    machine.cpu.emu_start(at + 0x100, 0xFFFFF, count=40_000_000)
    assert services.ended and machine.writes == []
    assert machine.registers()["SS"] == SEGMENT and machine.registers()["SP"] == 0xFFFE
    return machine, services


def test_com() -> None:
    """Works behind itself in its own segment, and ends by DOS with its stack as it was."""
    machine, services = started(0xA000)
    assert services.said.endswith("The report is sent.\r\n")
    assert machine.uart is not None and machine.uart.settings() == Uart().settings()
    assert read(machine.uart.text).bodies[0].startswith("begin 1 as com at 20100 ")


def test_com_without_room() -> None:
    """A few kilobytes free only: nothing is sent."""
    machine, services = started(SEGMENT + 0x27F)
    assert services.said == "Not enough free memory for the report.\r\n"
    assert machine.uart is not None and machine.uart.text == b""
    assert started(SEGMENT + 0x280)[1].said.endswith("sent.\r\n")
