"""Making a new image from an old one: pad, seal, fit, split, join. Bytes in, bytes and a list of changes out.

Nothing here touches a file. Each function returns an `Edited` whose changes name every byte that differs
(ranges of equal bytes summarised), or raises UsageError with the reason for refusing.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchd.errors import UsageError
from benchd.rom.forms import RomForm
from benchd.rom.image import (
    declared_length,
    find_images,
    is_efi,
    mending_byte,
    padding_run,
    read_image,
)
from benchd.rom.numbers import SLOT, round_up, show_size
from benchd.rom.structs import HEADER_BYTES, SIGNATURE

PAD = 0xFF
"""Why FFh: on the shared bus a device drives its zeros and lets its ones float, so FFh leaves another
device at the same address readable and 00h does not (common practice, no source). FFh is also what an
erased cell of an EPROM reads, so padding need not be programmed."""

SHORTEST_RUN = 16
"""A byte counts as unused only inside at least this many equal FFh or 00h bytes: shorter runs are common
inside code and tables (our choice)."""

LARGEST = 4 << 20
"""No edit makes more bytes than this: the largest EPROMs of the trade hold 1 MiB, banked chips a few."""


@dataclass(frozen=True, slots=True)
class ByteChange(RomForm):
    """One stretch of the output: `what` is added, moved, changed or cut; offsets are in the output."""

    offset: int
    count: int
    what: str
    text: str


@dataclass(frozen=True, slots=True)
class Edited:
    """The new bytes, what changed, and remarks (what the scan will make of it)."""

    data: bytes
    changes: tuple[ByteChange, ...]
    notes: tuple[str, ...] = ()


def _span(offset: int, count: int) -> str:
    return f"{offset:05X}-{offset + count - 1:05X}"


def _added(offset: int, count: int, fill: int) -> ByteChange:
    return ByteChange(offset, count, "added", f"{_span(offset, count)} added: {count:,} bytes of {fill:02X}h")


def _moved(offset: int, count: int, origin: int) -> ByteChange:
    where = "stay where they were" if origin == offset else f"moved here from {_span(origin, count)}"
    return ByteChange(offset, count, "moved", f"{_span(offset, count)} the {count:,} bytes of the input {where}")


def _bounded(size: int) -> None:
    if size > LARGEST:
        raise UsageError(f"the result would have {size:,} bytes, more than the {LARGEST:,} allowed")


def _need(data: bytes, what: str = "input") -> None:
    if not data:
        raise UsageError(f"the {what} is empty: there is nothing to work on")


def pad(data: bytes, front: int = 0, back: int = 0, fill: int = PAD) -> Edited:
    """Put `front` bytes of `fill` before `data` and `back` behind it (how FFh and 00h differ: see `PAD`).

    The image's own bytes and so its checksum stay as they are; a header keeps being found only if
    `front` is a multiple of 2 KiB, which a note says otherwise.
    """
    _need(data)
    if front < 0 or back < 0:
        raise UsageError("padding cannot be negative: to cut an image, use split")
    if front + back == 0:
        raise UsageError("nothing to add: give the padding at the front or at the back")
    if not 0 <= fill <= 0xFF:
        raise UsageError(f"the fill value {fill} is no byte (0 to 255)")
    _bounded(len(data) + front + back)
    changes = []
    notes = []
    if front:
        changes.append(_added(0, front, fill))
    changes.append(_moved(front, len(data), 0))
    if back:
        changes.append(_added(front + len(data), back, fill))
    if front % SLOT and data[:2] == SIGNATURE:
        notes.append(
            f"the header now stands at {front:X}h, on no multiple of 2 KiB: a scan in 2 KiB steps misses "
            f"it (next multiple: {round_up(front, SLOT):X}h)"
        )
    elif front and data[:2] == SIGNATURE:
        notes.append(f"a chip at C8000 with this image shows the header at {0xC8000 + front:05X}")
    if fill != PAD:
        notes.append(
            f"fill {fill:02X}h pulls bus lines low where another ROM answers at the same address; FFh "
            "leaves it readable (common practice, no source)"
        )
    return Edited(bytes([fill]) * front + data + bytes([fill]) * back, tuple(changes), tuple(notes))


def _used_spans(data: bytes, at: int) -> list[tuple[int, int, str]]:
    image = read_image(data, at)
    spans = [(at, at + HEADER_BYTES, "the header")]
    if image.pci is not None:
        start = at + image.pci.offset
        spans.append((start, start + max(0x18, image.pci.structure_bytes), "PCIR"))
    for one in image.expansions:
        start = at + one.offset
        spans.append((start, start + max(0x20, one.length_bytes), one.signature))
    if image.entry is not None:
        spans += [
            (at + ins.offset, at + ins.offset + len(ins.raw), "code at the entry")
            for ins in image.entry.listing
            if any(ins.raw) and set(ins.raw) != {0xFF}
        ]
    return spans


def seal(data: bytes, at: int = 0, byte: int | None = None, replace_last: bool = False) -> Edited:
    """Mend the checksum of the image whose header stands at `at` by changing one unused byte.

    Default place: the last byte of the declared length; `byte` names another (offset in the file). Either
    must lie inside `SHORTEST_RUN` or more equal FFh or 00h bytes and in no known structure. With
    `replace_last` a last byte that follows such padding is taken for an earlier balancing byte and may be
    replaced. Raises UsageError, with the reason, where no such byte is.
    """
    _need(data)
    if data[at : at + 2] != SIGNATURE:
        raise UsageError(f"no header (55h AAh) at {at:X}h: name its place if it stands elsewhere")
    if is_efi(data, at):
        raise UsageError(f"the image at {at:X}h is an EFI image: it has no 8-bit sum to mend")
    length = declared_length(data, at)
    if length == 0:
        raise UsageError("the length byte is 00h: no bytes to sum; set the length first")
    end = at + length
    if end > len(data):
        raise UsageError(
            f"the header declares {length:,} bytes, the file has {len(data) - at:,} from there: pad it by "
            f"{end - len(data):,} bytes first"
        )
    total = sum(data[at:end]) & 0xFF
    if total == 0:
        return Edited(data, (), ("the sum is 00h already: nothing to mend, the copy is unchanged",))
    where = end - 1 if byte is None else byte
    if not at <= where < end:
        raise UsageError(f"offset {where:X}h lies outside the summed bytes {_span(at, length)}")
    for low, high, name in _used_spans(data, at):
        if low <= where < high:
            raise UsageError(f"offset {where:X}h belongs to {name}: it is in use; name an unused one")
    run = padding_run(data, where, at + HEADER_BYTES, end)
    notes = []
    if run < SHORTEST_RUN:
        before = padding_run(data, where - 1, at + HEADER_BYTES, where) if where == end - 1 else 0
        if not (replace_last and before >= SHORTEST_RUN):
            raise UsageError(_refusal(data, at, end, where, run, before))
        notes.append(f"{data[where]:02X}h, after {before:,} bytes of padding, taken for an old sum byte")
    else:
        notes.append(f"the byte lay in {run:,} bytes of {data[where]:02X}h, taken as unused")
    new = mending_byte(data, at, where)
    out = bytearray(data)
    out[where] = new
    text = f"{where:05X} {data[where]:02X} -> {new:02X} (sum {total:02X} -> 00)"
    return Edited(bytes(out), (ByteChange(where, 1, "changed", text),), tuple(notes))


def _refusal(data: bytes, at: int, end: int, where: int, run: int, before: int) -> str:
    value = data[where]
    if value not in (0x00, 0xFF):
        why = f"it holds {value:02X}h, which may be code or data"
    else:
        why = f"it stands in only {run} equal bytes, fewer than the {SHORTEST_RUN} that count as padding"
    text = f"will not change offset {where:X}h: {why}."
    if before >= SHORTEST_RUN:
        text += f" It follows {before:,} bytes of padding: if it is an old sum byte, add --replace-last."
    else:
        other = _other_place(data, at, end)
        if other is None:
            text += " No padding in the declared length: lengthen the image (length byte and padding) first."
        else:
            text += f" Offset {other:X}h is in padding: name it by --byte {other:X}."
    return text


def _other_place(data: bytes, at: int, end: int) -> int | None:
    spans = _used_spans(data, at)
    where = end - 1
    while where >= at + HEADER_BYTES:
        run = padding_run(data, where, at + HEADER_BYTES, where + 1)
        if run >= SHORTEST_RUN and not any(low <= where < high for low, high, _ in spans):
            return where
        where -= max(1, run)
    return None


def fit(data: bytes, size: int, mirror: bool = False, fill: int = PAD) -> Edited:
    """Make `data` fill a chip of `size` bytes (a power of two), padded behind or repeated (`mirror`).

    Mirrored, the image is first padded to a power of two, as a chip with its upper address lines unused
    would show it. Raises UsageError where it does not fit.
    """
    _need(data)
    if size < 1 or size & (size - 1):
        raise UsageError(f"a chip holds a power of two, not {size:,} bytes")
    _bounded(size)
    if len(data) > size:
        raise UsageError(f"the image has {len(data):,} bytes, the chip {size:,}: it does not fit")
    if len(data) == size:
        return Edited(data, (_moved(0, size, 0),), ("the image fills the chip exactly",))
    changes = [_moved(0, len(data), 0)]
    notes = []
    if not mirror:
        changes.append(_added(len(data), size - len(data), fill))
        return Edited(data + bytes([fill]) * (size - len(data)), tuple(changes), ())
    unit = 1 << (len(data) - 1).bit_length()
    if unit > len(data):
        changes.append(_added(len(data), unit - len(data), fill))
    one = data + bytes([fill]) * (unit - len(data))
    for at in range(unit, size, unit):
        changes.append(ByteChange(at, unit, "added", f"{_span(at, unit)} added: copy of {_span(0, unit)}"))
    length = declared_length(data)
    seen_again = unit < size and unit % SLOT == 0 and 0 < round_up(length, SLOT) <= unit
    if data[:2] == SIGNATURE and seen_again:
        notes.append(
            f"every copy has a header on a slot: a window that shows all of them lets the scan run the ROM "
            f"{size // unit} times; pad instead, or show only {show_size(unit)}"
        )
    return Edited(one * (size // unit), tuple(changes), tuple(notes))


def split_pairs(data: bytes) -> tuple[Edited, Edited]:
    """Return (even bytes, odd bytes) for a 16-bit pair of chips. The length must be even."""
    _need(data)
    if len(data) % 2:
        raise UsageError(f"the image has {len(data):,} bytes, an odd number: pad it by one byte first")
    half = len(data) // 2
    return tuple(  # type: ignore[return-value]
        Edited(
            data[first::2],
            (ByteChange(0, half, "moved", f"{_span(0, half)} every second byte of the input from {first} on"),),
        )
        for first in (0, 1)
    )


def join_pairs(even: bytes, odd: bytes) -> Edited:
    """Return the image whose even bytes are `even` and odd bytes `odd`; both of one length."""
    _need(even, "even half")
    _need(odd, "odd half")
    if len(even) != len(odd):
        raise UsageError(f"the halves differ in length: even {len(even):,} bytes, odd {len(odd):,}")
    _bounded(2 * len(even))
    out = bytearray(2 * len(even))
    out[0::2] = even
    out[1::2] = odd
    notes = []
    if out[:2] != SIGNATURE and odd[:1] + even[:1] == SIGNATURE:
        notes.append("the other way round the result would start 55h AAh: the halves look swapped")
    text = f"{_span(0, len(out))} one byte of each half in turn, even first"
    return Edited(bytes(out), (ByteChange(0, len(out), "moved", text),), tuple(notes))


def split_images(data: bytes) -> list[Edited]:
    """Return each image of a chip by itself, cut to its declared length (what stood between is dropped)."""
    _need(data)
    images, _ = find_images(data)
    if not images:
        raise UsageError("no image found: no header (55h AAh) with a fitting length stands on a slot")
    out = []
    for one in images:
        length = max(one.length_bytes, one.pci.length_bytes if one.pci else 0)
        piece = data[one.at : one.at + length]
        if not piece:
            raise UsageError(f"the image at {one.at:X}h declares no bytes: mend its length first")
        out.append(Edited(piece, (_moved(0, len(piece), one.at),), ()))
    return out


def join_images(parts: list[bytes], step: int = SLOT, fill: int = PAD) -> Edited:
    """Put several images into one chip, each starting on a multiple of `step` bytes, gaps filled.

    A part longer than its declared length is kept whole. Raises UsageError for a part without header or
    with a declared length that its bytes do not reach: the scan would sum into the next part.
    """
    if not parts:
        raise UsageError("nothing to join: give at least one image")
    out = bytearray()
    changes: list[ByteChange] = []
    notes: list[str] = []
    for number, part in enumerate(parts, 1):
        _need(part, f"image {number}")
        if part[:2] != SIGNATURE:
            raise UsageError(f"image {number} does not start with 55h AAh: a scan would not find it")
        length = declared_length(part)
        if length > len(part):
            raise UsageError(
                f"image {number} declares {length:,} bytes but has {len(part):,}: pad it first, or the scan "
                "sums into the next image"
            )
        at = round_up(len(out), step)
        _bounded(at + len(part))
        if at > len(out):
            changes.append(_added(len(out), at - len(out), fill))
            out += bytes([fill]) * (at - len(out))
        text = f"{_span(at, len(part))} image {number}, {len(part):,} bytes"
        changes.append(ByteChange(at, len(part), "added", text))
        if not is_efi(part) and sum(part[:length]) & 0xFF:
            notes.append(f"image {number} does not sum to 00h: a scan skips it; seal it")
        out += part
    return Edited(bytes(out), tuple(changes), tuple(notes))
