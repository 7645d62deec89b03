"""An old machine for the reporter to run on: unicorn's 8086, a bus that floats, a 16450, a display with planes.

unicorn (a CPU emulator nobody here wrote) executes the program. What is ours is what stands around the processor: which
addresses answer, what a read gives where nobody does, and which writes were made.
"""

from __future__ import annotations

import random
from collections.abc import Iterable
from dataclasses import dataclass, field

import unicorn
from reporter.display import Planes
from reporter.uart import Uart
from unicorn import x86_const as x86

MEGABYTE = 0x100000
PAGE = 0x1000
RETURN = 0x500
"""Physical address to which the caller's far call returns."""
REPEATED = (b"\xf3\xa4", b"\xf3\xa6")
LIMIT = 80_000_000
REGISTERS = {
    name: getattr(x86, f"UC_X86_REG_{name}")
    for name in ("AX", "BX", "CX", "DX", "SI", "DI", "BP", "SP", "CS", "DS", "ES", "SS", "FLAGS")
}


@dataclass
class Bus:
    """What answers. `memory` is what it gives; the rest says where it does not, or not steadily.

    `floating`: ranges (first, end), on 128-byte steps, whose lines keep what was last on them, but for the bits that
    `driven` has by `first`. `restless`: addresses that give another value at each read. `flaws`: addresses with bits
    that stay 0 whatever is written. `hollow`: ranges that keep nothing. `alias`: a range and the address line that
    is not decoded there. `queue`: bytes that the processor has fetched ahead. `program`: where its code stands.
    """

    memory: bytearray
    floating: list[tuple[int, int]] = field(default_factory=list)
    driven: dict[int, int] = field(default_factory=dict)
    restless: set[int] = field(default_factory=set)
    flaws: dict[int, int] = field(default_factory=dict)
    hollow: list[tuple[int, int]] = field(default_factory=list)
    alias: tuple[int, int, int] | None = None
    queue: int = 4
    program: tuple[int, int] = (0xC8000, 0xC9000)


def near_repeats(memory: bytes, program: tuple[int, int]) -> list[tuple[int, int]]:
    """Return ranges of code about the repeated MOVSB and CMPSB, without these: passed before they begin anew."""
    places = [at for at in range(*program) if memory[at : at + 2] in REPEATED]
    return [(max(at - 16, before + 2), at) for before, at in zip([0, *places], places, strict=False)] + [
        (at + 2, min(at + 20, after)) for at, after in zip(places, [*places[1:], program[1]], strict=True)
    ]


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
        self.polls = 0
        self.cpu = unicorn.Uc(unicorn.UC_ARCH_X86, unicorn.UC_MODE_16)
        self._map()
        self.cpu.hook_add(unicorn.UC_HOOK_INSN, self._out, None, 1, 0, x86.UC_X86_INS_OUT)
        self.cpu.hook_add(unicorn.UC_HOOK_INSN, self._in, None, 1, 0, x86.UC_X86_INS_IN)
        self._again = False
        if bus.floating:
            for first, end in near_repeats(bytes(bus.memory), bus.program):
                self.cpu.hook_add(unicorn.UC_HOOK_CODE, self._step, None, first, end - 1)

    def _map(self) -> None:
        """Plain memory everywhere, but for the pages where a read or a write is more than that."""
        own = {at // PAGE for first, end in (*self.bus.floating, *self.bus.hollow) for at in range(first, end, 0x80)}
        own |= set(range(self.bus.alias[0] // PAGE, self.bus.alias[1] // PAGE)) if self.bus.alias else set()
        own |= {at // PAGE for at in (*self.bus.restless, *self.bus.flaws)}
        if self.planes is not None:
            own |= {(0xA0000 + at) // PAGE for at in self.planes.flawed()}
        at = 0
        for page in [*sorted(own), (MEGABYTE + 0x10000) // PAGE]:
            if page * PAGE > at:
                self.cpu.mem_map(at, page * PAGE - at)
                self.cpu.mem_write(at, bytes(self.bus.memory[at : page * PAGE]))
            at = (page + 1) * PAGE
        for page in own:
            self.cpu.mmio_map(page * PAGE, PAGE, self._read, page * PAGE, self._write, page * PAGE)

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

    def _step(self, *_: object) -> None:
        self._again = False

    def _last_on_bus(self, cpu: unicorn.Uc) -> int:
        """In a repeated string instruction its last access, but the first time; else the last byte of the queue."""
        at = (cpu.reg_read(REGISTERS["CS"]) << 4) + cpu.reg_read(x86.UC_X86_REG_IP)
        again, self._again = self._again, True
        if again and bytes(self.bus.memory[at : at + 2]) in REPEATED:  # MOVSB wrote there, CMPSB read there
            to = (cpu.reg_read(REGISTERS["ES"]) << 4) + cpu.reg_read(REGISTERS["DI"]) - 1
            return int(cpu.mem_read(to, 1)[0])
        return self.bus.memory[at + 2 + self.bus.queue - 1]

    def _read(self, cpu: unicorn.Uc, offset: int, size: int, page: int) -> int:
        return int.from_bytes(bytes(self._byte(cpu, page + offset + n) for n in range(size)), "little")

    def _byte(self, cpu: unicorn.Uc, address: int) -> int:
        kept = self.bus.memory[address]
        if address in self.bus.restless:
            self.bus.memory[address] = (kept + 0x11) & 0xFF
        for first, end in self.bus.floating:
            if first <= address < end:
                driven = self.bus.driven.get(first, 0)
                return kept & driven | self._last_on_bus(cpu) & ~driven & 0xFF
        return kept

    def _write(self, cpu: unicorn.Uc, offset: int, size: int, value: int, page: int) -> None:
        assert size == 1
        address = page + offset
        if not any(first <= address < end for first, end in self.bus.hollow):
            line = self.bus.alias[2] if self.bus.alias else 0
            for at in {address & ~line, address | line}:
                self.bus.memory[at] = value & 0xFF & ~self.bus.flaws.get(at, 0)

    def _show(self, planes: Planes, port: int, value: int) -> None:
        """Another plane may appear at A0000: take away what stood there, and put it there."""
        old = planes.shown()
        planes.out(port, value)
        new = planes.shown()
        if old == new:
            return
        window = bytearray(self.bus.memory[0xA0000:0xB0000])
        own = {(0xA0000 + at) // PAGE for at in planes.flawed()}
        plain = [page for page in range(0xA0000, 0xB0000, PAGE) if page // PAGE not in own]
        for page in plain:
            window[page - 0xA0000 : page - 0xA0000 + PAGE] = self.read(page, PAGE)
        if old is not None:
            planes.planes[old][:] = window
        content = planes.text if new is None else planes.planes[new]
        self.bus.memory[0xA0000:0xB0000] = content
        self.bus.flaws = {0xA0000 + at: bits for at, bits in planes.bad.get(-1 if new is None else new, {}).items()}
        for page in plain:
            self.cpu.mem_write(page, bytes(content[page - 0xA0000 : page - 0xA0000 + PAGE]))

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
            self._show(self.planes, port, value & 0xFF)

    def _in(self, cpu: unicorn.Uc, port: int, size: int, _: object) -> int:
        self.polls += port & 7 == 5
        if self.uart is not None and self.uart.base <= port < self.uart.base + 8:
            return self.uart.read(port - self.uart.base)
        if self.planes is not None and 0x3C0 <= port < 0x3D0:
            return self.planes.into(port)
        return self.last_io if self.bus.floating else 0xFF
