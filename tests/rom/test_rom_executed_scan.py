"""The predicted scan equals the executed scan.

Our own scan loop (scan_loop.asm, assembled by nasm) runs in unicorn, a CPU emulator nobody here wrote, over
memory that this test composes by itself, one `&=` a byte. What it looks at, finds and calls, and what the
called ROMs write to port 80h, must be what `predict` says, slot for slot.
"""

from __future__ import annotations

import random
import subprocess
from dataclasses import dataclass, field
from pathlib import Path

import pytest
import unicorn
from support.option_roms import announcer, balance, option_rom
from unicorn import x86_const

from benchd.rom.layout import Layout, Window
from benchd.rom.predict import predict
from benchd.rom.scanrules import PRESETS, ScanRules, Sweep

LAYOUTS = 400
SEED = 20240717
CODE_SEGMENT = 0x1000


def assemble(rules: ScanRules, work: Path) -> tuple[bytes, int]:
    """Return (the loop with the settings and sweeps of `rules`, offset of its byte `skip`)."""
    settings = {
        "UNITS": rules.step // 512,
        "CHECK": int(rules.checksum),
        "ZERO64": int(rules.zero_length == "64K"),
        "SUM16": int(rules.sum_bits == 16),
        "ROUND8": int(rules.round_bits == 8),
        "GOODSTEP": int(rules.after_good == "step"),
        "BADLENGTH": int(rules.after_bad == "length"),
    }
    out = work / ("loop-" + "-".join(map(str, settings.values())) + ".bin")
    if not out.exists():
        defines = [f"-D{name}={value}" for name, value in settings.items()]
        source = Path(__file__).with_name("scan_loop.asm")
        subprocess.run(["nasm", "-f", "bin", *defines, "-o", out, source], check=True)
    table = b""
    for sweep in rules.passes:
        for number in (sweep.first >> 4, sweep.last >> 4, int(sweep.block)):
            table += number.to_bytes(2, "little")
    loop = out.read_bytes()
    return loop + table + bytes(2), len(loop) - 1


@dataclass
class Run:
    """What the emulated scan did."""

    looked: list[int] = field(default_factory=list)
    found: list[int] = field(default_factory=list)
    called: list[int] = field(default_factory=list)
    codes: list[int] = field(default_factory=list)
    endless: bool = False
    finished: bool = False


def execute(loop: tuple[bytes, int], memory: bytes) -> Run:
    """Run the loop over `memory` until it ends, or looks at the slot it came from."""
    run = Run()
    code, skip = loop
    cpu = unicorn.Uc(unicorn.UC_ARCH_X86, unicorn.UC_MODE_16)
    cpu.mem_map(0, 0x110000)
    cpu.mem_write(0, memory)
    cpu.mem_write(CODE_SEGMENT << 4, code)

    def port(machine: unicorn.Uc, number: int, size: int, value: int, _: object) -> None:
        if number == 0x300:
            if run.looked and run.looked[-1] == value << 4:
                run.endless = True
                machine.emu_stop()
                return
            run.looked.append(value << 4)
        elif number == 0x302:
            run.found.append(value << 4)
        elif number == 0x304:
            at = value << 4
            run.called.append(at)
            entry = memory[at + 3 : at + 8]
            if entry != announcer(entry[1] if len(entry) > 1 else 0):
                machine.mem_write((CODE_SEGMENT << 4) + skip, b"\x01")
        elif number == 0x306:
            run.finished = True
            machine.emu_stop()
        elif number == 0x80:
            run.codes.append(value & 0xFF)

    cpu.hook_add(unicorn.UC_HOOK_INSN, port, None, 1, 0, x86_const.UC_X86_INS_OUT)
    cpu.reg_write(x86_const.UC_X86_REG_CS, CODE_SEGMENT)
    cpu.emu_start(CODE_SEGMENT << 4, 0x10FFFF, count=200_000_000)
    return run


def random_rules(rng: random.Random) -> ScanRules:
    """A published scanner, or one with ranges and habits of its own."""
    if rng.random() < 0.4:
        return rng.choice([rules for rules in PRESETS.values() if rules.passes])
    step = rng.choice([0x200, 0x800, 0x800, 0x800, 0x1000, 0x2000])
    first = rng.choice([0xC0000, 0xC8000, 0xC8000, 0xD0000, 0xC0800])
    last = rng.choice([0xDFFFF, 0xDFFFF, 0xE0000, 0xEFFFF, 0xDF800, 0xD7FFF])
    passes: tuple[Sweep, ...] = (Sweep(first, last, step),)
    if last < 0xE0000 and rng.random() < 0.4:
        passes += (rng.choice([Sweep(0xE0000, 0xE0000, 0x10000, block=True), Sweep(0xE0000, 0xE0000, step)]),)
    return ScanRules(
        "random",
        passes,
        checksum=rng.random() < 0.8,
        after_good=rng.choice(["length", "length", "step"]),
        after_bad=rng.choice(["step", "step", "length"]),
        zero_length=rng.choice(["reject", "reject", "64K"]),
        sum_bits=rng.choice([32, 32, 16]),
        round_bits=rng.choice([32, 8]),
    )


def random_image(rng: random.Random, ident: int) -> bytes:
    """Good and bad ROMs of every sort that the issue names."""
    blocks = rng.choice([1, 2, 3, 4, 5, 8, 9, 16, 16, 20, 32, 32, 64])
    image = option_rom(blocks, ident, rng.random(), rng.randrange(1 << 20))
    sort = rng.choice(
        ["good"] * 4 + ["bad", "front", "front", "zeros", "odd", "zero", "long", "long", "long", "two", "text", "block"]
    )
    if sort == "bad":
        return image[:-1] + bytes([image[-1] ^ rng.randrange(1, 256)])
    if sort == "front":
        return b"\xff" * rng.choice([0x800, 0x1000, 0x4000]) + image
    if sort == "zeros":
        return bytes(rng.choice([0x800, 0x1000])) + image
    if sort == "odd":
        return b"\xff" * rng.choice([0x10, 0x100, 0x200, 0x400, 0xC00]) + image
    if sort == "zero":
        return image[:2] + b"\x00" + image[3:]
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


def random_layout(rng: random.Random) -> Layout:
    """Up to seven windows, many of them overlapping, and a system BIOS so that F0000 on is known."""
    windows = [Window("system BIOS", 0xF0000, 0x10000, image=rng.randbytes(0x10000), card="board")]
    for number in range(rng.randrange(1, 8)):
        image = random_image(rng, number + 1)
        size = rng.choice([len(image), 1 << (len(image) - 1).bit_length(), 0x2000, 0x8000])
        size = max(0x200, min(size, 0x20000))
        usual = rng.choice([0xC8000, 0xD0000, 0xD8000, 0xE0000])
        base = rng.choice([rng.randrange(0xC0000, 0xE8000, 0x800), usual])
        if rng.random() < 0.1:
            base += rng.choice([0x100, 0x200, 0x400])
        size = min(size, 0xF0000 - base)
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
    return Layout(tuple(windows), random_rules(rng))


def composed(layout: Layout) -> bytes:
    """What the bus shows, by the plainest means: every window pulls its zeros low."""
    memory = bytearray(0x100000)
    memory[0xC0000:0xF0000] = b"\xff" * 0x30000
    memory[0xF0000:] = b"\xff" * 0x10000
    for window in layout.windows:
        assert window.base is not None
        if window.kind == "ram":
            shown = bytes(window.size)
        else:
            assert window.image is not None
            fill = 0xFF if window.pad is None else window.pad
            shown = bytes([fill]) * window.front + window.image
            if window.pad is None:
                period = 1
                while period < len(shown):
                    period *= 2
                shown = shown.ljust(period, b"\xff")
                while len(shown) < window.size:
                    shown += shown
            shown = shown.ljust(window.size, bytes([fill]))[: window.size]
        for offset, byte in enumerate(shown):
            memory[window.base + offset] &= byte
    return bytes(memory)


@pytest.mark.peer("nasm")
def test_predicted_scan_is_the_executed_scan(tmp_path: Path) -> None:
    """At least 200 seeded random layouts, no disagreement in what is looked at, found, called, announced."""
    rng = random.Random(SEED)
    compared = ran = endless = overlapped = bad = 0
    while compared < LAYOUTS:
        layout = random_layout(rng)
        prediction = predict(layout)
        if any(slot.found and slot.checksum_ok is None and slot.runs is None for slot in prediction.slots):
            continue  # the sum takes in memory nobody knows: there is no prediction to check
        memory = composed(layout)
        run = execute(assemble(layout.rules, tmp_path), memory)
        told = f"seed {SEED}, layout {compared}: {layout.rules}, " + ", ".join(
            f"{w.name}@{w.base:05X}+{w.size:X}" for w in layout.windows
        )
        assert run.finished != run.endless, told
        assert run.endless == prediction.endless, told
        assert run.looked == [slot.at for slot in prediction.slots], told
        assert run.found == [slot.at for slot in prediction.slots if slot.found], told
        assert run.called == [slot.at for slot in prediction.slots if slot.runs], told
        expected = [memory[at + 4] for at in run.called if memory[at + 3 : at + 8] == announcer(memory[at + 4])]
        assert run.codes == expected, told
        compared += 1
        ran += len(run.called)
        endless += run.endless
        overlapped += prediction.collides
        bad += any(slot.checksum_ok is False for slot in prediction.slots)
    # The draw must not have been a draw of easy ones.
    drawn = {"ran": ran, "endless": endless, "overlapped": overlapped, "bad": bad}
    assert ran > LAYOUTS and endless > 3 and overlapped > LAYOUTS // 3 and bad > LAYOUTS // 4, drawn


@pytest.mark.peer("nasm")
def test_the_comparison_can_fail(tmp_path: Path) -> None:
    """A scan loop that does not check sums disagrees with a prediction that does."""
    image = option_rom(16)
    layout = Layout((Window("w", 0xC8000, 0x2000, image=image[:-1] + b"\x00"),), PRESETS["pnp-1.0a"])
    run = execute(assemble(PRESETS["checksum-off"], tmp_path), composed(layout))
    assert run.called == [0xC8000]
    assert [slot.at for slot in predict(layout).slots if slot.runs] == []
