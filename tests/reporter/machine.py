"""An old machine for the reporter to run on: unicorn's 8086, a bus that floats, a 16450, a display with planes.

unicorn (a CPU emulator nobody here wrote) executes the program. What is ours is what stands around the processor: which
addresses answer, what a read gives where nobody does, and which writes were made.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import unicorn
from unicorn import x86_const as x86

from reporter.display import Planes
from reporter.uart import Uart

MEGABYTE = 0x100000
RETURN = 0x500
"""Physical address to which the caller's far call returns."""
LIMIT = 80_000_000
REGISTERS = {
    name: getattr(x86, f"UC_X86_REG_{name}")
    for name in ("AX", "BX", "CX", "DX", "SI", "DI", "BP", "SP", "CS", "DS", "ES", "SS", "FLAGS")
}


@dataclass
class Bus:
    """What answers. `memory` is what it gives; the rest says where it does not, or not steadily.

    `floating`: ranges (first, end) whose lines keep what was last on them, but for the bits of `driven`. `restless`:
    addresses that give another value at each read. `hollow`: ranges that take no write.
    """

    memory: bytearray
    floating: list[tuple[int, int]] = field(default_factory=list)
    driven: dict[tuple[int, int], int] = field(default_factory=dict)
    restless: set[int] = field(default_factory=set)
    hollow: list[tuple[int, int]] = field(default_factory=list)
    stuck: Callable[[int, int], int] | None = None
    queue: int = 4


class Machine:
    """One machine; `writes` are those made outside `allowed` ranges, `codes` what went to port 80h."""

    def __init__(self, bus: Bus, uart: Uart | None = None, planes: Planes | None = None) -> None:
        self.bus = bus
        self.uart = uart
        self.planes = planes
        self.codes: list[int] = []
        self.ports_written: set[int] = set()
        self.writes: list[tuple[int, int]] = []
        self.last_io = 0xFF
        self.cpu = unicorn.Uc(unicorn.UC_ARCH_X86, unicorn.UC_MODE_16)
        self.cpu.mem_map(0, MEGABYTE + 0x10000)
        self.cpu.mem_write(0, bytes(bus.memory))
        self.cpu.hook_add(unicorn.UC_HOOK_INSN, self._out, None, 1, 0, x86.UC_X86_INS_OUT)
        self.cpu.hook_add(unicorn.UC_HOOK_INSN, self._in, None, 1, 0, x86.UC_X86_INS_IN)
        self._at = -1
        self._size = 0
        self._again = False
        if bus.floating:
            self.cpu.hook_add(unicorn.UC_HOOK_CODE, self._step)
        for first, end in bus.floating:
            mask = bus.driven.get((first, end), 0)
            self.cpu.hook_add(unicorn.UC_HOOK_MEM_READ, self._float, mask, first, end - 1)
        for address in bus.restless:
            self.cpu.hook_add(unicorn.UC_HOOK_MEM_READ, self._restless, None, address, address)
        if planes is not None:
            self.cpu.hook_add(unicorn.UC_HOOK_MEM_READ, self._plane_read, None, 0xA0000, 0xAFFFF)
            self.cpu.hook_add(unicorn.UC_HOOK_MEM_WRITE, self._plane_write, None, 0xA0000, 0xAFFFF)

    def watch(self, allowed: Iterable[tuple[int, int]]) -> None:
        """Note every write outside the ranges (first, end)."""
        at = 0
        for first, end in [*sorted(allowed), (MEGABYTE + 0x10000, 0)]:
            if first > at:
                self.cpu.hook_add(unicorn.UC_HOOK_MEM_WRITE, self._wrote, None, at, first - 1)
            at = max(at, end)

    def read(self, first: int, count: int) -> bytes:
        return bytes(self.cpu.mem_read(first, count))

    def registers(self) -> dict[str, int]:
        return {name: self.cpu.reg_read(number) for name, number in REGISTERS.items()}

    def call(self, segment: int, offset: int, stack: tuple[int, int], rng: random.Random) -> dict[str, int]:
        """Far call `segment:offset` with random registers; returns them as they must come back."""
        for name in ("AX", "BX", "CX", "DX", "SI", "DI", "BP", "DS", "ES"):
            self.cpu.reg_write(REGISTERS[name], rng.randrange(0x10000))
        self.cpu.reg_write(
            REGISTERS["FLAGS"], 2 | rng.choice([0, 0x200]) | rng.choice([0, 0x400]) | rng.choice([0, 0x8D5])
        )
        ss, sp = stack
        self.cpu.reg_write(REGISTERS["SS"], ss)
        self.cpu.reg_write(REGISTERS["SP"], sp)
        expected = self.registers() | {"CS": RETURN >> 4}
        where = (ss << 4) + sp - 4
        self.cpu.mem_write(where, (0).to_bytes(2, "little") + (RETURN >> 4).to_bytes(2, "little"))
        self.cpu.reg_write(REGISTERS["SP"], sp - 4)
        self.cpu.reg_write(REGISTERS["CS"], segment)
        self.run((segment << 4) + offset, RETURN)
        return expected

    def run(self, begin: int, until: int) -> None:
        self.cpu.emu_start(begin, until, count=LIMIT)
        at = (self.cpu.reg_read(REGISTERS["CS"]) << 4) + self.cpu.reg_read(x86.UC_X86_REG_IP)
        assert at == until, f"stopped at {at:05X}"

    def _step(self, cpu: unicorn.Uc, address: int, size: int, _: object) -> None:
        self._again = address == self._at
        self._at, self._size = address, size

    def _last_on_bus(self, cpu: unicorn.Uc) -> int:
        """In a repeated string instruction its last access but the first time; else the last byte of the queue."""
        if self._again:
            to = (cpu.reg_read(REGISTERS["ES"]) << 4) + cpu.reg_read(REGISTERS["DI"]) - 1
            if cpu.mem_read(self._at, self._size)[-1] in (0xA4, 0xA6):  # MOVSB wrote there, CMPSB read there
                return int(cpu.mem_read(to, 1)[0])
        return int(cpu.mem_read(self._at + self._size + self.bus.queue - 1, 1)[0])

    def _float(self, cpu: unicorn.Uc, _: int, address: int, size: int, __: int, driven: int) -> None:
        last = self._last_on_bus(cpu)
        held = bytes((self.bus.memory[at] & driven) | (last & ~driven & 0xFF) for at in range(address, address + size))
        cpu.mem_write(address, held)

    def _restless(self, cpu: unicorn.Uc, _: int, address: int, size: int, *__: object) -> None:
        cpu.mem_write(address, bytes([(cpu.mem_read(address, 1)[0] + 0x11) & 0xFF]))

    def _plane_read(self, cpu: unicorn.Uc, _: int, address: int, size: int, *__: object) -> None:
        assert self.planes is not None
        cpu.mem_write(address, bytes(self.planes.read(address - 0xA0000 + n) for n in range(size)))

    def _plane_write(self, cpu: unicorn.Uc, _: int, address: int, size: int, value: int, __: object) -> None:
        assert self.planes is not None and size == 1
        self.planes.write(address - 0xA0000, value & 0xFF)

    def _wrote(self, cpu: unicorn.Uc, _: int, address: int, size: int, value: int, __: object) -> None:
        self.writes.append((address, value))

    def _out(self, cpu: unicorn.Uc, port: int, size: int, value: int, _: object) -> None:
        assert size == 1, "8-bit cards get bytes"
        self.ports_written.add(port)
        self.last_io = value & 0xFF
        if port == 0x80:
            self.codes.append(value & 0xFF)
        elif self.uart is not None and self.uart.base <= port < self.uart.base + 8:
            self.uart.write(port - self.uart.base, value & 0xFF)
        elif self.planes is not None and 0x3C0 <= port < 0x3D0:
            self.planes.out(port, value & 0xFF)

    def _in(self, cpu: unicorn.Uc, port: int, size: int, _: object) -> int:
        if self.uart is not None and self.uart.base <= port < self.uart.base + 8:
            return self.uart.read(port - self.uart.base)
        if self.planes is not None and 0x3C0 <= port < 0x3D0:
            return self.planes.into(port)
        return self.last_io if self.bus.floating else 0xFF
