"""The "bench" frame of self-built cards: values to bytes and back (firmware-notes/card-framings.md).

wire    = COBS(body || CRC) 00h
body    = version and kind (1) || sequence (2) || ticks (4) || rest        numbers are little-endian
CRC     = CRC-16/CCITT-FALSE over body, high byte first
"""

from __future__ import annotations

import struct
from binascii import crc_hqx
from dataclasses import dataclass
from enum import IntEnum

from cobs import cobs

VERSION = 1
HEAD = struct.Struct("<BHI")
TICK = struct.Struct("<I")
CRC_BYTES = 2
CRC_START = 0xFFFF
BODY_LIMIT = 252
"""Body and CRC stay within 254 bytes, so that COBS adds exactly one byte and a card needs no long blocks."""
WIRE_LIMIT = BODY_LIMIT + CRC_BYTES + 1
DELIMITER = 0

WIDE, PORT, RESET, LOST, DELTA, NO_CODE, NOTE = 0x01, 0x02, 0x04, 0x08, 0x10, 0x20, 0x80
RESERVED = 0x40


class Kind(IntEnum):
    """What a frame tells (low four bits of its first byte)."""

    CODES = 0
    ALIVE = 1
    STARTED = 2


class NoteKind(IntEnum):
    """What a note tells. Kinds that are not named here are passed over."""

    CARD = 1
    POWER = 2
    RELEASED = 3


NOTE_BYTES: dict[int, int] = {NoteKind.CARD: 2, NoteKind.POWER: 1, NoteKind.RELEASED: 0}
"""The least length of each note's value; what is longer is of a later version."""


@dataclass(frozen=True, slots=True)
class Note:
    """What a card tells beside the writes: `kind` (a NoteKind, or one of a later version) and its value's bytes."""

    kind: int
    value: bytes = b""

    @property
    def power(self) -> bool | None:
        """Whether the bus has its 5 V; None in a note of another kind."""
        return bool(self.value[0]) if self.kind == NoteKind.POWER else None

    @property
    def card(self) -> CardFacts | None:
        """What the card says of itself; None in a note of another kind."""
        if self.kind != NoteKind.CARD:
            return None
        minor, major, *rest = self.value
        ports = tuple(low | high << 8 for low, high in zip(rest[::2], rest[1::2], strict=False))
        return CardFacts((major, minor), ports)


@dataclass(frozen=True, slots=True)
class CardFacts:
    """A card's firmware version (major, minor) and the I/O ports that it watches."""

    version: tuple[int, int]
    ports: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class CardWrite:
    """One write that the card saw, or only a reset, a loss or a note (`code` None).

    `port` None repeats the port of the entry before, and in the first entry means the link's own port.
    `delta` is ticks since the entry before (0 in the first). `lost` writes were missed just before this entry.
    """

    code: int | None
    port: int | None = None
    wide: bool = False
    delta: int = 0
    reset: bool = False
    lost: int = 0
    note: Note | None = None


@dataclass(frozen=True, slots=True)
class Frame:
    """One frame: `sequence` is the number of its first entry (or the next one to come), mod 65536.

    `ticks` is the card's counter at the first entry, or when the frame was built. `tick_ns` is the length of a
    tick, told by ALIVE and STARTED frames (0: the card does not know).
    """

    sequence: int
    ticks: int
    entries: tuple[CardWrite, ...] = ()
    kind: Kind = Kind.CODES
    tick_ns: int = 0


class FrameRefused(Exception):
    """The bytes are no frame; `reason` names why. Never leaves this room."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


def decode_frame(wire: bytes) -> Frame:
    """Return the frame in `wire`, the bytes before a delimiter. Raises FrameRefused."""
    try:
        plain = cobs.decode(wire)
    except cobs.DecodeError:
        raise FrameRefused("not-cobs") from None
    if len(plain) < HEAD.size + CRC_BYTES:
        raise FrameRefused("too-short")
    body, crc = plain[:-CRC_BYTES], plain[-CRC_BYTES:]
    if crc_hqx(body, CRC_START) != int.from_bytes(crc, "big"):
        raise FrameRefused("bad-crc")
    first, sequence, ticks = HEAD.unpack_from(body)
    if first >> 4 != VERSION:
        raise FrameRefused("unknown-version")
    rest = body[HEAD.size :]
    if first & 15 == Kind.CODES:
        return Frame(sequence, ticks, _entries(rest))
    if first & 15 not in (Kind.ALIVE, Kind.STARTED):
        raise FrameRefused("unknown-kind")
    if len(rest) != TICK.size:
        raise FrameRefused("bad-layout")
    return Frame(sequence, ticks, (), Kind(first & 15), TICK.unpack(rest)[0])


def is_frame(wire: bytes) -> bool:
    """Whether the bytes before a delimiter are a sound frame; the speed hunt judges by it."""
    try:
        decode_frame(wire)
    except FrameRefused:
        return False
    return True


def _entries(rest: bytes) -> tuple[CardWrite, ...]:
    entries: list[CardWrite] = []
    at = 0

    def taken(size: int) -> bytes:
        nonlocal at
        if at + size > len(rest):
            raise FrameRefused("bad-layout")
        at += size
        return rest[at - size : at]

    def number(size: int) -> int:
        return int.from_bytes(taken(size), "little")

    while at < len(rest):
        flags = number(1)
        if flags & RESERVED or (flags & NO_CODE and flags & WIDE) or (flags & DELTA and not entries):
            raise FrameRefused("bad-layout")
        delta = number(2) if flags & DELTA else 0
        lost = number(2) if flags & LOST else 0
        port = number(2) if flags & PORT else None
        code = None if flags & NO_CODE else number(2 if flags & WIDE else 1)
        note = _note(number(1), taken(number(1))) if flags & NOTE else None
        entries.append(CardWrite(code, port, bool(flags & WIDE), delta, bool(flags & RESET), lost, note))
    if not entries:
        raise FrameRefused("bad-layout")
    return tuple(entries)


def _note(kind: int, value: bytes) -> Note:
    if len(value) < NOTE_BYTES.get(kind, 0):
        raise FrameRefused("bad-layout")
    return Note(kind, value)
