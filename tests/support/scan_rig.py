"""Option-ROM scans executed: loops in assembly run in unicorn, a CPU emulator nobody here wrote.

The memory that they scan is composed here by the plainest means, without benchd: every window pulls its zeros low.
"""

from __future__ import annotations

import random
import subprocess
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import unicorn
from support.option_roms import announcer, balance, option_rom
from unicorn import x86_const

from benchd.rom.layout import Layout, Window
from benchd.rom.predict import ScanPrediction, predict
from benchd.rom.scanrules import ScanRules

CODE_SEGMENT = 0x1000
UPPER = 0xC0000
STEPS = 200_000_000
"""Instructions after which a scan is given up: one that sums all of upper memory again and again takes fewer."""


def assemble(source: Path, out: Path, defines: list[str]) -> bytes:
    """Return the program of `source`, made once for each set of -D `defines`."""
    made = out / f"{source.stem}-{'-'.join(defines)}.bin"
    if not made.exists():
        words = [f"-D{one}" for one in defines]
        subprocess.run(["nasm", "-f", "bin", *words, "-o", made, source], check=True)
    return made.read_bytes()


@dataclass
class Run:
    """What an executed scan did: slots looked at, headers found, ROMs called, codes that these wrote."""

    looked: list[int] = field(default_factory=list)
    found: list[int] = field(default_factory=list)
    called: list[int] = field(default_factory=list)
    codes: list[int] = field(default_factory=list)
    endless: bool = False
    finished: bool = False


class Rig:
    """One emulated CPU for any number of scans."""

    def __init__(self) -> None:
        self.cpu = unicorn.Uc(unicorn.UC_ARCH_X86, unicorn.UC_MODE_16)
        self.cpu.mem_map(0, 0x110000)
        self.cpu.hook_add(unicorn.UC_HOOK_INSN, self._port, None, 1, 0, x86_const.UC_X86_INS_OUT)
        self.run = Run()
        self.memory = b""
        self.skip = 0

    def execute(self, code: bytes, skip: int, memory: bytes) -> Run:
        """Run `code`, whose byte at `skip` leaves a call out, over `memory` until it ends or goes back.

        Raises AssertionError where it does neither in STEPS instructions.
        """
        self.run, self.memory, self.skip = Run(), memory, (CODE_SEGMENT << 4) + skip
        self.cpu.mem_write(UPPER, memory[UPPER:])
        self.cpu.mem_write(CODE_SEGMENT << 4, code)
        self.cpu.ctl_flush_tb()
        self.cpu.reg_write(x86_const.UC_X86_REG_CS, CODE_SEGMENT)
        self.cpu.emu_start(CODE_SEGMENT << 4, 0x10FFFF, count=STEPS)
        assert self.run.finished != self.run.endless, "the scan neither ended nor went back"
        return self.run

    def _port(self, machine: unicorn.Uc, number: int, size: int, value: int, _: object) -> None:
        run, at = self.run, value << 4
        if number == 0x300:
            if run.looked and at <= run.looked[-1]:
                run.endless = True
                machine.emu_stop()
                return
            run.looked.append(at)
        elif number == 0x302:
            run.found.append(at)
        elif number == 0x304:
            run.called.append(at)
            entry = self.memory[at + 3 : at + 8]
            if entry != announcer(entry[1] if len(entry) > 1 else 0):
                machine.mem_write(self.skip, b"\x01")  # code that a second device changed must not run
        elif number == 0x306:
            run.finished = True
            machine.emu_stop()
        elif number == 0x80:
            run.codes.append(value & 0xFF)


def shown(window: Window) -> bytes:
    """What a window with an image, or memory that holds zeros, puts on the bus."""
    if window.kind != "rom":
        return bytes(window.size)
    assert window.image is not None
    fill = 0xFF if window.pad is None else window.pad
    out = bytes([fill]) * window.front + window.image
    if window.pad is None:
        period = 1
        while period < len(out):
            period *= 2
        out = out.ljust(period, b"\xff")
        while len(out) < window.size:
            out += out
    return out.ljust(window.size, bytes([fill]))[: window.size]


def composed(layout: Layout) -> bytes:
    """What the bus shows: every window pulls its zeros low; where nobody answers it floats high."""
    memory = np.zeros(0x100000, dtype=np.uint8)
    memory[UPPER:] = 0xFF
    for window in layout.windows:
        assert window.base is not None
        memory[window.base : window.base + window.size] &= np.frombuffer(shown(window), dtype=np.uint8)
    return memory.tobytes()


SORTS = ("good",) * 4 + (
    "bad",
    "front",
    "front",
    "zeros",
    "odd",
    "zero",
    "long",
    "long",
    "long",
    "two",
    "text",
    "block",
)


def random_image(rng: random.Random, ident: int, lengths: tuple[int, ...]) -> bytes:
    """Good and bad ROMs: padded, off the slots, of any length byte, two in one, no ROM at all."""
    image = option_rom(rng.choice(lengths), ident, rng.random(), rng.randrange(1 << 20))
    sort = rng.choice(SORTS)
    if sort == "bad":
        return image[:-1] + bytes([image[-1] ^ rng.randrange(1, 256)])
    if sort == "front":
        return b"\xff" * rng.choice([0x800, 0x1000, 0x4000]) + image
    if sort == "zeros":
        return bytes(rng.choice([0x800, 0x1000])) + image
    if sort == "odd":
        return b"\xff" * rng.choice([0x10, 0x100, 0x200, 0x400, 0xC00]) + image
    if sort == "zero":
        return balance(image[:2] + b"\x00" + image[3:])  # with FFh behind it 64 KiB sum to 00h
    if sort == "long":
        blocks = rng.choice([0x80, 0x81, 0xFC, 0xFD, 0xFE, 0xFF, 0xFF])
        # Balanced in the header: cut short by its window, the floating rest still sums to 00h.
        head = b"\x55\xaa" + bytes([blocks]) + announcer(ident) + bytes(20) + rng.randbytes(300)
        return balance(head.ljust(blocks * 512, b"\xff"), last=0x1B)
    if sort == "two":
        second = option_rom(rng.choice([1, 4, 8]), ident ^ 0x40, 0.4)
        return image + b"\xff" * (-len(image) % 0x800) + second
    if sort == "text":
        return b"PLAIN TEXT " * 200
    if sort == "block":
        head = b"\x55\xaa" + bytes([rng.randrange(256)]) + announcer(ident)
        return balance((head + rng.randbytes(200)).ljust(0x10000, b"\xff"), 0x10000)
    return image


USUAL_LENGTHS = (1, 2, 3, 4, 5, 8, 9, 16, 16, 20, 32, 32, 64)


def random_layout(rng: random.Random, rules: ScanRules, lengths: tuple[int, ...] = USUAL_LENGTHS) -> Layout:
    """Up to seven windows, many of them overlapping or end to end, and a system BIOS so that F0000 on is known."""
    windows = [Window("system BIOS", 0xF0000, 0x10000, image=rng.randbytes(0x10000), card="board")]
    behind = 0xC8000
    for number in range(rng.randrange(1, 8)):
        image = random_image(rng, number + 1, lengths)
        size = rng.choice([len(image), 1 << (len(image) - 1).bit_length(), 0x2000, 0x8000])
        size = max(0x200, min(size, 0x20000))
        usual = rng.choice([0xC8000, 0xD0000, 0xD8000, 0xE0000])
        base = rng.choice([rng.randrange(0xC0000, 0xE8000, 0x800), usual, min(behind, 0xEC000)])
        if rng.random() < 0.1:
            base += rng.choice([0x100, 0x200, 0x400])
        size = min(size, 0xF0000 - base)
        behind = base + size
        kind = "ram" if rng.random() < 0.08 else "rom"
        windows.append(
            Window(
                f"w{number}",
                base,
                size,
                kind=kind,  # type: ignore[arg-type]
                image=None if kind == "ram" else image,
                pad=rng.choice([0xFF, 0xFF, 0x00, None]),
                front=rng.choice([0, 0, 0, 0x800]) if size > 0x800 else 0,
            )
        )
    return Layout(tuple(windows), rules)


def foretold(layout: Layout) -> ScanPrediction | None:
    """Return the prediction; None where a sum takes in memory that nobody knows."""
    told = predict(layout)
    unknown = any(slot.found and slot.checksum_ok is None and slot.runs is None for slot in told.slots)
    return None if unknown else told


def assert_same(layout: Layout, told: ScanPrediction, run: Run, memory: bytes, where: str) -> None:
    """Slot for slot: what is looked at, found, called, and announced by the called ROMs."""
    why = f"{where}: {layout.rules}, " + ", ".join(f"{w.name}@{w.base:05X}+{w.size:X}" for w in layout.windows)
    assert run.endless == told.endless, why
    assert run.looked == [slot.at for slot in told.slots], why
    assert run.found == [slot.at for slot in told.slots if slot.found], why
    assert run.called == [slot.at for slot in told.slots if slot.runs], why
    assert run.codes == [memory[at + 4] for at in run.called if memory[at + 3 : at + 8] == announcer(memory[at + 4])], (
        why
    )
