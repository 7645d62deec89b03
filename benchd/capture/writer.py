"""Writing a capture: whole blocks only, one system call for what comes together, nothing held back in memory."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType

from benchd import __version__
from benchd.capture import blocks, layout
from benchd.errors import ExternalError, UsageError, system_words
from benchd.vocabulary.records import Chunk, LinkInfo, Record


class CaptureWriter:
    """Appends records to a new capture file.

    `wall_ns` (since 1970, UTC) and `mono_ns` are the same instant on the two clocks; `run` counts the runs of a
    data folder, `file` the files of a run. A record that `write` has taken survives a kill of this process; one
    written before a `sync` survives a power cut as well.

    A write that fails leaves the file ending on a whole block, and the record out of it: the same writer may
    be tried again when the cause is gone. After a failed `sync`, or when the file could not be cut back, the
    writer refuses everything: go on in a new file.

    One thread writes and closes; `check` and `sync` may run in another, and neither waits for the other.
    Raises UsageError for a file that exists and for records that do not belong here, ExternalError for what the disk
    does.
    """

    def __init__(
        self,
        path: str | os.PathLike[str],
        *,
        machine: str,
        table: str,
        links: Sequence[LinkInfo],
        wall_ns: int,
        mono_ns: int,
        run: int | None = None,
        file: int | None = None,
    ) -> None:
        self.path = Path(path)
        self._offset_ns = wall_ns - mono_ns
        self._interface = {link.name: number for number, link in enumerate(links)}
        self._events = len(links)
        if len(self._interface) != len(links):
            raise UsageError(f"capture {self.path}: two links share a name: {[link.name for link in links]}")
        if len(links) > layout.MAX_LINKS:
            raise UsageError(f"capture {self.path}: {len(links)} links; at most {layout.MAX_LINKS} fit")
        about = {"machine": machine, "table": table, "links": len(links), "wall_ns": wall_ns, "mono_ns": mono_ns}
        about |= {key: n for key, n in (("run", run), ("file", file)) if n is not None}
        header = self._header(about, links)
        self._size = 0
        self._synced = 0
        self._broken: str | None = None
        self._lending = threading.Lock()
        self._fd = self._create()
        try:
            self._append(header)
            self.sync()
            sync_directory(self.path.parent)
        except BaseException:
            self._drop()
            self.path.unlink(missing_ok=True)  # holds no record yet
            raise

    def _header(self, about: dict[str, object], links: Sequence[LinkInfo]) -> bytes:
        comment = self._comment(layout.dump({layout.MARK: layout.LAYOUT_VERSION, **about}))
        program = f"benchd {__version__}".encode()
        out = [blocks.section_block([comment, (blocks.USER_APPLICATION, program)])]
        for link in links:
            name = link.name.encode("utf-8", "backslashreplace").decode()[:200]
            out.append(self._interface_block(name, layout.link_comment(link), link.speed))
        out.append(self._interface_block(layout.EVENTS_NAME, layout.dump({"role": "events"}), None))
        return b"".join(out)

    def _interface_block(self, name: str, comment: str, speed: int | None) -> bytes:
        options = [self._comment(comment), (blocks.NAME, name.encode()), (blocks.TSRESOL, layout.TSRESOL_NS)]
        if speed is not None and 0 <= speed < 2**64:
            options.append((blocks.SPEED, speed.to_bytes(8, "little")))
        return blocks.interface_block(layout.LINKTYPE_USER0, options)

    def _comment(self, text: str) -> blocks.Option:
        if len(text) > layout.MAX_COMMENT:
            raise UsageError(
                f"capture {self.path}: a description of {len(text)} bytes; at most {layout.MAX_COMMENT} fit: "
                "shorten the names of machine, table and links"
            )
        return blocks.COMMENT, text.encode()

    def _create(self) -> int:
        try:
            return os.open(self.path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND | os.O_CLOEXEC, 0o644)
        except FileExistsError as error:
            raise UsageError(f"capture {self.path} exists already; captures are never overwritten") from error
        except OSError as error:
            raise ExternalError(
                f"capture {self.path} cannot be created: {system_words(error)}; check the data directory"
            ) from error

    @property
    def size(self) -> int:
        """Bytes written so far."""
        return self._size

    @property
    def synced(self) -> int:
        """Bytes known to survive a power cut."""
        return self._synced

    @property
    def unusable(self) -> bool:
        """Whether this writer refuses everything from now on: go on in a new file."""
        return self._broken is not None

    def write(self, *records: Record) -> list[int]:
        """Append records, all or none of them; return where each one's block ends. The order is that in the file."""
        made, ends, end = [self._block(record) for record in records], [], self._size
        for block in made:
            end += len(block)
            ends.append(end)
        self._append(b"".join(made))
        return ends

    def _block(self, record: Record) -> bytes:
        if isinstance(record, Chunk):
            number = self._interface.get(record.link)
            if number is None:
                raise UsageError(
                    f"capture {self.path}: no link '{record.link}'; this capture has {sorted(self._interface)}"
                )
            payload = bytes(record.data)
        else:
            number, payload = self._events, layout.event_payload(record)
        if len(payload) > layout.MAX_PAYLOAD:
            raise UsageError(
                f"capture {self.path}: a record of {len(payload)} bytes; at most {layout.MAX_PAYLOAD} fit: split it"
            )
        stamp = record.t_ns + self._offset_ns
        if not 0 <= stamp <= layout.MAX_TIME_NS:
            raise UsageError(
                f"capture {self.path}: wall time {stamp} ns does not fit; it must lie from 0 to "
                f"{layout.MAX_TIME_NS}: check wall_ns and mono_ns"
            )
        return blocks.packet_block(number, stamp, payload)

    def _append(self, data: bytes) -> None:
        self._refuse_if_broken()
        done = 0
        try:
            while done < len(data):
                done += os.write(self._fd, data[done:] if done else data)
        except OSError as error:
            text = (
                f"capture {self.path}: writing at offset {self._size + done} failed: {system_words(error)}; "
                "free space or name another data directory"
            )
            try:
                os.ftruncate(self._fd, self._size)
            except OSError:
                self._broken = f"{text} (and the half-written block could not be cut off)"
            raise ExternalError(self._broken or text) from error
        self._size += done

    def sync(self) -> None:
        """Have everything written so far on the disk when this returns; nothing to do once closed."""
        upto = self._size
        try:
            with self._lent() as fd:
                if fd is not None:
                    os.fsync(fd)
        except OSError as error:
            # The kernel may have dropped the pages it could not write: a second fsync would lie.
            self._broken = (
                f"capture {self.path}: syncing failed: {system_words(error)}; safe up to offset {self._synced}: "
                "check the disk and go on in a new capture"
            )
            raise ExternalError(self._broken) from error
        self._synced = upto

    def check(self) -> None:
        """Raise ExternalError if the file is not at its path any more; the writer then refuses everything."""
        try:
            with self._lent() as fd:
                if fd is None:
                    return
                here, there = os.fstat(fd), os.stat(self.path)
            gone = (here.st_dev, here.st_ino) != (there.st_dev, there.st_ino)
        except (FileNotFoundError, NotADirectoryError):
            gone = True
        except OSError:  # the disk fails: writing or syncing will tell
            return
        if gone:
            self._broken = (
                f"capture {self.path} was deleted or replaced while it was written: what it held is lost; "
                "leave the data directory alone while benchd runs"
            )
            raise ExternalError(self._broken)

    def close(self) -> None:
        """Sync and close; closing twice does nothing. The file is closed even if syncing fails."""
        if self._fd < 0:
            return
        try:
            if self._broken is None:
                self.sync()
        finally:
            self._drop()

    @contextmanager
    def _lent(self) -> Iterator[int | None]:
        """Yield a descriptor of the file that stays good while the other thread closes its own; None once closed.

        The lock is held only while it is made, never over what the disk does. A closed number may be that of another
        file a moment later. Raises ExternalError where the writer refuses everything, OSError.
        """
        with self._lending:
            if self._fd < 0:
                fd = None
            else:
                self._refuse_if_broken()
                fd = os.dup(self._fd)
        try:
            yield fd
        finally:
            if fd is not None:
                os.close(fd)

    def _drop(self) -> None:
        with self._lending:
            fd, self._fd = self._fd, -1
        if fd >= 0:
            os.close(fd)
            self._broken = self._broken or f"capture {self.path} is closed; go on in a new capture"

    def _refuse_if_broken(self) -> None:
        if self._broken is not None:
            raise ExternalError(self._broken)

    def __enter__(self) -> CaptureWriter:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def sync_directory(path: Path) -> None:
    """Make the new file's name survive a power cut, where the system lets directories be synced."""
    try:
        fd = os.open(path, os.O_RDONLY)
    except OSError:
        return
    try:
        os.fsync(fd)
    except OSError:
        pass
    finally:
        os.close(fd)
