"""The rom among others under our BIOS, and the floppy under SeaBIOS, in QEMU: over a pty comes what a dump shows."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from peers.firmware import END_TEXT, build_bios, build_rom
from peers.qemu import EmulatedPc
from peers.relay import PortReader
from reporter.layouts import SLOT
from reporter.reading import Told, crc, read

from benchd.reporter.build import build
from benchd.reporter.options import Options, Window

pytestmark = pytest.mark.peer("qemu", "nasm")
FIRST, COUNT = 0xC0000, 0x40000
SEABIOS_OWN = {0xEE000, 0xEE800, 0xEF000, 0xEF800}
"""SeaBIOS keeps its variables and a stack there, and goes on using them."""
LIMIT_S = 60.0
"""Generous: a run takes some seconds of a core that others use."""


def dump(pc: EmulatedPc, where: Path) -> bytes:
    """The last quarter of the first megabyte as the emulator has it, from outside."""
    pc.ask("pmemsave", val=FIRST, size=COUNT, filename=str(where))
    return where.read_bytes()


def others(told: Told, memory: bytes) -> list[int]:
    """Return the blocks whose line is not that of the dump: content by CRC, sum, first equal block; uniform by byte."""
    seen: dict[bytes, int] = {}
    out = []
    for offset in range(0, COUNT, SLOT):
        at, data = FIRST + offset, memory[offset : offset + SLOT]
        if len(set(data)) == 1:
            expected = "ff" if data[0] == 0xFF else f"constant {data[0]:02X}"
        else:
            expected = f"content crc {crc(data):04X} sum {sum(data) & 0xFF:02X}"
            if data in seen:
                expected += f" same {seen[data]:05X}"
            seen.setdefault(data, at)
        if told.blocks[at] != expected:
            out.append(at)
    return out


def report_in(text: bytes) -> tuple[bytes, bytes, bytes]:
    """Cut a link's bytes: before the report, the report, behind it."""
    begin = text.index(b"\r\n~00 ")
    last = text.index(b" end lines ")
    end = text.index(b"\r\n", last) + 2
    return text[:begin], text[begin:end], text[end:]


def to_the_end(console: PortReader) -> bytes:
    """Read a link until a report's last line is out. (What nobody reads fills the pty, and the UART gets stuck.)"""
    text = console.collect(until=b" end lines ", limit_s=LIMIT_S)
    rest = text.partition(b" end lines ")[2]
    return text if b"\r\n" in rest else text + console.collect(until=b"\n", limit_s=LIMIT_S)


@pytest.mark.parametrize("seed", range(3))
def test_rom_among_others(seed: int, tmp_path: Path) -> None:
    """Called by the scan between two other ROMs; mirrors, noise and a damaged header; then the boot goes on."""
    rng = random.Random(seed)
    base = rng.choice([0xCA000, 0xD0000, 0xD4800])
    small = build_rom(ROM_TEXT="another rom")
    roms = {
        0xC8000: build_rom(ROM_CODE=0x41),
        base: build(Options("rom", base=base)),
        0xDC000: small,
        0xDC800: small,
        0xDE000: build_rom(bad_checksum=True),
        0xC0000: rng.randbytes(0x3000),
        0xD8000: b"\x00\xff"[seed % 2 :][:1] * 0x1000,
    }
    bios = build_bios(MEMORY_KB=rng.choice([256, 640]), STEP_MS=3, COUNT_MS=2)
    with EmulatedPc(bios, roms) as pc:
        post, console = PortReader(pc.post_port), PortReader(pc.console_port)
        pc.go()
        text = console.collect(until=END_TEXT.encode(), limit_s=LIMIT_S)
        before, report, behind = report_in(text)
        assert before.endswith(b"storage rom ready\r\n") and b"another rom\r\nanother rom\r\n" in behind
        assert behind.endswith(END_TEXT.encode())
        codes = post.collect(until=b"\x60", limit_s=LIMIT_S)
        assert codes[codes.index(0x41) :] == bytes([0x41, 0x71, 0x74, 0x75, 5, 0x79, 0x4F, 0x60])
        told = read(report)
        assert others(told, dump(pc, tmp_path / "dump")) == []
        for reader in (post, console):
            reader.close()
    headers = {line.split()[1]: line.split()[5] for line in told.of("rom")}
    assert headers == {"C8000": "00", f"{base:05X}": "00", "DC000": "00", "DC800": "00", "DE000": "01"}
    assert f" at {base:05X} " in told.bodies[0]


def anything(rng: random.Random, own: int) -> dict[int, bytes]:
    """A random upper memory: ROMs that run and that do not, mirrors, noise, constant stretches, gaps; `own` is kept."""
    taken = set(range(own, own + 0x2000, SLOT))
    out: dict[int, bytes] = {0xC0000: rng.randbytes(SLOT * rng.randint(1, 8))}
    for _ in range(rng.randint(3, 9)):
        kind = rng.choice(["rom", "bad", "mirror", "noise", "constant"])
        data = {
            "rom": build_rom(),
            "bad": build_rom(bad_checksum=True),
            "mirror": rng.randbytes(SLOT) * rng.choice([2, 4]),
            "noise": rng.randbytes(SLOT * rng.randint(1, 6)),
            "constant": bytes([rng.randrange(256)]) * SLOT * rng.randint(1, 4),
        }[kind]
        at = rng.randrange(0xC8000, 0xEC000, SLOT)
        cells = set(range(at, at + len(data), SLOT))
        if not cells & taken:
            taken |= cells
            out[at] = data
    return out


@pytest.mark.parametrize("seed", range(100, 130))
def test_any_layout_as_dumped(seed: int, tmp_path: Path) -> None:
    """Thirty random layouts: each block, and each header with its sum, as a dump from outside has them."""
    rng = random.Random(seed)
    base = rng.choice([0xCC000, 0xD0000, 0xD6800])
    roms = {base: build(Options("rom", base=base, speed=rng.choice([2400, 9600, 115200])))} | anything(rng, base)
    with EmulatedPc(build_bios(MEMORY_KB=rng.choice([128, 512, 640]), STEP_MS=3, COUNT_MS=2), roms) as pc:
        console = PortReader(pc.console_port)
        pc.go()
        text = console.collect(until=END_TEXT.encode(), limit_s=LIMIT_S)
        memory = dump(pc, tmp_path / "dump")
        console.close()
    assert text.endswith(END_TEXT.encode()), "the boot goes on"
    told = read(report_in(text)[1])
    assert others(told, memory) == []
    headers = {}
    for at in range(0, COUNT, SLOT):
        if memory[at : at + 2] == b"\x55\xaa":
            length = memory[at + 2] * 512
            headers[f"{FIRST + at:05X}"] = [f"{length:04X}", f"{sum(memory[at : at + length]) & 0xFF:02X}"]
    assert {line.split()[1]: line.split()[3:6:2] for line in told.of("rom")} == headers


def test_the_comparison_can_fail() -> None:
    """A dump with one byte changed differs in that block, and in the one that was said to equal it."""
    memory = bytearray(b"\xff" * COUNT)
    memory[0x800:0x1800] = bytes(range(256)) * 16
    line = f"content crc {crc(bytes(memory[0x800:0x1000])):04X} sum {sum(memory[0x800:0x1000]) & 0xFF:02X}"
    told = Told([], {at: "ff" for at in range(FIRST, FIRST + COUNT, SLOT)})
    told.blocks |= {0xC0800: line, 0xC1000: f"{line} same C0800"}
    assert others(told, bytes(memory)) == []
    memory[0x900] ^= 1
    assert others(told, bytes(memory)) == [0xC0800, 0xC1000]


def test_rom_under_seabios(tmp_path: Path) -> None:
    """A BIOS that nobody here wrote calls it, with ticks going on meanwhile, and goes on to look for a disk."""
    (tmp_path / "rom").write_bytes(build(Options("rom", speed=19200)))
    with EmulatedPc(None, post_ports=(0x402,), extra=["-option-rom", str(tmp_path / "rom")]) as pc:
        debug, console = PortReader(pc.post_port), PortReader(pc.console_port)
        pc.go()
        told = read(report_in(to_the_end(console))[1])
        assert b"No bootable device." in debug.collect(until=b"No bootable device.", limit_s=LIMIT_S)
        # From E0000 on it still wrote to its own variables before it looked for disks.
        assert [at for at in others(told, dump(pc, tmp_path / "dump")) if at < 0xE0000] == []
        for reader in (debug, console):
            reader.close()
    at = told.bodies[0].split()[5]
    assert f"rom {at} length 2000 sum 00 entry " in "\n".join(told.of("rom"))


def test_floppy_under_seabios(tmp_path: Path) -> None:
    """Booted; the display's planes and a window are tested and put back."""
    options = Options("floppy", disk="1.44M", speed=115200, window=Window(0xD0000, 0xD07FF), display=True)
    (tmp_path / "floppy.img").write_bytes(build(options))
    drive = ["-drive", f"if=floppy,format=raw,file={tmp_path / 'floppy.img'}", "-device", "isa-vga"]
    with EmulatedPc(None, post_ports=(0x80,), extra=drive) as pc:
        post, console = PortReader(pc.post_port), PortReader(pc.console_port)
        pc.go()
        told = read(report_in(to_the_end(console))[1])
        codes = post.collect(until=b"\x79", limit_s=LIMIT_S)
        assert set(others(told, dump(pc, tmp_path / "dump"))) <= SEABIOS_OWN
        for reader in (post, console):
            reader.close()
    assert codes.endswith(b"\x76" * 5 + b"\x79")
    assert told.bodies[0].startswith("begin 1 as floppy at 07C00 uart 3F8 speed 115200 ")
    assert told.of("bios")[0].startswith("bios memory 027F equipment ")
    assert [line.split(" errors ")[0] for line in told.of("test")] == [
        "test window D0000-D07FF", *(f"test display-{plane} A0000-AFFFF" for plane in range(4))
    ]  # fmt: skip
    assert all(line.endswith(" errors 0000 first ----- bits 00") for line in told.of("test"))
    # In text mode the adapter answers from B8000 on only; its planes showed at A0000 while they were tested.
    assert (told.display[0xA0000], told.display[0xB8000]) == ("ff", "answers")
