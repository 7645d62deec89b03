"""Reading a capture: all whole blocks, and where and why some could not be read, or it breaks off."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

from benchd.capture import layout, letgo
from benchd.capture.blocks import COMMENT, INTERFACE, PACKET, SECTION, TSRESOL, BlockReader, Damage, Packet, Value
from benchd.capture.packed import open_capture, pass_over, plain_name
from benchd.errors import ExternalError, UsageError, system_words
from benchd.vocabulary.records import UNREAD, Annotation, Chunk, LinkInfo, Record
from benchd.vocabulary.times import NS

EARLY_NS, LATE_NS = 86_400 * NS, 20 * 366 * 86_400 * NS
"""So much before its run began, and after, a packet may stand that is found behind a damage."""
HOLES_TOLD = 5
"""Places that are told one by one."""


@dataclass(slots=True)
class Capture:
    """A capture's header; `records()` streams the rest and may be called any number of times.

    `links` are the links as they were when the capture began. `wall_ns` and `mono_ns` are one instant on both
    clocks. `version` is the layout version, 0 when the file breaks off inside its header. `run` counts the runs of
    a data folder, `file` the files of a run; None in captures of before these were told.
    """

    path: Path
    machine: str = ""
    table: str = ""
    links: tuple[LinkInfo, ...] = ()
    wall_ns: int = 0
    mono_ns: int = 0
    version: int = 0
    run: int | None = None
    file: int | None = None
    order: str = field(default="<", repr=False)
    """Byte order, as `struct` writes it."""
    header_bytes: int = field(default=0, repr=False)
    """Where the first packet may stand."""
    _problem: str | None = field(default=None, repr=False)
    _read_through: bool = field(default=False, repr=False)

    @property
    def problem(self) -> str | None:
        """What of the capture cannot be read, where and why; None if it is whole. Reads it through unless it was."""
        if not self._read_through:
            for _ in self.records():
                pass
        return self._problem

    def records(self) -> Iterator[Record]:
        """The records in the order written. Raises ExternalError if the disk fails.

        Damage costs the blocks that it struck: an annotation of key "unread" says where something is missing.
        """
        with self._from(self.header_bytes) as source:
            for _, record in self._packets(source):
                yield record

    def placed(self, start: int = 0) -> Iterator[tuple[int, Record]]:
        """The records, each with the offset of its block, from `start` (where a block begins; 0: the first) on."""
        with self._from(start or self.header_bytes) as source:
            yield from self._packets(source)

    @contextmanager
    def _from(self, start: int) -> Iterator[BlockReader]:
        with _open(self.path) as file:
            file.seek(start)
            yield BlockReader(file, self.path, layout.MAX_BLOCK, offset=start, order=self.order, pass_over=pass_over)

    def _packets(self, source: BlockReader) -> Iterator[tuple[int, Record]]:
        if not self.version:
            return
        back_ns = self.mono_ns - self.wall_ns
        names = [link.name for link in self.links]
        events = len(names)
        holes, last_ns = Holes(), None
        while (packets := self._next(source, holes)) is not None:
            for offset, number, stamp_ns, payload in packets:
                t_ns = stamp_ns + back_ns
                record: Record
                if number < events:
                    record = Chunk(names[number], t_ns, payload)
                else:
                    try:
                        record = _event(offset, number, events, payload, t_ns)
                    except Damage as damage:
                        holes.opens(damage)
                        continue
                if holes.open is not None:
                    yield holes.open.offset, holes.closes(offset, t_ns if last_ns is None else last_ns, t_ns)
                last_ns = t_ns
                yield offset, record
        self._problem, self._read_through = holes.in_words(), True

    def _next(self, source: BlockReader, holes: Holes) -> list[Packet] | None:
        """The packets that come next, none of them where another block or a damage does, None at the end."""
        try:
            return source.packets() or self._further(source)
        except Damage as damage:
            holes.opens(damage)
            return None if damage.final or not source.go_on(self._can_be) else []

    def _can_be(self, interface: int, stamp_ns: int) -> bool:
        """Whether a packet's interface is described, and its time one of this run."""
        return interface <= len(self.links) and -EARLY_NS <= stamp_ns - self.wall_ns <= LATE_NS

    def _further(self, source: BlockReader) -> list[Packet] | None:
        """The packet in the next block, nothing where that is another kind of block, None at the end."""
        if (found := source.next()) is None:
            return None
        kind, block = found
        if kind == PACKET:
            return [(source.offset, *source.packet(block))]
        if source.holds_packet(block, self._can_be):
            raise Damage(source.offset, f"a packet that says it is a block of type {kind}")
        if kind == SECTION:
            source.section(block)
            raise Damage(source.offset, "a second section starts; only the first is read", final=True)
        if kind == INTERFACE:
            source.interface(block)
        return []


@dataclass(slots=True)
class Holes:
    """What of a capture could not be read though something behind it could: `open` while nothing was yet."""

    open: Damage | None = None
    _told: list[str] = field(default_factory=list)
    _further: int = 0
    _bytes: int = 0

    def opens(self, damage: Damage) -> None:
        self.open = self.open or damage

    def closes(self, offset: int, since_ns: int, until_ns: int) -> Annotation:
        """The next record stands at an offset: return the one that tells of the hole, from the record before on."""
        assert self.open is not None
        begins, size = self.open.offset, offset - self.open.offset
        self._bytes += size
        if len(self._told) < HOLES_TOLD:
            self._told.append(
                f"{size:,} bytes from offset {begins} to {offset} could not be read ({self.open.why}); "
                "what stands behind them was read"
            )
        else:
            self._further += 1
        self.open = None
        return Annotation(since_ns, UNREAD, f"{max(0, until_ns - since_ns)} {size}")

    def in_words(self) -> str | None:
        told = list(self._told)
        if self._further:
            told.append(f"{self._further} further places like these, {self._bytes:,} bytes of it in all")
        if self.open is not None:
            told.append(str(self.open))
        return "; ".join(told) or None


def _event(offset: int, number: int, events: int, payload: bytes, t_ns: int) -> Record:
    if number > events:
        raise Damage(offset, f"a packet of interface {number}, which is not described")
    try:
        return layout.event_from_payload(payload, t_ns)
    except ValueError as error:
        raise Damage(offset, f"an event that cannot be read: {error}") from error


def read_capture(path: str | os.PathLike[str]) -> Capture:
    """Open the capture at `path`, compressed or not, and read its header.

    A file that breaks off, even inside its header, is read as far as it goes. Raises UsageError (with the
    offset) for a file that is missing or is no capture of ours, ExternalError if the disk fails.
    """
    where = plain_name(Path(path))
    with _open(where) as file:
        source = BlockReader(file, where, layout.MAX_BLOCK)
        capture = Capture(where)
        try:
            _read_header(source, capture)
        except Damage as damage:
            return Capture(where, _problem=str(damage), _read_through=True)
        return capture


def _read_header(source: BlockReader, capture: Capture) -> None:
    """Read the section header and the interface descriptions into `capture`, as far as they are whole.

    Raises Damage where one that is whole is not as it must be.
    """
    expected, links = 0, []
    for whole, (kind, block) in enumerate(source.blocks()):
        if not whole:
            expected = _about(source.section(block), capture)
        elif kind != INTERFACE:
            raise Damage(source.offset, f"interface description {whole} of {expected + 1} is missing")
        else:
            comment = _link_comment(source, block)
            if whole <= expected:
                try:
                    links.append(layout.link_from_comment(comment))
                except ValueError as error:
                    raise Damage(source.offset, f"a link description that cannot be read: {error}") from error
        if whole == expected + 1:
            capture.header_bytes = source.offset + len(block)
            break
    else:
        capture.wall_ns = capture.mono_ns = capture.version = 0
        capture.run = capture.file = None
        capture._read_through = True
        capture._problem = source.problem or f"breaks off at offset {source.offset}: the header is not whole"
    capture.order, capture.links = source.order, tuple(links)


def _link_comment(source: BlockReader, block: bytes) -> str:
    link_type, options = source.interface(block)
    if (link_type, options.get(TSRESOL)) != (layout.LINKTYPE_USER0, layout.TSRESOL_NS):
        raise Damage(source.offset, "an interface that is not link type 147 in nanoseconds")
    return str(options.get(COMMENT, ""))


def _about(options: list[tuple[int, Value]], capture: Capture) -> int:
    """Take over what the section's comment says; return the number of links."""
    path = capture.path
    for code, comment in options:
        try:
            about = layout.parse_object(str(comment)) if code == COMMENT else {}
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
        raise Damage(0, "a section comment that is not as the layout says")
    if not 0 <= about["links"] <= layout.MAX_LINKS:
        raise Damage(0, f"{about['links']} links announced; from 0 to {layout.MAX_LINKS} can be")
    capture.machine, capture.table = about["machine"], about["table"]
    capture.wall_ns, capture.mono_ns, capture.version = about["wall_ns"], about["mono_ns"], layout.LAYOUT_VERSION
    capture.run, capture.file = (n if type(n := about.get(key)) is int and n >= 0 else None for key in ("run", "file"))
    return int(about["links"])


def _open(path: Path) -> BinaryIO:
    try:
        return open_capture(path)
    except FileNotFoundError as error:
        if (gone := letgo.in_words(path)) is not None:
            raise UsageError(
                f"capture {path} {gone}: its codes and lines are gone, the records of boots stay"
            ) from error
        raise UsageError(f"capture {path}: {system_words(error)}; name a capture file") from error
    except (IsADirectoryError, NotADirectoryError) as error:
        raise UsageError(f"capture {path}: {system_words(error)}; name a capture file") from error
    except OSError as error:
        raise ExternalError(f"capture {path} cannot be read: {system_words(error)}; check its permissions") from error
