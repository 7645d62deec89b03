"""Images of the reporter, made of assembled templates: options patched in, padded, sealed. No assembler is needed."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from importlib.resources import files

from benchd.reporter.options import BLOCK_LENGTH, Options, Wrapper
from benchd.rom.numbers import BLOCK, SLOT, round_up

OPTIONS_AT = 0x20
"""Offset of the options in the program (`asm/reporter.asm` holds to it)."""
SEAL_AT = 0x1F
"""Offset of the byte that makes a rom sum to 00h: in the unused part of the header, so that padding stays FFh."""
SECTOR = 512
PARAMETERS_AT = 0x0B
"""Offset of the BIOS parameter block in a boot sector (ECMA-107, 11.1)."""
_PARAMETERS = struct.Struct("<HBHBHHBHHH")


@dataclass(frozen=True, slots=True)
class Disk:
    """A floppy format of FAT12: as drives of the time format it (ECMA-107 and common practice)."""

    sectors: int
    cluster: int
    entries: int
    media: int
    fat: int
    track: int
    heads: int = 2


DISKS = {
    "360K": Disk(720, 2, 112, 0xFD, 2, 9),
    "720K": Disk(1440, 2, 112, 0xF9, 3, 9),
    "1.2M": Disk(2400, 1, 224, 0xF9, 7, 15),
    "1.44M": Disk(2880, 1, 224, 0xF0, 9, 18),
}


def template(wrapper: Wrapper) -> bytes:
    """Return the assembled program of one wrapper, as shipped with the package."""
    return (files("benchd.reporter") / f"{wrapper}.bin").read_bytes()


def least_rom() -> int:
    """Return the bytes that a rom image needs at least: the program, up to a 2 KiB step."""
    return round_up(len(template("rom")), SLOT)


def build(options: Options) -> bytes:
    """Return the image for checked `options`: a sealed option ROM, a whole floppy, or a DOS program."""
    program = bytearray(template(options.wrapper))
    at = OPTIONS_AT + (SECTOR if options.wrapper == "floppy" else 0)
    program[at : at + BLOCK_LENGTH] = options.block()
    if options.wrapper == "rom":
        return _rom(program, options.size)
    if options.wrapper == "floppy":
        return _floppy(program, DISKS[options.disk])
    return bytes(program)


def _rom(program: bytearray, size: int) -> bytes:
    program[2] = size // BLOCK
    image = program.ljust(size, b"\xff")
    image[SEAL_AT] = -sum(image) & 0xFF
    return bytes(image)


def _floppy(program: bytearray, disk: Disk) -> bytes:
    """Boot sector and program in the reserved sectors, then two FATs and an empty directory, as DOS expects them."""
    reserved = -(-len(program) // SECTOR)
    _PARAMETERS.pack_into(
        program, PARAMETERS_AT, SECTOR, disk.cluster, reserved, 2, disk.entries, disk.sectors, disk.media, disk.fat,
        disk.track, disk.heads,
    )  # fmt: skip
    image = program.ljust(reserved * SECTOR, b"\0")
    for _ in range(2):
        image += bytes([disk.media, 0xFF, 0xFF]).ljust(disk.fat * SECTOR, b"\0")
    return bytes(image.ljust(disk.sectors * SECTOR, b"\0"))
