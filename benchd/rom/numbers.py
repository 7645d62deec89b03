"""Addresses and sizes: how people write them, and how benchd prints them.

A physical address is segment * 10h + offset on 20 address lines, so sums wrap at 100000h
(8086 family; check values 1234h:4321h = 16661h and F000:FFF0 = FFFF0h).
"""

from __future__ import annotations

import re

MEGABYTE = 0x100000
SLOT = 0x800
"""Scan step of the standards: 2 KiB."""
BLOCK = 0x200
"""Unit of the length byte: 512 bytes."""
RESET = 0xFFFF0
"""Where the processor fetches its first instruction (Intel 8086 data sheet: FFFF0h after RESET)."""
SYSTEM_ROM = 0xF0000
"""Where the system BIOS lies, as PC owner's manuals print it; what a scan sees from here on is the board's own."""

_UNITS = {"": 1, "B": 1, "K": 1024, "KB": 1024, "KIB": 1024, "M": 1 << 20, "MB": 1 << 20, "MIB": 1 << 20}
_SIZE = re.compile(rf"0X([0-9A-F]+)H?|([0-9A-F]+)H|([0-9]+) *({'|'.join(_UNITS)})")
_HEX = frozenset("0123456789ABCDEF")


def hex_address(value: int) -> str:
    """Return a physical address as benchd's JSON writes it: upper-case hex, five digits or more, no mark."""
    return f"{value:05X}"


def physical(segment: int, offset: int) -> int:
    """Return the 20-bit physical address of `segment:offset`."""
    return (segment * 16 + offset) % MEGABYTE


def _hex(text: str, what: str) -> int:
    digits = text.upper().removeprefix("0X").removesuffix("H")
    if not digits or len(digits) > 8 or not set(digits) <= _HEX:
        forms = "FF, FFh or 0xFF" if what == "byte" else "C8000, C8000h, 0xC8000 or C800:0000"
        raise ValueError(f"{what} {text[:40]!r} is not hexadecimal: write {forms}")
    return int(digits, 16)


def parse_address(text: object) -> int:
    """Return the physical address that `text` names.

    Accepts C8000, C8000h, 0xC8000 and segment:offset (C800:0000). Raises ValueError for anything else, for
    an address past FFFFF, and for a bare four-digit number from A000 up, which may be a segment.
    """
    if not isinstance(text, str):
        raise ValueError(f'an address is hexadecimal text in quotes, such as "C8000", not {str(text)[:40]}')
    word = text.strip().replace("_", "")
    if len(word) > 40:
        raise ValueError(f"an address has at most 40 characters, this one {len(word)}")
    if ":" in word:
        left, _, right = word.partition(":")
        segment, offset = _hex(left, "segment"), _hex(right, "offset")
        if segment > 0xFFFF or offset > 0xFFFF:
            raise ValueError(f"in {text!r} segment and offset have at most four digits each")
        return physical(segment, offset)
    value = _hex(word, "address")
    digits = word.upper().removeprefix("0X").removesuffix("H")
    if len(digits) == 4 and value >= 0xA000:
        raise ValueError(
            f"{text!r} has four digits and may be a segment: write {digits}0 or {digits}:0000 for "
            f"the segment, 0{digits} for the physical address"
        )
    if value >= MEGABYTE:
        raise ValueError(f"address {text!r} lies past FFFFF, the end of the first megabyte")
    return value


def parse_size(text: object) -> int:
    """Return a size in bytes from 8K, 8 KiB, 8192, 2000h, 0x2000 or a whole number. Raises ValueError."""
    word = text.strip().replace("_", "").upper() if isinstance(text, str) and len(text) <= 40 else ""
    if isinstance(text, int) and not isinstance(text, bool):
        value = text
    elif found := _SIZE.fullmatch(word):
        hexadecimal = found[1] or found[2]
        value = int(hexadecimal, 16) if hexadecimal else int(found[3]) * _UNITS[found[4]]
    else:
        raise ValueError(f"size {str(text)[:40]!r} is not a size: write 8K, 8192 or 2000h")
    if value < 0 or value > 64 * MEGABYTE:
        raise ValueError(f"size {text!r} is outside 0 to 64M")
    return value


def parse_byte(text: object) -> int:
    """Return a byte value from FF, FFh or 0xFF (hexadecimal, as on the bench). Raises ValueError."""
    if not isinstance(text, str):
        raise ValueError(f'a byte is hexadecimal text in quotes, such as "FF", not {str(text)[:40]}')
    value = _hex(text.strip(), "byte")
    if value > 0xFF:
        raise ValueError(f"{text!r} does not fit in a byte (00 to FF)")
    return value


def round_up(value: int, step: int) -> int:
    """Return `value` rounded up to a multiple of `step`."""
    return -(-value // step) * step


def show_size(count: int) -> str:
    """Return a byte count for people: `8 KiB` where it is whole, else `1,234 bytes`."""
    if count and count % 1024 == 0:
        return f"{count // 1024:,} KiB"
    return f"{count:,} byte{'' if count == 1 else 's'}"
