#!/usr/bin/env python3
"""Build card.bin and card.uf2 from firmware-notes/card/firmware/.

Usage: `python3 tests/card/build.py [--out FOLDER]`. Needs arm-none-eabi-gcc and -objcopy (Debian packages
gcc-arm-none-eabi and binutils-arm-none-eabi), nothing else. Standard library only.

card.bin is the flash from its first byte: 252 bytes of second boot stage, their CRC-32, vectors, program. card.uf2
holds the same for the board's own USB boot loader.
"""

from __future__ import annotations

import argparse
import struct
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parents[2] / "firmware-notes" / "card"
SOURCES = ("boot2.S", "start.c", "main.c", "bus.c", "queue.c", "frame.c", "usb.c")
COMPILER = "arm-none-eabi-gcc"
FLAGS = (
    "-mcpu=cortex-m0plus", "-mthumb", "-std=c11", "-O2", "-Wall", "-Wextra", "-Werror", "-ffreestanding", "-nostdlib",
    "-fno-tree-loop-distribute-patterns", "-ffunction-sections", "-fdata-sections", "-Wl,--gc-sections",
    "-Wl,--build-id=none", "-Wl,-T,card.ld",
)  # fmt: skip
"""Without loop distribution no loop becomes a call of memset or memcpy, which no library here has."""
LOAD = 0x10000000
BOOT2_BYTES = 252
UF2_PAYLOAD = 256
UF2_FAMILY = 0xE48BFF56
"""RP2040, in the public list of UF2 families."""


def crc32_boot(data: bytes) -> int:
    """Return the CRC-32 that the boot ROM wants: polynomial 04C11DB7h, start FFFFFFFFh, nothing reflected or inverted.

    Source: RP2040 datasheet, section 2.8.1.3.1.
    """
    crc = 0xFFFFFFFF
    for byte in data:
        crc ^= byte << 24
        for _ in range(8):
            crc = (crc << 1 ^ (0x04C11DB7 if crc >> 31 else 0)) & 0xFFFFFFFF
    return crc


def sealed(flash: bytes) -> bytes:
    """Return the flash with the CRC-32 behind its second boot stage. Raises ValueError where that is too long."""
    boot2 = flash[:256].rstrip(b"\0")
    if len(boot2) > BOOT2_BYTES:
        raise ValueError(f"the second boot stage has {len(boot2)} bytes, at most {BOOT2_BYTES} fit")
    padded = boot2.ljust(BOOT2_BYTES, b"\0")
    return padded + crc32_boot(padded).to_bytes(4, "little") + flash[256:]


def uf2(flash: bytes) -> bytes:
    """Return `flash` as UF2 blocks of 512 bytes, 256 of them payload (public UF2 specification)."""
    parts = [flash[at : at + UF2_PAYLOAD] for at in range(0, len(flash), UF2_PAYLOAD)]
    blocks = []
    for number, part in enumerate(parts):
        place = (LOAD + number * UF2_PAYLOAD, UF2_PAYLOAD, number, len(parts), UF2_FAMILY)
        head = struct.pack("<8I", 0x0A324655, 0x9E5D5157, 0x2000, *place)
        blocks.append(head + part.ljust(476, b"\0") + struct.pack("<I", 0x0AB16F30))
    return b"".join(blocks)


def compile_flash() -> bytes:
    """Compile firmware/ and return the flash without the CRC. Raises CalledProcessError, OSError."""
    with tempfile.TemporaryDirectory() as folder:
        elf, binary = Path(folder) / "card.elf", Path(folder) / "card.bin"
        subprocess.run([COMPILER, *FLAGS, *SOURCES, "-o", str(elf)], check=True, cwd=HERE / "firmware")
        subprocess.run(["arm-none-eabi-objcopy", "-O", "binary", "--gap-fill", "0", str(elf), str(binary)], check=True)
        return binary.read_bytes()


def main() -> None:
    options = argparse.ArgumentParser(description="Build card.bin and card.uf2.")
    options.add_argument("--out", type=Path, default=HERE, help="folder that they are written to")
    out = options.parse_args().out
    try:
        flash = sealed(compile_flash())
    except (subprocess.CalledProcessError, OSError, ValueError) as error:
        sys.exit(f"not built: {error}")
    (out / "card.bin").write_bytes(flash)
    (out / "card.uf2").write_bytes(uf2(flash))
    print(f"{len(flash)} bytes")


if __name__ == "__main__":
    main()
