"""Reading a capture: all whole blocks, and where and why it breaks off if it does."""

from __future__ import annotations

import io
import os
import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO

from pcapng import FileScanner, blocks
from pcapng.exceptions import PcapngException
from pcapng.structs import read_block_data

from benchd.capture import layout
from benchd.errors import ExternalError, UsageError
from benchd.vocabulary.records import Chunk, LinkInfo, Record

SECTION_MAGIC = b"\x0a\x0d\x0d\x0a"
BYTE_ORDER = {b"\x4d\x3c\x2b\x1a": "<", b"\x1a\x2b\x3c\x4d": ">"}
IDB_TYPE = 1
EPB_TYPE = 6
PARSE_ERRORS = (
    PcapngException,
    ValueError,
    KeyError,
    IndexError,
    TypeError,
    AttributeError,
    AssertionError,
    struct.error,
    OSError,  # addresses that are none
)
"""What the library raises on blocks whose inside is damaged."""


@dataclass(slots=True)
class Capture:
    """A capture's header; `records()` streams the rest and may be called any number of times.

    `links` are the links as they were when the capture began. `wall_ns` and `mono_ns` are one instant on both
    clocks. `version` is the layout version, 0 when the file breaks off inside its header.
    """

    path: Path
    machine: str = ""
    table: str = ""
    links: tuple[LinkInfo, ...] = ()
    wall_ns: int = 0
    mono_ns: int = 0
    version: int = 0
    _problem: str | None = field(default=None, repr=False)
    _read_through: bool = field(default=False, repr=False)

    @property
    def problem(self) -> str | None:
        """Where and why the capture breaks off, None if it is whole. Reads it through unless that was done."""
        if not self._read_through:
            for _ in self.records():
                pass
        return self._problem

    def records(self) -> Iterator[Record]:
        """The records in the order written. Raises ExternalError if the disk fails; damage ends the stream."""
        with _open(self.path) as file:
            source = _WholeBlocks(file, self.path)
            problem = None
            try:
                header = _read_header(source, self.path)
                problem = header._problem
                if problem is None:
                    yield from self._packets(source, len(header.links))
            except _Damage as damage:
                problem = str(damage)
            self._problem = problem or source.problem
            self._read_through = True

    def _packets(self, source: _WholeBlocks, links: int) -> Iterator[Record]:
        back_ns = self.mono_ns - self.wall_ns
        names = [link.name for link in self.links]
        for block in source.blocks():
            if isinstance(block, blocks.SectionHeader):
                raise _Damage(source.offset, "a second section starts; only the first is read")
            if not isinstance(block, blocks.EnhancedPacket):
                continue
            t_ns = ((block.timestamp_high << 32) | block.timestamp_low) + back_ns
            number = block.interface_id
            if number < links:
                yield Chunk(names[number], t_ns, block.packet_data)
            elif number == links:
                try:
                    event = layout.event_from_payload(block.packet_data, t_ns)
                except ValueError as error:
                    raise _Damage(source.offset, f"an event that cannot be read: {error}") from error
                yield event
            else:
                raise _Damage(source.offset, f"a packet of interface {number}, which is not described")


def read_capture(path: str | os.PathLike[str]) -> Capture:
    """Open the capture at `path` and read its header.

    A file that breaks off, even inside its header, is read as far as it goes. Raises UsageError (with the
    offset) for a file that is missing or is no capture of ours, ExternalError if the disk fails.
    """
    where = Path(path)
    with _open(where) as file:
        source = _WholeBlocks(file, where)
        try:
            return _read_header(source, where)
        except _Damage as damage:
            return Capture(where, _problem=str(damage), _read_through=True)


class _Damage(Exception):
    def __init__(self, offset: int, why: str) -> None:
        super().__init__(f"breaks off at offset {offset}: {why}")


class _WholeBlocks(io.RawIOBase):
    """A stream for the library that holds whole, well-framed blocks only.

    The library takes an end of file inside a block for the end of the file, and believes any length.
    `offset` is where the current block starts, `problem` why the stream ended early.
    """

    def __init__(self, file: BinaryIO, path: Path) -> None:
        super().__init__()
        self._file = file
        self._path = path
        self._order = "<"
        self._block = b""
        self._pos = 0
        self._at_end = False
        self.offset = 0
        self.problem: str | None = None

    def tell(self) -> int:
        return self._pos

    def read(self, size: int = -1) -> bytes:
        if self._pos == len(self._block) and not self._at_end:
            self.offset += len(self._block)
            try:
                self._block = self._next()
            except OSError as error:
                raise ExternalError(
                    f"capture {self._path}: reading at offset {self.offset} failed: {error.strerror}; check the disk"
                ) from error
            except _Damage as damage:
                self.problem, self._block = str(damage), b""
            self._at_end = not self._block
            self._pos = 0
        data = self._block[self._pos : self._pos + size]
        self._pos += len(data)
        return data

    def _next(self) -> bytes:
        head = self._file.read(12)
        if not head and self.offset:
            return b""
        if self.offset == 0:
            self._check_start(head)
        if len(head) < 12:
            raise _Damage(self.offset, f"{len(head)} bytes of a block that is not whole")
        if head[:4] == SECTION_MAGIC:
            order = BYTE_ORDER.get(head[8:])
            if order is None:
                raise _Damage(self.offset, "a section without its byte-order mark")
            self._order = order
        (length,) = struct.unpack(self._order + "I", head[4:8])
        if length < 12 or length % 4 or length > layout.MAX_BLOCK:
            raise _Damage(
                self.offset,
                f"a block that says it is {length} bytes long; it can be 12 to {layout.MAX_BLOCK}, by fours",
            )
        block = head + self._file.read(length - 12)
        if len(block) < length:
            raise _Damage(self.offset, f"{len(block)} bytes of a block of {length}")
        if block[-4:] != block[4:8]:
            raise _Damage(self.offset, "a block whose two lengths differ")
        return block

    def _check_start(self, head: bytes) -> None:
        if head[:4] != SECTION_MAGIC[: len(head)]:
            raise UsageError(
                f"{self._path} is not a capture: at offset 0 stands {head[:4].hex(' ')}, a pcapng file "
                "starts with 0a 0d 0d 0a; name a file that benchd captured"
            )
        if len(head) == 12 and head[8:] not in BYTE_ORDER:
            raise UsageError(
                f"{self._path} is not a capture: at offset 8 stands {head[8:].hex(' ')}, which is no "
                "pcapng byte-order mark; name a file that benchd captured"
            )

    def blocks(self) -> Iterator[Any]:
        """The blocks from here on. Raises _Damage where one's inside cannot be understood."""
        if not hasattr(self, "_scanner"):
            self._scanner = _Scanner(self)
        try:
            yield from self._scanner
        except PARSE_ERRORS as error:
            raise _Damage(self.offset, f"a block that cannot be understood ({error})") from error
        if not self._at_end:  # the library mistook a short inside for the end of the file
            raise _Damage(self.offset, "a block shorter inside than it says")


class _Scanner(FileScanner):  # type: ignore[misc]
    __slots__ = ()

    def _read_block(self, block_type: int) -> Any:
        if block_type == EPB_TYPE:
            return super()._read_block(block_type)
        data = read_block_data(self.stream, endianness=self.endianness)
        if block_type != IDB_TYPE:  # not ours: whatever it holds, skip it
            return blocks.UnknownBlock(block_type, data)
        return self.current_section.new_member(layout.InterfaceDescription, raw=data)


def _read_header(source: _WholeBlocks, path: Path) -> Capture:
    """Read the section header and the interface descriptions. Raises _Damage when they are not whole."""
    stream = source.blocks()
    section = next(stream, None)
    if section is None:
        return Capture(path, _problem=source.problem, _read_through=True)
    capture, expected = _about(section, path)
    links: list[LinkInfo] = []
    for number in range(expected + 1):
        block = next(stream, None)
        if block is None:
            what = source.problem or f"breaks off at offset {source.offset}: the header is not whole"
            return Capture(path, capture.machine, capture.table, tuple(links), _problem=what, _read_through=True)
        if not isinstance(block, blocks.InterfaceDescription):
            raise _Damage(source.offset, f"interface description {number + 1} of {expected + 1} is missing")
        if (block.link_type, block.options.get("if_tsresol")) != (layout.LINKTYPE_USER0, layout.TSRESOL_NS):
            raise _Damage(source.offset, "an interface that is not link type 147 in nanoseconds")
        if number < expected:
            try:
                links.append(layout.link_from_comment(block.options.get("opt_comment", "")))
            except ValueError as error:
                raise _Damage(source.offset, f"a link description that cannot be read: {error}") from error
    capture.links = tuple(links)
    return capture


def _about(section: Any, path: Path) -> tuple[Capture, int]:
    for comment in section.options.get_all("opt_comment"):
        try:
            about = layout.parse_object(comment)
        except ValueError:
            continue
        if layout.MARK in about:
            break
    else:
        raise UsageError(
            f"{path} is a pcapng file of another program: the section header at offset 0 has no "
            f"'{layout.MARK}' comment; name a file that benchd captured"
        )
    version = about[layout.MARK]
    if type(version) is int and version > layout.LAYOUT_VERSION:
        raise UsageError(
            f"{path} has capture layout {version} (offset 0); this benchd reads up to "
            f"{layout.LAYOUT_VERSION}: use the newer benchd that wrote it"
        )
    wanted = {"machine": str, "table": str, "wall_ns": int, "mono_ns": int, "links": int}
    if version != layout.LAYOUT_VERSION or any(type(about.get(key)) is not kind for key, kind in wanted.items()):
        raise _Damage(0, "a section comment that is not as the layout says")
    if not 0 <= about["links"] <= layout.MAX_LINKS:
        raise _Damage(0, f"{about['links']} links announced; from 0 to {layout.MAX_LINKS} can be")
    capture = Capture(
        path, about["machine"], about["table"], (), about["wall_ns"], about["mono_ns"], layout.LAYOUT_VERSION
    )
    return capture, about["links"]


def _open(path: Path) -> BinaryIO:
    try:
        return open(path, "rb", buffering=65_536)
    except (FileNotFoundError, IsADirectoryError, NotADirectoryError) as error:
        raise UsageError(f"capture {path}: {error.strerror}; name a capture file") from error
    except OSError as error:
        raise ExternalError(f"capture {path} cannot be read: {error.strerror}; check its permissions") from error
