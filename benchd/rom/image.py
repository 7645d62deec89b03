"""Reading an option-ROM file: every image in it, what is wrong with them, what a scan would think of it."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from struct import unpack_from
from typing import Annotated, Any

from pydantic import Field, PlainSerializer

from benchd.rom import disasm
from benchd.rom.disasm import EntryCode, Instruction
from benchd.rom.forms import Count, RomForm
from benchd.rom.numbers import BLOCK, MEGABYTE, SLOT, round_up, show_size
from benchd.rom.processors import ProcessorNeeds
from benchd.rom.structs import (
    CODE_TYPES,
    EFI_MARK,
    SIGNATURE,
    Expansion,
    PciData,
    read_expansions,
    read_pci,
)

SIZE_LIMIT = MEGABYTE
"""Bytes looked at: an ISA card answers inside the first megabyte, so no useful image is larger."""
IMAGE_LIMIT = 64
STRING_LIMIT = 40
STRING_SHORTEST = 6
STRING_LONGEST = 80
_PRINTABLE = re.compile(rb"[ -~]{%d,}" % STRING_SHORTEST)
_WORD = re.compile(r"(?<![A-Za-z])(?:[A-Z]?[a-z]{3,}|[A-Z]{4,})(?![A-Za-z])")
_VOWEL = re.compile(r"[aeiouyAEIOUY]")
_REPEATED = re.compile(r"(.{1,3})\1\1")


@dataclass(frozen=True, slots=True)
class RomImage(RomForm):
    """One image: where its header stands in the file, its declared length, and what it carries.

    `checksum` is the sum of the declared bytes that the file has, modulo 100h. `checksum_ok` is True only
    if the whole declared length (not zero) is there and sums to 00h. Of the entry JSON has where it leads.
    """

    at: Count
    kind: str
    length_bytes: Count
    checksum: Count
    checksum_ok: bool
    complete: Annotated[bool, Field(exclude=True)]
    pnp: Expansion | None
    pci: Annotated[PciData | None, Field(alias="pcir")]
    expansions: Annotated[tuple[Expansion, ...], Field(alias="expansion_headers")]
    entry: Annotated[EntryCode | None, PlainSerializer(lambda e: e and e.target, return_type=Count | None)]
    problems: Annotated[tuple[str, ...], Field(exclude=True)]
    notes: Annotated[tuple[str, ...], Field(exclude=True)]


@dataclass(frozen=True, slots=True)
class FoundText(RomForm):
    """Readable text in the file."""

    offset: Count
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Report(RomForm):
    """What `benchd rom inspect --json` prints: numbers are numbers, the header looked at is that at `at`."""

    file: str = ""
    size: Count
    sha256: str
    at: Count
    signature_ok: bool
    length_bytes: Count | None = None
    checksum: Count | None = None
    checksum_ok: bool = False
    kind: str | None = None
    entry: Count | None = None
    disassembly: tuple[Instruction, ...] = ()
    pnp: Expansion | None = None
    pcir: PciData | None = None
    images: Count
    image_list: tuple[RomImage, ...]
    problems: tuple[str, ...]
    notes: tuple[str, ...]
    verdict: str
    strings: tuple[FoundText, ...]
    processor: ProcessorNeeds | None = None

    @property
    def first(self) -> RomImage | None:
        """The image whose header stands at `at`."""
        return next((one for one in self.image_list if one.at == self.at), None)


def declared_length(data: bytes, at: int = 0) -> int:
    """Return the length in bytes that the header at `at` declares (a WORD in an EFI image, else a byte)."""
    if is_efi(data, at):
        return int(unpack_from("<H", data, at + 2)[0]) * BLOCK
    return data[at + 2] * BLOCK if at + 2 < len(data) else 0


def is_efi(data: bytes, at: int = 0) -> bool:
    """True if the image at `at` carries the EFI mark, so that offset 2 is a word and offset 3 no entry."""
    return at + 8 <= len(data) and int(unpack_from("<I", data, at + 4)[0]) == EFI_MARK


def mending_byte(data: bytes, at: int, where: int) -> int:
    """Return the value that the byte at `where` must have for the image at `at` to sum to 00h."""
    length = declared_length(data, at)
    return (data[where] - sum(data[at : at + length])) & 0xFF


def padding_run(data: bytes, where: int, start: int, end: int) -> int:
    """Return how many equal FFh or 00h bytes in [start, end) surround and include `where` (0: in use)."""
    if not start <= where < end or data[where] not in (0x00, 0xFF):
        return 0
    value, low, high = data[where], where, where + 1
    while low > start and data[low - 1] == value:
        low -= 1
    while high < end and data[high] == value:
        high += 1
    return high - low


def read_image(data: bytes, at: int) -> RomImage:
    """Read the image whose 55h AAh stands at `at`. Never raises for any bytes."""
    efi = is_efi(data, at)
    length, there = declared_length(data, at), len(data) - at
    body = data[at : at + length] if length else data[at:]
    complete = 0 < length <= there
    total = sum(data[at : at + length]) & 0xFF
    pci, pci_fault = read_pci(body)
    entry = None if efi else disasm.read_entry(body)
    expansions, chain_fault = ((), None) if efi else read_expansions(body)
    told = [
        *_judge_length(data, at, length, complete),
        *_judge_sum(data, at, length, total if complete else 0),
        *_judge_pointers([pci_fault, chain_fault], entry, bool(pci or expansions), body),
        *_judge_pci(pci, length, there),
        *_judge_entry(entry, length),
        *_judge_expansions(expansions),
    ]
    kind = "EFI" if efi else "x86"
    if pci is not None and pci.code_type != 0 and not efi:
        kind = CODE_TYPES.get(pci.code_type, f"code type {pci.code_type:02X}h")
    return RomImage(
        at, kind, length, total, complete and total == 0, complete,
        next(filter(lambda one: one.signature == "$PnP", expansions), None), pci, expansions, entry,
        _texts(told, True), _texts(told, False),
    )  # fmt: skip


Judgements = Iterator[tuple[bool, str]]
"""(True for a problem, False for a note; text)."""


def _texts(told: Iterable[tuple[bool, str]], problems: bool) -> tuple[str, ...]:
    return tuple(text for grave, text in told if grave == problems)


def _judge_length(data: bytes, at: int, length: int, complete: bool) -> Judgements:
    if at + 3 > len(data):
        yield True, "the file ends before the length byte at offset 2"
    elif length == 0:
        yield True, "the length byte is 00h: scanners reject it, or sum a whole 64 KiB, or never move on"
    elif not complete:
        yield (
            True,
            f"the header declares {length:,} bytes but only {len(data) - at:,} follow: a scan would sum "
            "whatever answers behind the image; pad the file or cut the length",
        )
    if not is_efi(data, at) and length >= 0xFD * BLOCK:
        yield (
            True,
            f"length byte {length // BLOCK:02X}h: a scanner that rounds it up to 2 KiB in eight bits gets "
            "00h and never moves on",
        )


def _judge_sum(data: bytes, at: int, length: int, total: int) -> Judgements:
    if is_efi(data, at):
        yield (
            False,
            "an EFI image: offset 2 is a word, offset 3 is no entry; an ISA scan would read the length "
            f"byte as {data[at + 2]:02X}h",
        )
    elif total:
        last = at + length - 1
        run = padding_run(data, last, at, at + length)
        use = f"it is padding, {run:,} bytes of {data[last]:02X}h" if run > 1 else "it may be in use"
        yield (
            True,
            f"the {length:,} declared bytes sum to {total:02X}h, not 00h; {mending_byte(data, at, last):02X}h "
            f"instead of {data[last]:02X}h at offset {last:X}h would mend it ({use})",
        )


def _judge_pointers(faults: list[str | None], entry: EntryCode | None, structures: bool, body: bytes) -> Judgements:
    """Judge header pointers that lead to nothing: grave only where nothing says that they are no pointers."""
    # 07h-15h are reserved since Plug and Play 1.0A (1994); where they are not blank, they are an older ROM's own.
    own_use = not structures and any(byte not in (0x00, 0xFF) for byte in body[0x07:0x16])
    for fault in faults:
        if fault is None:
            continue
        if entry is not None and entry.through:
            yield False, f"code from the entry runs over 18h-1Bh, so no pointers stand there ({fault})"
        elif own_use:
            yield False, f"{fault}; the reserved bytes before are in use, as in ROMs older than the pointers"
        else:
            yield "are no expansion header" not in fault and "no PCIR" not in fault, fault


def _judge_pci(pci: PciData | None, length: int, there: int) -> Judgements:
    if pci is None:
        return
    if pci.length_bytes == 0:
        yield True, "the PCI data structure gives the image no length"
    elif pci.length_bytes > there:
        yield True, f"the PCI data structure declares {pci.length_bytes:,} bytes, only {there:,} follow"
    elif pci.length_bytes != length:
        yield (
            False,
            f"the header declares {length:,} bytes, the PCI data structure {pci.length_bytes:,}: an ISA "
            "scan goes by the header",
        )


def _judge_entry(entry: EntryCode | None, length: int) -> Judgements:
    if entry is None:
        return
    if not entry.listing:
        yield True, "no instruction stands at the entry (offset 3)"
    if entry.target is not None and length and entry.target >= length:
        yield True, f"the entry jumps to {entry.target:04X}h, outside the {length:,} declared bytes"
    if entry.far is not None:
        yield False, f"the entry jumps far, to {entry.far[0]:04X}:{entry.far[1]:04X}, out of this image"


def _judge_expansions(expansions: tuple[Expansion, ...]) -> Judgements:
    for one in expansions:
        if not one.checksum_ok:
            yield (
                False,
                f"the {one.signature} header at {one.offset:04X}h sums to {one.checksum:02X}h, not 00h: "
                "a BIOS that checks it ignores the header, one that does not uses it",
            )


def find_images(data: bytes, start: int = 0) -> tuple[list[RomImage], list[str]]:
    """Return the images of `data` from `start` on, and what cut the search short.

    A chain of PCI images is followed by its lengths (multiples of 512 bytes). Everything else is looked
    for where an ISA scan would look, at multiples of 2 KiB; behind the first image only a header whose
    length fits and whose sum is right counts, because 55h AAh also occurs by chance.
    """
    images: list[RomImage] = []
    notes: list[str] = []
    at = start
    chained = True
    while at + 2 <= len(data):
        if len(images) == IMAGE_LIMIT:
            notes.append(f"more than {IMAGE_LIMIT} images: the rest is not listed")
            break
        step = SLOT - at % SLOT
        if data[at : at + 2] == SIGNATURE:
            one = read_image(data, at)
            if at == start or one.checksum_ok or (chained and one.pci is not None):
                images.append(one)
                if one.pci is not None and not one.pci.last and one.pci.length_bytes:
                    chained, at = True, at + one.pci.length_bytes
                    continue
                if one.complete:
                    step = round_up(at + one.length_bytes, SLOT) - at
            else:
                notes.append(f"55h AAh at {at:X}h with a bad sum or length: not counted as an image")
        elif chained and at != start:
            notes.append(f"the image before says that another follows at {at:X}h, but none stands there")
        chained = False
        at += step
    return images, notes


def inspect(data: bytes, at: int = 0) -> Report:
    """Read a whole file; `at` is the offset of the header to judge. Never raises for any bytes."""
    problems: list[str] = []
    notes: list[str] = []
    seen = data
    if len(data) > SIZE_LIMIT:
        problems.append(
            f"the file has {len(data):,} bytes, more than the {SIZE_LIMIT:,} of the first megabyte: no ISA "
            f"card shows that much; only the first {SIZE_LIMIT:,} were read"
        )
        seen = data[:SIZE_LIMIT]
    images, cuts = find_images(seen, min(at, len(seen)))
    notes += cuts
    signature_ok = seen[at : at + 2] == SIGNATURE
    if not signature_ok:
        problems.append(_no_signature(seen, at, images))
    for image in images:
        where = "" if image.at == at else f"image at {image.at:X}h: "
        problems += [where + text for text in image.problems]
        notes += [where + text for text in image.notes]
    if len(data) % BLOCK and data:
        problems.append(f"the file has {len(data):,} bytes, no multiple of 512: it is no whole chip")
    first = images[0] if signature_ok and images else None
    return Report(
        size=len(data),
        sha256=hashlib.sha256(data).hexdigest(),
        at=at,
        signature_ok=signature_ok,
        images=len(images),
        image_list=tuple(images),
        problems=tuple(problems),
        notes=tuple(notes),
        verdict=_verdict(first, images),
        strings=tuple(FoundText(*one) for one in strings(seen)),
        **(_top(first) if first else {}),
    )


def _top(image: RomImage) -> dict[str, Any]:
    """The fields of the report that are those of the image looked at."""
    return {
        **{name: getattr(image, name) for name in ("length_bytes", "checksum", "checksum_ok", "kind", "pnp")},
        "pcir": image.pci,
        "entry": image.entry.target if image.entry else None,
        "disassembly": image.entry.listing if image.entry else (),
    }


def _no_signature(data: bytes, at: int, images: list[RomImage]) -> str:
    head = data[at : at + 2]
    if not data:
        return "the file is empty"
    if len(head) < 2:
        return f"the file has {len(data):,} bytes: too short for a header at {at:X}h"
    if images:
        return (
            f"no 55h AAh at {at:X}h, but an image stands at {images[0].at:X}h: a scan finds it there if "
            "that lies on a slot"
        )
    if head == b"\xaa\x55":
        return "the file starts AAh 55h: its bytes are swapped in pairs"
    if len(set(data)) == 1:
        return f"every byte is {data[0]:02X}h: a blank chip, or nothing answered when it was read"
    if head[:1] == b"\x55" or head[:1] == b"\xaa":
        return f"no 55h AAh at {at:X}h; it starts like one half (even or odd bytes) of a split image"
    if all(byte in b"\t\r\n" or 0x20 <= byte < 0x7F for byte in data[:512]):
        return "no 55h AAh at the start: this is text, not an image"
    return f"no 55h AAh at {at:X}h ({head.hex(' ').upper()} stands there): not an option ROM"


def _verdict(first: RomImage | None, images: list[RomImage]) -> str:
    if first is None:
        if images:
            return f"A scan finds nothing at the start, and a header {images[0].at:X}h further on."
        return "A scan finds no header here and passes it over."
    if first.length_bytes == 0:
        return "A scan finds the header, but the length 00h keeps a careful scanner from running it."
    scan_length = first.length_bytes
    if first.kind == "EFI":
        return "An EFI image: a scan for x86 ROMs must not run it."
    if not first.complete:
        return "A scan finds the header and sums past the end of this file: what it reads there decides."
    step = round_up(scan_length, SLOT)
    if first.checksum_ok:
        return (
            f"A scan finds the header, sums {show_size(scan_length)} to 00h, calls offset 3, "
            f"and goes on {step:X}h further."
        )
    return (
        f"A scan that checks sums finds the header, gets {first.checksum:02X}h and does not run it; "
        f"it goes on {SLOT:X}h further."
    )


def strings(data: bytes) -> list[tuple[int, str]]:
    """Return (offset, text) of the printable ASCII runs most like words, in the order of the file.

    At most `STRING_LIMIT`, the most word-like; each cut at `STRING_LONGEST` characters.
    """
    found: list[tuple[int, int, str]] = []
    for run in _PRINTABLE.finditer(data):
        text = run[0].decode("ascii")
        if rank := wordlike(text):
            found.append((-rank, run.start(), text[:STRING_LONGEST]))
    return sorted((at, text) for _, at, text in sorted(found)[:STRING_LIMIT])


def wordlike(text: str) -> int:
    """Return how much `text` looks like words for people, 0 for not at all.

    Printable bytes are common in x86 code (40h-5Fh are its short increments, pushes and pops). What people
    write has words of four letters or more, a fifth of them vowels, is mostly letters, and repeats no few letters.
    """
    words = [
        word
        for word in _WORD.findall(text)
        if 5 * len(_VOWEL.findall(word)) >= len(word) and not _REPEATED.search(word)
    ]
    letters = sum(map(len, words))
    plain = sum(ch.isalnum() or ch in " .,:-/()" for ch in text)
    if not letters or plain < 0.8 * len(text) or letters < 0.4 * len(text):
        return 0
    return min(letters, STRING_LONGEST) + (10 * len(words) if " " in text.strip() else 0)
