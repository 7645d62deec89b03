"""The three structures of an option ROM: its header, `$PnP` expansion headers, the PCI data structure.

Layouts: Plug and Play BIOS Specification 1.0A sec. 2.3, 3.1 and App. A (header, `$PnP`); the later split
of the header's reserved bytes and the PCI data structure as SeaBIOS `src/std/optionrom.h` reads them.
"""

from __future__ import annotations

from dataclasses import dataclass
from struct import unpack_from

from benchd.rom.forms import Count, RomForm
from benchd.rom.numbers import BLOCK

SIGNATURE = b"\x55\xaa"
HEADER_BYTES = 0x1C
PCI_POINTER = 0x18
EXPANSION_POINTER = 0x1A
EFI_MARK = 0x0EF1
"""Dword at offset 4 of an EFI image; its offset 2 is a WORD size (EDK2 EfiPci.h)."""
CHAIN_LIMIT = 32
CODE_TYPES = {0: "x86", 1: "Open Firmware", 2: "PA-RISC", 3: "EFI"}
"""EFI 1.10 specification, table 12-16."""


@dataclass(frozen=True, slots=True)
class Expansion(RomForm):
    """A `$PnP` (or other `$xxx`) expansion header; offsets count from the image start, 0 = none."""

    offset: Count
    signature: str
    revision: Count
    length_bytes: Count
    checksum: Count
    checksum_ok: bool
    next: Count
    device_id: Count | None = None
    manufacturer: str | None = None
    product: str | None = None
    device_type: Count | None = None
    indicators: Count | None = None
    boot_connection: Count | None = None
    disconnect: Count | None = None
    bootstrap_entry: Count | None = None
    static_resources: Count | None = None


@dataclass(frozen=True, slots=True)
class PciData(RomForm):
    """The PCI data structure. `length_bytes` is the length of the image, not of the structure."""

    offset: Count
    vendor: Count
    device: Count
    structure_bytes: Count
    revision: Count
    class_code: Count
    length_bytes: Count
    code_revision: Count
    code_type: Count
    last: bool


def word(data: bytes, at: int) -> int:
    """Return the little-endian word at `at`, or 0 where the data end before it."""
    return int(unpack_from("<H", data, at)[0]) if 0 <= at <= len(data) - 2 else 0


def text_at(data: bytes, at: int, limit: int = 64) -> str | None:
    """Return the NUL-ended text at `at` (Latin-1), None where there is none."""
    if not 0 < at < len(data):
        return None
    raw = data[at : at + limit].split(b"\0", 1)[0]
    return raw.decode("latin-1") or None


def read_pci(image: bytes) -> tuple[PciData | None, str | None]:
    """Read the PCI data structure that `image` points to; (None, why) where the pointer is no use."""
    at = word(image, PCI_POINTER)
    if at == 0:
        return None, None
    if at + 0x18 > len(image):
        return None, f"the PCI pointer at 18h says {at:04X}h, outside the {len(image):,} bytes of the image"
    if image[at : at + 4] != b"PCIR":
        return None, f"the PCI pointer at 18h says {at:04X}h, but no PCIR stands there"
    vendor, device = unpack_from("<HH", image, at + 4)
    length, revision = unpack_from("<HB", image, at + 0x0A)
    blocks, code_revision, code_type, indicator = unpack_from("<HHBB", image, at + 0x10)
    class_code = int.from_bytes(image[at + 0x0D : at + 0x10], "little")
    return (
        PciData(at, vendor, device, length, revision, class_code, blocks * BLOCK, code_revision, code_type,
                bool(indicator & 0x80)),
        None,
    )  # fmt: skip


def _read_one(image: bytes, at: int) -> Expansion | str:
    if at + 0x0A > len(image):
        return f"an expansion header is said to stand at {at:04X}h, outside the image ({len(image):,} bytes)"
    raw = image[at : at + 4]
    if raw[:1] != b"$" or not all(0x21 <= byte < 0x7F for byte in raw):
        return f"the bytes at {at:04X}h ({raw.hex(' ').upper()}) are no expansion header"
    length = image[at + 5] * 16
    if length < 16 or at + length > len(image):
        return f"the expansion header at {at:04X}h has a length of {length} bytes: too short or past the end"
    total = sum(image[at : at + length]) & 0xFF
    basic = (at, raw.decode("ascii"), image[at + 4], length, total, total == 0, word(image, at + 6))
    if raw != b"$PnP" or length < 0x20:
        return Expansion(*basic)
    return Expansion(
        *basic,
        device_id=int(unpack_from("<I", image, at + 0x0A)[0]),
        manufacturer=text_at(image, word(image, at + 0x0E)),
        product=text_at(image, word(image, at + 0x10)),
        device_type=int.from_bytes(image[at + 0x12 : at + 0x15], "big"),
        indicators=image[at + 0x15],
        boot_connection=word(image, at + 0x16),
        disconnect=word(image, at + 0x18),
        bootstrap_entry=word(image, at + 0x1A),
        static_resources=word(image, at + 0x1E),
    )


def read_expansions(image: bytes) -> tuple[tuple[Expansion, ...], str | None]:
    """Follow the chain of expansion headers; (what could be read, what broke the chain or None).

    A chain that comes back to a header already seen, or is longer than `CHAIN_LIMIT`, is cut and named.
    """
    found: list[Expansion] = []
    seen: set[int] = set()
    at = word(image, EXPANSION_POINTER)
    while at:
        if at in seen:
            return tuple(found), f"the chain of expansion headers leads back to {at:04X}h and never ends"
        if len(found) == CHAIN_LIMIT:
            return tuple(found), f"the chain of expansion headers has more than {CHAIN_LIMIT} links"
        seen.add(at)
        one = _read_one(image, at)
        if isinstance(one, str):
            return tuple(found), one
        found.append(one)
        at = one.next
    return tuple(found), None
