"""Assembles the test BIOS and its adapter ROMs, and names the scenarios with what each must write."""

from __future__ import annotations

import functools
import subprocess
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

SOURCES = Path(__file__).parent / "bios"
BLOCK = 512

COUNTER = "".join(f"\r{kb:05d}K OK" for kb in range(64, 641, 64))
HEAD_CODES = (0x01, 0x03, 0x05, 0x08, 0x10)
MEMORY_CODES = (0x20, 0x21, 0x22, 0x23, 0x24)
GOOD_CODES = (*HEAD_CODES, *MEMORY_CODES, 0x30, 0x40, 0x4F, 0x60)
HEAD_TEXT = "test firmware 1\r\n"
ROM_TEXT = "storage rom ready"
END_TEXT = "Starting system\r\n"
GOOD_TEXT = f"{HEAD_TEXT}{COUNTER}\r\n{ROM_TEXT}\r\n{END_TEXT}"
NO_ROM_TEXT = f"{HEAD_TEXT}{COUNTER}\r\n{END_TEXT}"

Value = int | str


def assemble(source: Path, defines: Mapping[str, Value]) -> bytes:
    """Assemble `source` with nasm; a string define becomes a quoted string. Raises CalledProcessError."""
    return _assemble(source, tuple(sorted(defines.items())))


@functools.cache
def _assemble(source: Path, defines: tuple[tuple[str, Value], ...]) -> bytes:
    with tempfile.TemporaryDirectory() as directory:
        out = Path(directory) / "out"
        marks = [f"-D{k}={v}" if isinstance(v, int) else f'-D{k}="{v}"' for k, v in defines]
        subprocess.run(["nasm", "-f", "bin", "-Werror", *marks, "-o", out, source], check=True)
        return out.read_bytes()


def build_bios(**defines: Value) -> bytes:
    """The 64 KiB BIOS image; `defines` are the parameters at the top of bios.asm."""
    return assemble(SOURCES / "bios.asm", defines)


def build_rom(*, bad_checksum: bool = False, **defines: Value) -> bytes:
    """An option ROM whose bytes sum to 0 modulo 256, or on purpose not; `defines` as at the top of rom.asm."""
    return seal(assemble(SOURCES / "rom.asm", defines), wrong_by=1 if bad_checksum else 0)


def seal(rom: bytes, wrong_by: int = 0) -> bytes:
    """Set the last byte so that all bytes sum to `wrong_by` modulo 256."""
    return rom[:-1] + bytes([(wrong_by - sum(rom[:-1])) % 256])


def lay(roms: Mapping[int, bytes]) -> tuple[int, bytes]:
    """One image of all ROMs: (lowest address, bytes). Gaps are FFh; where ROMs overlap, the bus gives the AND.

    Bitwise AND of overlapping devices: common practice, no source.
    """
    base = min(roms)
    image = bytearray(b"\xff" * (max(at + len(rom) for at, rom in roms.items()) - base))
    for at, rom in roms.items():
        for offset, byte in enumerate(rom, at - base):
            image[offset] &= byte
    return base, bytes(image)


@dataclass(frozen=True)
class Scenario:
    """One way to boot and what the links must carry.

    `codes` and `text` are what is written until the machine ends, hangs or resets; with `repeats` they come
    over and over. `finishes` says whether the hand-over is reached.
    """

    codes: tuple[int, ...]
    text: str
    defines: dict[str, Value] = field(default_factory=dict)
    rom: dict[str, Value] | None = field(default_factory=dict)
    rom_base: int = 0xC8000
    bad_checksum: bool = False
    finishes: bool = True
    repeats: bool = False

    def images(self, **extra: Value) -> tuple[bytes, dict[int, bytes]]:
        """(BIOS image, {address: ROM image}); `extra` overrides BIOS parameters."""
        roms = {}
        if self.rom is not None:
            roms[self.rom_base] = build_rom(bad_checksum=self.bad_checksum, **self.rom)
        return build_bios(**{**self.defines, **extra}), roms


def _until(code: int) -> tuple[int, ...]:
    return GOOD_CODES[: GOOD_CODES.index(code) + 1]


_HALF_COUNT = HEAD_TEXT + "".join(f"\r{kb:05d}K OK" for kb in range(64, 257, 64))
_COUNTED = f"{HEAD_TEXT}{COUNTER}\r\n"

SCENARIOS: dict[str, Scenario] = {
    "good": Scenario(GOOD_CODES, GOOD_TEXT),
    "good-rom-at-d800": Scenario(GOOD_CODES, GOOD_TEXT, rom_base=0xD8000),
    "slow-memory": Scenario(GOOD_CODES, GOOD_TEXT, {"COUNT_MS": 300}),
    "pause-then-on": Scenario(GOOD_CODES, GOOD_TEXT, {"SLOW_AT": 0x30, "SLOW_MS": 3000}),
    "hang-halted": Scenario(_until(0x22), _HALF_COUNT, {"HANG_AT": 0x22}, finishes=False),
    "hang-spinning": Scenario(_until(0x30), _COUNTED, {"HANG_AT": 0x30, "HANG_HALTED": 0}, finishes=False),
    "hang-at-first-code": Scenario((0x01,), "", {"HANG_AT": 0x01}, finishes=False),
    "rom-absent": Scenario(GOOD_CODES, NO_ROM_TEXT, rom=None),
    "rom-bad-checksum": Scenario(GOOD_CODES, NO_ROM_TEXT, bad_checksum=True),
    "rom-bad-checksum-told": Scenario(
        GOOD_CODES, f"{_COUNTED}adapter rom damaged\r\n{END_TEXT}", {"TELL_BAD_ROM": 1}, bad_checksum=True
    ),
    "rom-never-returns": Scenario(_until(0x40), _COUNTED, rom={"ROM_HANG": 1}, finishes=False),
    "rom-code": Scenario((*_until(0x40), 0x45, 0x4F, 0x60), GOOD_TEXT, rom={"ROM_CODE": 0x45}),
    "unfinished-line": Scenario(
        GOOD_CODES, f"{_COUNTED}adapter roms: {ROM_TEXT}\r\n{END_TEXT}", {"UNFINISHED_LINE": 1}
    ),
    "silent": Scenario((), "", {"SILENT": 1}, finishes=False),
    "spurious-ff": Scenario(
        tuple(byte for code in GOOD_CODES for byte in (code, 0xFF, 0xFF)), GOOD_TEXT, {"SPURIOUS_FF": 2}
    ),
    "word-writes": Scenario(GOOD_CODES, GOOD_TEXT, {"WORD_HIGH": 0x5A}),
    "loop-keyboard-controller": Scenario(
        _until(0x21),
        HEAD_TEXT + "".join(f"\r{kb:05d}K OK" for kb in (64, 128)),
        {"RESET_AT": 0x21, "RESET_HOW": 0},
        finishes=False,
        repeats=True,
    ),
    "loop-port-92": Scenario(_until(0x08), "", {"RESET_AT": 0x08, "RESET_HOW": 1}, finishes=False, repeats=True),
    "loop-triple-fault": Scenario(_until(0x05), "", {"RESET_AT": 0x05, "RESET_HOW": 2}, finishes=False, repeats=True),
    "loop-jump": Scenario(_until(0x10), HEAD_TEXT, {"RESET_AT": 0x10, "RESET_HOW": 3}, finishes=False, repeats=True),
    "loop-thrice-then-on": Scenario(
        _until(0x10) * 3 + GOOD_CODES, HEAD_TEXT * 3 + GOOD_TEXT, {"RESET_AT": 0x10, "RESET_TIMES": 3}
    ),
}
