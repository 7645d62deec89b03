"""What a reporter image is built with, checked: from words as people write them to the bytes patched into a template.

The block of options stands at the same place in each template (`asm/options.inc`): UART base, divisor, speed as text,
the test window's first segment and its chunks, and whether display memory is tested.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Literal

from benchd.rom.numbers import BLOCK, SLOT, hex_address, parse_address, parse_size, show_size

Wrapper = Literal["rom", "floppy", "com"]
WRAPPERS: tuple[Wrapper, ...] = ("rom", "floppy", "com")
CLOCK = 115_200
"""Bit/s at divisor 1: 1.8432 MHz / 16 (16450 and 16550 data sheets)."""
SLOWEST = 300
CHUNK = 128
"""Bytes that the program reads, or tests, at a time."""
ROM_FIRST, ROM_END = 0xC0000, 0xF0000
WINDOW_FIRST, WINDOW_END = 0xA0000, 0xF0000
LARGEST_ROM = 0xFF * BLOCK
_LAYOUT = struct.Struct("<HH8sHHB")


@dataclass(frozen=True, slots=True)
class Window:
    """A range of memory to be written to: physical addresses of the first and last byte, on 2 KiB steps."""

    first: int
    last: int

    def __str__(self) -> str:
        return f"{hex_address(self.first)}-{hex_address(self.last)}"


@dataclass(frozen=True, slots=True)
class Options:
    """Checked options of one image. `base` and `size` (bytes) are of a rom only, `disk` of a floppy only."""

    wrapper: Wrapper
    uart: int = 0x3F8
    speed: int = 9600
    base: int = 0xC8000
    size: int = 0x2000
    disk: str = "360K"
    window: Window | None = None
    display: bool = False

    def block(self) -> bytes:
        """Return the bytes that stand in the image from the template's mark on."""
        first, chunks = 0, 0
        if self.window is not None:
            first, chunks = self.window.first >> 4, (self.window.last + 1 - self.window.first) // CHUNK
        speed = str(self.speed).encode("ascii")
        return _LAYOUT.pack(self.uart, CLOCK // self.speed, speed, first, chunks, self.display)


BLOCK_LENGTH = _LAYOUT.size


def parse_uart(text: str) -> int:
    """Return the UART's I/O base from hexadecimal text. Raises ValueError."""
    digits = text.strip().upper().removeprefix("0X").removesuffix("H")
    try:
        value = int(digits, 16)
    except ValueError:
        raise ValueError(f"{text!r} is no I/O address: write 3F8, 2F8, 3E8 or 2E8 (hexadecimal)") from None
    if not 0x100 <= value <= 0x3F8 or value % 8:
        raise ValueError(f"{text} is no place for a UART: cards decode 100 to 3F8 (hexadecimal), in steps of 8")
    return value


def parse_speed(value: int) -> int:
    """Return the speed in bit/s if a divisor gives it exactly. Raises ValueError."""
    if not SLOWEST <= value <= CLOCK:
        raise ValueError(f"{value} bit/s: use {SLOWEST} to {CLOCK}")
    if CLOCK % value:
        low, high = CLOCK // (CLOCK // value + 1), CLOCK // (CLOCK // value)
        raise ValueError(
            f"{value} bit/s: the UART divides {CLOCK} by a whole number, which gives {low} or {high}; use one that "
            "divides evenly, such as 9600"
        )
    return value


def parse_base(text: str) -> int:
    """Return the base of the rom. Raises ValueError."""
    base = parse_address(text)
    if not ROM_FIRST <= base < ROM_END:
        raise ValueError(f"{text}: a scan looks from C0000 to EFFFF only")
    if base % SLOT:
        near = hex_address(base - base % SLOT)
        raise ValueError(f"{text}: a scan looks every 2 KiB only; the step below is {near}")
    return base


def parse_rom_size(text: str, least: int) -> int:
    """Return the size of the rom image in bytes; `least` is what the program takes. Raises ValueError."""
    size = parse_size(text)
    if size < least:
        raise ValueError(f"{text}: the program needs {show_size(least)}")
    if size % SLOT:
        raise ValueError(f"{text}: give a multiple of 2 KiB, as chips and scans have it")
    if size > LARGEST_ROM:
        raise ValueError(f"{text}: the length byte of a header ends at {show_size(LARGEST_ROM - LARGEST_ROM % SLOT)}")
    return size


def parse_window(text: str) -> Window:
    """Return the window to test from `D0000-D7FFF` (last byte included). Raises ValueError."""
    first_text, dash, last_text = text.partition("-")
    if not dash:
        raise ValueError(f"{text!r} is no range: write D0000-D7FFF, the last byte included")
    window = Window(parse_address(first_text), parse_address(last_text))
    if window.last < window.first:
        raise ValueError(f"{text}: it ends before it begins")
    if window.first < WINDOW_FIRST or window.last >= WINDOW_END:
        raise ValueError(
            f"{text}: only A0000 to EFFFF can be tested: below lies the machine's own memory, above its BIOS"
        )
    if window.first % SLOT or (window.last + 1) % SLOT:
        raise ValueError(f"{text}: begin and end on 2 KiB steps, such as D0000-D07FF")
    return window


def check(options: Options) -> None:
    """Raise ValueError where options do not go together: a rom past its room, a window over the rom itself."""
    if options.wrapper != "rom":
        return
    end = options.base + options.size
    if end > ROM_END:
        raise ValueError(
            f"{show_size(options.size)} at {hex_address(options.base)} reach over {hex_address(ROM_END - 1)}, where "
            "the BIOS begins: take a lower base or a smaller size"
        )
    window = options.window
    if window is not None and window.first < end and options.base <= window.last:
        raise ValueError(
            f"the window {window} covers the rom itself, {hex_address(options.base)}-{hex_address(end - 1)}: a test "
            "would write over the program that runs"
        )
