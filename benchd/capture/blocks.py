"""The container: pcapng blocks to bytes and back.

Source: draft-ietf-opsawg-pcapng, sections 3.1 (General Block Structure), 3.5 (Options), 4.1 (Section Header), 4.2
(Interface Description), 4.3 (Enhanced Packet). Only these blocks are understood; others are framed and skipped.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from gzip import BadGzipFile
from pathlib import Path
from typing import BinaryIO

from benchd.errors import ExternalError, UsageError, system_words

SECTION, INTERFACE, PACKET = 0x0A0D0D0A, 1, 6
SECTION_MAGIC = b"\x0a\x0d\x0d\x0a"
"""The same number in either byte order."""
BYTE_ORDER = {b"\x4d\x3c\x2b\x1a": "<", b"\x1a\x2b\x3c\x4d": ">"}
COMMENT, NAME, SPEED, TSRESOL, USER_APPLICATION = 1, 2, 8, 9, 4
"""Codes of options: opt_comment; if_name, if_speed and if_tsresol; shb_userappl."""
TEXT = "text"
SECTION_OPTIONS: Mapping[int, str] = dict.fromkeys((COMMENT, 2, 3, USER_APPLICATION), TEXT)
INTERFACE_OPTIONS: Mapping[int, str] = {
    **dict.fromkeys((COMMENT, NAME, 3, 12, 15), TEXT),
    **dict.fromkeys((SPEED, 16, 17), "Q"),
    10: "I",
    13: "B",
    14: "q",
}
PACKET_OPTIONS: Mapping[int, str] = {COMMENT: TEXT, 2: "I", 4: "Q", 5: "Q", 6: "I"}
"""What an option's value is, where that is looked at: text in UTF-8, or a number as `struct` writes it."""
READ_BYTES = 1 << 17

Value = str | int | bytes
Option = tuple[int, bytes]
Packet = tuple[int, int, int, bytes]
"""Where its block begins, its interface, its timestamp, its bytes."""
Sound = Callable[[int, int], bool]
"""Whether a packet's interface and timestamp can be."""


class Damage(Exception):
    """What cannot be read, where its block begins, and why. `final`: nothing behind it is looked at either."""

    def __init__(self, offset: int, why: str, *, final: bool = False) -> None:
        super().__init__(f"breaks off at offset {offset}: {why}")
        self.offset, self.why, self.final = offset, why, final


# ---------------------------------------------------------------- writing, little-endian

_PACKET = struct.Struct("<7I")
_LENGTH = struct.Struct("<I")


def packet_block(interface: int, stamp_ns: int, payload: bytes) -> bytes:
    """An Enhanced Packet Block without options (section 4.3)."""
    size = len(payload)
    length = 32 + size + (-size & 3)
    return b"".join(
        (
            _PACKET.pack(PACKET, length, interface, stamp_ns >> 32, stamp_ns & 0xFFFFFFFF, size, size),
            payload,
            bytes(-size & 3),
            _LENGTH.pack(length),
        )
    )


def section_block(options: Sequence[Option]) -> bytes:
    """A Section Header Block (section 4.1) of format 1.0 whose length is not told."""
    return _block(SECTION, struct.pack("<IHHq", 0x1A2B3C4D, 1, 0, -1), options)


def interface_block(link_type: int, options: Sequence[Option]) -> bytes:
    """An Interface Description Block (section 4.2) without a limit to its packets' length."""
    return _block(INTERFACE, struct.pack("<HHI", link_type, 0, 0), options)


def _block(kind: int, fixed: bytes, options: Sequence[Option]) -> bytes:
    listed = [(*option, -len(option[1]) & 3) for option in options]
    body = fixed + b"".join(
        struct.pack("<HH", code, len(value)) + value + bytes(padding) for code, value, padding in listed
    )
    length = 12 + len(body) + 4  # the end of the options is one without value
    return struct.pack("<II", kind, length) + body + bytes(4) + _LENGTH.pack(length)


# ---------------------------------------------------------------- reading, either byte order


class BlockReader:
    """The whole, well-framed blocks of a file, from `offset` (where a block begins) on.

    `offset` is where the current block starts, `problem` why the stream ended early. `pass_over` goes on in the file
    behind what cannot be unpacked, and returns where that is, None where nothing more can be read.
    """

    def __init__(
        self, file: BinaryIO, path: Path, most: int, *, offset: int = 0, order: str = "<",
        pass_over: Callable[[BinaryIO], int | None] = lambda file: None,
    ) -> None:  # fmt: skip
        self._file, self._path, self._most, self._pass_over = file, path, most, pass_over
        self.offset = offset
        self.problem: str | None = None
        self._data, self._at, self._length = b"", 0, 0
        """What was read and not gone through, where the current block begins in it, and how long that is."""
        self._ended = self._blocked = False
        """Whether the file's end was met, or a part that cannot be unpacked."""
        self._go_by(order)

    def _go_by(self, order: str) -> None:
        self.order = order
        self._frame, self._packet = struct.Struct(order + "II"), struct.Struct(order + "5I")
        self._whole_packet = struct.Struct(order + "7I")

    def blocks(self) -> Iterator[tuple[int, bytes]]:
        """The type of each block, and the block as it is in the file."""
        while (found := self.block()) is not None:
            yield found

    def block(self) -> tuple[int, bytes] | None:
        """The next block, None at the end of the file or of what is whole of it."""
        try:
            return self.next()
        except Damage as damage:
            self.problem = str(damage)
            return None

    def packets(self) -> list[Packet]:
        """The packets that come next, as far as they were read from the disk already.

        Only whole ones without options; what else comes, or is in doubt, is left to `block`. So most of a capture is
        gone through without cutting out each block.
        """
        data, at = self._data, self._at + self._length
        begins, there, last = self.offset - self._at, len(data), len(data) - 32
        unpack, most, found = self._whole_packet.unpack_from, self._most, []
        while at <= last:
            kind, length, interface, high, low, size, sent = unpack(data, at)
            end = at + length
            if (
                kind != PACKET
                or length != 32 + size + (-size & 3)
                or sent != size
                or end > there
                or length > most
                or data[end - 4 : end] != data[at + 4 : at + 8]
            ):
                break
            found.append((begins + at, interface, high << 32 | low, data[at + 28 : at + 28 + size]))
            at = end
        self.offset, self._at, self._length = begins + at, at, 0
        return found

    def next(self) -> tuple[int, bytes] | None:
        """As `block`, but raises Damage where what comes next cannot be read."""
        self.offset += self._length
        data, at = self._data, self._at + self._length
        self._at, self._length = at, 0
        if len(data) - at < 12:
            self._data, self._at = data, at = self._more(data[at:], 12), 0
            if not data and self.offset:
                return None
            self._check_head(data)
        kind, length = self._frame.unpack_from(data, at)
        if kind == SECTION:
            self._section_order(data[at + 8 : at + 12])
            kind, length = self._frame.unpack_from(data, at)
        if length < 12 or length & 3 or length > self._most:
            raise Damage(
                self.offset,
                f"a block that says it is {length} bytes long; it can be 12 to {self._most}, by fours",
            )
        if len(data) - at < length:
            self._data, self._at = data, at = self._more(data[at:], length), 0
            if len(data) < length:
                raise Damage(self.offset, f"{len(data)} bytes of a block of {length}")
        block = data[at : at + length]
        if not block.endswith(block[4:8]):
            raise Damage(self.offset, "a block whose two lengths differ")
        self._length = length
        return kind, block

    def go_on(self, sound: Sound) -> bool:
        """Go from a damaged block to the next packet that is whole; say whether there is one.

        A block whose frame is whole is passed over by that. Else each place is looked at where a packet may begin: at
        a multiple of 4 bytes (section 3.1), with its type, and its length twice. `sound` is asked whether a packet's
        interface and timestamp can be. Once the file's end was met nothing is read any more: one that is being
        written to is not damaged where it ends.
        """
        if self._length:
            return True
        self._go_to(self._at + 4)
        while not self._find(sound):
            if not (self._blocked and (there := self._pass_over(self._file)) is not None):
                return False
            self.offset, self._data, self._at, self._blocked = there, b"", 0, False
        return True

    def _go_to(self, at: int) -> None:
        self.offset, self._at = self.offset + at - self._at, at

    def _find(self, sound: Sound) -> bool:
        """Look for a packet in what can be read in one piece."""
        kind = struct.pack(self.order + "I", PACKET)
        while True:
            if (at := self._data.find(kind, self._at)) >= 0:
                self._go_to(at)
                if self.offset & 3 == 0 and self._begins_packet(sound):
                    return True
                self._go_to(self._at + 1)
                continue
            self._go_to(max(self._at, len(self._data) - len(kind) + 1))
            if not self._has(len(self._data) - self._at + 1):
                return False

    def _begins_packet(self, sound: Sound) -> bool:
        if not self._has(32):
            return False
        length = self._frame.unpack_from(self._data, self._at)[1]
        if length > self._most or length < 32 or not self._has(length):
            return False
        return self.holds_packet(self._data[self._at : self._at + length], sound)

    def holds_packet(self, block: bytes, sound: Sound) -> bool:
        """Whether a block is made as our packets are, whatever its type says."""
        if len(block) < 32:
            return False
        _, length, interface, high, low, size, sent = self._whole_packet.unpack_from(block)
        whole = length == len(block) == 32 + size + (-size & 3) and sent == size and block.endswith(block[4:8])
        return whole and sound(interface, high << 32 | low)

    def _has(self, need: int) -> bool:
        """Whether so many bytes are there from the current place on, once they were read."""
        if len(self._data) - self._at < need and not self._blocked:
            with suppress(Damage):
                self._data, self._at = self._more(self._data[self._at :], need), 0
        return len(self._data) - self._at >= need

    def _more(self, have: bytes, need: int) -> bytes:
        parts, size = [have], len(have)
        try:
            while size < need and not self._ended:
                part = self._file.read1(READ_BYTES)  # type: ignore[attr-defined]  # no more than is read in one go
                self._ended = not part
                parts.append(part)
                size += len(part)
        except (EOFError, BadGzipFile, zlib.error) as error:
            self._data, self._at, self._blocked = b"".join(parts), 0, True
            raise Damage(self.offset, f"what was compressed is damaged: {error}") from error
        except OSError as error:
            raise ExternalError(
                f"capture {self._path}: reading at offset {self.offset} failed: {system_words(error)}; check the disk"
            ) from error
        return b"".join(parts)

    def _check_head(self, head: bytes) -> None:
        """Refuse a file that does not begin as pcapng does, and a block of which hardly anything is there."""
        if self.offset == 0 and head[:4] != SECTION_MAGIC[: len(head)]:
            raise UsageError(
                f"{self._path} is not a capture: at offset 0 stands {head[:4].hex(' ')}, a pcapng file "
                "starts with 0a 0d 0d 0a; name a file that benchd captured; text that a terminal program saved "
                f"is read by `benchd replay --text {self._path}`"
            )
        if len(head) < 12:
            raise Damage(self.offset, f"{len(head)} bytes of a block that is not whole")

    def _section_order(self, mark: bytes) -> None:
        """Go by the byte order that a section's mark tells."""
        if mark not in BYTE_ORDER:
            if self.offset:
                raise Damage(self.offset, "a section without its byte-order mark")
            raise UsageError(
                f"{self._path} is not a capture: at offset 8 stands {mark.hex(' ')}, which is no "
                "pcapng byte-order mark; name a file that benchd captured"
            )
        self._go_by(BYTE_ORDER[mark])

    # What stands inside a block. All raise Damage where it cannot be understood.

    def section(self, block: bytes) -> list[tuple[int, Value]]:
        """The options of a Section Header Block."""
        if len(block) < 28:
            raise self._short()
        return self._options(block, 24, SECTION_OPTIONS)

    def interface(self, block: bytes) -> tuple[int, dict[int, Value]]:
        """The link type of an Interface Description Block, and the first option of each code."""
        if len(block) < 20:
            raise self._short()
        (link_type,) = struct.unpack_from(self.order + "H", block, 8)
        options: dict[int, Value] = {}
        for code, value in self._options(block, 16, INTERFACE_OPTIONS):
            options.setdefault(code, value)
        return link_type, options

    def packet(self, block: bytes) -> tuple[int, int, bytes]:
        """The interface, the timestamp and the bytes of an Enhanced Packet Block."""
        length = len(block)
        if length < 32:
            raise self._short()
        interface, high, low, size, sent = self._packet.unpack_from(block, 8)
        end = 28 + size
        if end + 4 + (-size & 3) != length:
            self._check_packet(block, end, length - 32)
        if sent < size:
            raise self._not_understood(f"{size} bytes kept of {sent}")
        return interface, high << 32 | low, block[28:end]

    def _check_packet(self, block: bytes, end: int, there: int) -> None:
        """Look at what stands after the bytes of a packet, which has room for `there`."""
        if end - 28 > there:
            raise self._short() if not there else self._cut(end - 28, there)
        self._options(block, end + (-end & 3), PACKET_OPTIONS)

    def _options(self, block: bytes, at: int, kinds: Mapping[int, str]) -> list[tuple[int, Value]]:
        found: list[Option] = []
        end = len(block) - 4
        while at < end:
            code, size = struct.unpack_from(self.order + "HH", block, at)
            at += 4
            if code == 0 or (size and at == end):
                break
            value = block[at : min(at + size, end)]
            if len(value) < size:
                raise self._cut(size, len(value))
            at += size + (-size & 3)
            found.append((code, value))
        return [(code, self._value(kinds.get(code), value)) for code, value in found]

    def _value(self, kind: str | None, value: bytes) -> Value:
        try:
            if kind == TEXT:
                return value.decode("utf-8")
            return value if kind is None else int(struct.unpack(self.order + kind, value)[0])
        except (UnicodeDecodeError, struct.error) as error:
            raise self._not_understood(str(error)) from error

    def _short(self) -> Damage:
        return Damage(self.offset, "a block shorter inside than it says")

    def _cut(self, size: int, there: int) -> Damage:
        return self._not_understood(f"Trying to read {size} bytes, only got {there}")

    def _not_understood(self, why: str) -> Damage:
        return Damage(self.offset, f"a block that cannot be understood ({why})")
