"""Captures that are compressed: `NAME.pcapng.gz` beside where the capture was, read as if it were that.

A capture keeps its name for whoever asks for it, the store and the index too; only here it matters how it lies on the
disk. The form is gzip in blocks (BGZF: SAM/BAM format specification, section 4.1; RFC 1952): any program that reads
gzip opens it, pcapng tools among them, and reading may begin at any block without going through those before.
"""

from __future__ import annotations

import gzip
import io
import os
import shutil
import struct
import zlib
from bisect import bisect_right
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import BinaryIO

from benchd.capture.writer import sync_directory
from benchd.errors import ExternalError, system_words

CAPTURE, SUFFIX = ".pcapng", ".gz"
ROOM = 0xFF00
"""Bytes of a capture in a block: what cannot be made smaller still fits into the 64 KiB of one."""
LEVEL = 6
MAGIC = b"\x1f\x8b"
_HEAD = struct.Struct("<4BI2BH2BHH")
_TAIL = struct.Struct("<II")
_FIXED = (0x1F, 0x8B, 8, 4, 0, 0, 0xFF, 6, 66, 67, 2)
"""gzip, deflate, an extra field; no time, unknown system; its subfield `BC` of two bytes: the block's size less 1."""
_BEGIN = _HEAD.pack(*_FIXED, 0)[:-2]
END = bytes.fromhex("1f8b08040000000000ff0600424302001b0003000000000000000000")
"""The empty block that ends a whole file."""


def plain_name(path: Path) -> Path:
    """Return the name of the capture that lies at a path, compressed or not."""
    return path.with_suffix("") if path.name.endswith(CAPTURE + SUFFIX) else path


def packed_name(capture: Path) -> Path:
    """Return where a capture lies once it is compressed."""
    return capture.with_name(capture.name + SUFFIX)


def file_of(capture: Path) -> Path | None:
    """Return the file that a capture lies in, None where there is none."""
    if not capture.name:  # the root: no file has its name
        return None
    return next((path for path in (capture, packed_name(capture)) if path.is_file()), None)


def captures_in(folder: Path) -> list[Path]:
    """Return the names of all captures in a folder, compressed ones too; [] where there is no such folder."""
    try:
        found = {plain_name(path) for path in folder.iterdir()}
    except OSError:
        return []
    return sorted(path for path in found if path.suffix == CAPTURE)


def open_capture(path: Path) -> BinaryIO:
    """Open a capture for reading, compressed or not. Raises OSError."""
    try:
        file = open(path, "rb")  # noqa: SIM115  # it is given to the caller
    except FileNotFoundError:
        if not packed_name(path).is_file():
            raise
        path = packed_name(path)
        file = open(path, "rb")  # noqa: SIM115
    if (head := file.peek(_HEAD.size)[: _HEAD.size])[:2] != MAGIC:
        return file
    if len(head) == _HEAD.size and _HEAD.unpack(head)[:-1] == _FIXED:
        return io.BufferedReader(Unpacked(file), 65_536)
    file.close()  # a person compressed it: it can be read from the beginning only
    return gzip.open(path, "rb")  # type: ignore[return-value]


def pass_over(file: BinaryIO) -> int | None:
    """Go on in an opened capture behind the block that could not be unpacked; return where that is in the capture.

    None where it is not compressed in blocks: then nothing behind a damage can be had.
    """
    raw = getattr(file, "raw", None)
    there = raw.behind() if isinstance(raw, Unpacked) else None
    return None if there is None else file.seek(there)


def pieces(file: BinaryIO) -> Iterator[bytes]:
    """What an opened capture holds, as far as it can be had, piece by piece."""
    while True:
        try:
            data = file.read1(ROOM)  # type: ignore[attr-defined]
        except (gzip.BadGzipFile, zlib.error, EOFError):
            if pass_over(file) is None:
                return
            continue
        if not data:
            return
        yield data


class Unpacked(io.RawIOBase):
    """What a compressed capture holds. Seeking costs a look at the head of each block passed for the first time.

    Raises gzip.BadGzipFile for a block that is none or is damaged, EOFError where the end is missing. A bad block
    takes the room of a full one, as all but the last have, so that what is behind it keeps its place.
    """

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self._begins, self._places = [0], [0]
        """Where each known block begins, in the capture and in the file; the last one may be behind the end."""
        self._ended = False
        self._bad: dict[int, Exception] = {}
        """Blocks of which not even the size can be told."""
        self._block, self._data = -1, b""
        self._pos = 0

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def tell(self) -> int:
        return self._pos

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        base = {os.SEEK_SET: 0, os.SEEK_CUR: self._pos}.get(whence)
        self._pos = max(0, offset + (self.size() if base is None else base))
        return self._pos

    def size(self) -> int:
        """Return how many bytes the capture has."""
        while not self._ended:
            self._pass()
        return self._begins[-1]

    def readinto(self, buffer: memoryview) -> int:  # type: ignore[override]
        while self._begins[-1] <= self._pos and not self._ended:
            self._pass()
        if self._pos >= self._begins[-1]:
            return 0
        block = bisect_right(self._begins, self._pos) - 1
        if block != self._block:
            self._data, self._block = self._read(block), block
        at = self._pos - self._begins[block]
        part = self._data[at : at + len(buffer)]
        buffer[: len(part)] = part
        self._pos += len(part)
        return len(part)

    def behind(self) -> int | None:
        """Return where in the capture the block after the current one begins, None where there is none."""
        after = bisect_right(self._begins, self._pos)
        return self._begins[after] if after < len(self._begins) else None

    def close(self) -> None:
        self._file.close()
        super().close()

    def _head(self, place: int) -> int:
        """Return the size of the block at a place in the file."""
        self._file.seek(place)
        head = self._file.read(_HEAD.size)
        if len(head) < _HEAD.size:
            raise EOFError("its end is missing")
        *fixed, less = _HEAD.unpack(head)
        if tuple(fixed) != _FIXED or less < _HEAD.size + _TAIL.size:
            raise gzip.BadGzipFile(f"no block at byte {place} of the compressed file")
        return int(less) + 1

    def _pass(self) -> None:
        """Take note of where the next block ends."""
        place = self._places[-1]
        try:
            length, size = self._sizes(place)
        except (gzip.BadGzipFile, EOFError) as error:
            if (after := self._next_after(place)) is None:
                raise
            self._bad[len(self._places) - 1] = error
            length, size = after - place, ROOM
        self._begins.append(self._begins[-1] + size)
        self._places.append(place + length)
        self._ended = size == 0

    def _sizes(self, place: int) -> tuple[int, int]:
        """Return how long the block at a place is, and what it holds. Raises EOFError, and BadGzipFile in doubt."""
        length = self._head(place)
        self._file.seek(place + length - 4)
        ends = self._file.read(4 + len(_BEGIN))
        if len(ends) < 4:
            raise EOFError("its end is missing")
        size, after = int.from_bytes(ends[:4], "little"), ends[4:]
        if (size, after) in ((ROOM, _BEGIN), (0, b"")):
            return length, size
        return length, len(self._unpack(place, place + length))  # the last one, or one of which the size is damaged

    def _next_after(self, place: int) -> int | None:
        """Return where a block begins behind a place, None where none does."""
        at, kept = place + 1, b""
        self._file.seek(at)
        while part := self._file.read(1 << 16):
            kept += part
            if (found := kept.find(_BEGIN)) >= 0:
                return at + found
            at += max(0, len(kept) - len(_BEGIN))
            kept = kept[-len(_BEGIN) :]
        return None

    def _read(self, block: int) -> bytes:
        if block in self._bad:
            raise self._bad[block]
        place, end = self._places[block : block + 2]
        try:
            return self._unpack(place, end)
        except gzip.BadGzipFile as error:
            self._bad[block] = error
            raise

    def _unpack(self, place: int, end: int) -> bytes:
        self._file.seek(place)
        raw = self._file.read(end - place)
        # A block says itself how long it is, so what is made of it stays that small, whatever stands in it.
        try:
            data = zlib.decompressobj(-15).decompress(raw[_HEAD.size : -_TAIL.size], 1 << 16)
        except zlib.error as error:
            raise gzip.BadGzipFile(f"the block at byte {place} of the compressed file is damaged: {error}") from error
        if _TAIL.unpack(raw[-_TAIL.size :]) != (zlib.crc32(data), len(data)):
            raise gzip.BadGzipFile(f"the block at byte {place} of the compressed file is damaged")
        return data


def pack(capture: Path, pause: Callable[[], None] = lambda: None) -> None:
    """Compress a capture that nobody writes to any more. Whatever breaks off, it is there whole, one way or the other.

    The compressed file is written beside, put on the disk and held against the capture before that goes.
    `pause` is called after each block; what it raises ends the work. Raises ExternalError where the disk fails or the
    capture changed meanwhile.
    """
    target = packed_name(capture)
    part = target.with_name(f".{target.name}.part")
    try:
        with open(capture, "rb") as file:
            facts = os.fstat(file.fileno())
            if not (target.is_file() and _same(file, target, pause)):
                with open(part, "wb") as out:
                    _write(file, out, facts.st_size, pause)
                if not _same(file, part, pause):
                    raise ExternalError(f"capture {capture}: changed while it was compressed; it stays as it is")
                shutil.copymode(capture, part)
                os.utime(part, ns=(facts.st_atime_ns, facts.st_mtime_ns))
                os.replace(part, target)
            now = os.stat(capture)
        if (now.st_ino, now.st_size, now.st_mtime_ns) != (facts.st_ino, facts.st_size, facts.st_mtime_ns):
            target.unlink()
            raise ExternalError(f"capture {capture}: changed while it was compressed; it stays as it is")
        sync_directory(capture.parent)
        capture.unlink()
    except OSError as error:
        raise ExternalError(
            f"capture {capture} cannot be compressed: {system_words(error)}; it stays as it is"
        ) from error
    finally:
        part.unlink(missing_ok=True)


def _write(file: BinaryIO, out: BinaryIO, size: int, pause: Callable[[], None]) -> None:
    file.seek(0)
    while data := file.read(min(ROOM, size - file.tell())):
        packer = zlib.compressobj(LEVEL, zlib.DEFLATED, -15)
        body = packer.compress(data) + packer.flush()
        if len(body) > ROOM:  # noise: kept as it is, see RFC 1951, section 3.2.4
            packer = zlib.compressobj(0, zlib.DEFLATED, -15)
            body = packer.compress(data) + packer.flush()
        out.write(_HEAD.pack(*_FIXED, _HEAD.size + len(body) + _TAIL.size - 1))
        out.write(body)
        out.write(_TAIL.pack(zlib.crc32(data), len(data)))
        pause()
    out.write(END)
    out.flush()
    os.fsync(out.fileno())


def _same(file: BinaryIO, packed: Path, pause: Callable[[], None]) -> bool:
    """Whether a compressed file, read from the disk, holds just what another file does."""
    file.seek(0)
    try:
        with open(packed, "rb") as raw, Unpacked(raw) as other:
            while True:
                data = file.read(ROOM)
                if data != other.read(ROOM):
                    return False
                if not data:
                    return True
                pause()
    except (gzip.BadGzipFile, EOFError):
        return False
