"""Keeping a machine's records on disk, whatever the disk does: new files, retries, and what could not be kept.

While the disk refuses, records wait in memory (bounded) and are written in order when it takes them again.

Every file after the first begins with what was in force at its first record (labels, link states, modem lines,
phase), so that it can be judged by itself; a note says how many records that are, because one who reads on from
the file before has had them.
"""

from __future__ import annotations

import contextlib
import hashlib
import logging
import os
import re
import threading
import time
from collections import deque
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeAlias

from benchd.capture.layout import MAX_PAYLOAD, event_payload
from benchd.capture.packed import captures_in, file_of
from benchd.capture.reader import read_capture
from benchd.capture.writer import CaptureWriter
from benchd.errors import BenchError, ExternalError, system_words
from benchd.vocabulary.records import Annotation, Chunk, LinkInfo, LinkState, ModemLines, Record

BACKLOG_BYTES = 64 << 20
"""Memory for records that the disk refuses: more than an hour and a half of a full 115,200 baud line."""
RECORD_BYTES = 100
"""What a record costs besides its data, roughly."""
RETRY_S = 1.0
Written: TypeAlias = tuple[Path, int, int]
"""A capture file, and where a record's block in it begins and ends."""
RUN_FILE = ".run"
"""No machine's folder begins with a dot."""

log = logging.getLogger(__name__)


NAME_BYTES = 255
"""What file systems take for a name (NAME_MAX, limits.h)."""


def folder_name(machine: str) -> str:
    """Return a folder name for a machine: letters, digits, `-`, `_`, `.`; everything else as %XX.

    One that is too long for a folder is cut, and `~` with a digest of the whole keeps it apart from others.
    """
    name = re.sub(rb"[^A-Za-z0-9_.-]", lambda m: b"%%%02X" % m[0][0], machine.encode()).decode()
    name = f"%2E{name[1:]}" if name.startswith(".") else name
    if len(name) <= NAME_BYTES:
        return name
    return f"{name[:200]}~{hashlib.sha256(machine.encode()).hexdigest()[:32]}"


def next_run(captures: Path) -> int:
    """Draw the number of a new run from the folder of all captures: higher than any before, whatever the clock says.

    Where the number drawn last is not there (an older data folder, a damaged file), the captures tell it.
    """
    file = captures / RUN_FILE
    try:
        last = int(file.read_text("ascii"))
    except (OSError, ValueError):
        last = max((run_of_file(path) for folder in captures.glob("*") for path in captures_in(folder)), default=0)
    try:
        captures.mkdir(parents=True, exist_ok=True)
        part = file.with_name(f"{RUN_FILE}.part")
        with part.open("w") as out:
            out.write(f"{last + 1}\n")
            out.flush()
            os.fsync(out.fileno())
        os.replace(part, file)
    except OSError as error:
        log.warning("run number %d cannot be kept: %s", last + 1, error)
    return last + 1


def run_of_file(path: Path) -> int:
    """Return the run number in a capture, 0 where there is none."""
    try:
        return read_capture(path).run or 0
    except BenchError:
        return 0


def force_key(record: Record) -> tuple[str, ...] | None:
    """Return what a record is in force for until the next of its kind; None where it is nothing of the sort."""
    if isinstance(record, LinkState):
        return "link", record.link
    if isinstance(record, ModemLines):
        return "modem", record.link
    if isinstance(record, Annotation) and record.key in ("trial", "model", "limit", "wall"):
        return record.key, record.value.rpartition("=")[0] if record.key == "limit" else ""
    return None


def restamped(record: Record, t_ns: int) -> Record:
    """Return a record in force as it is said again at `t_ns`; the wall clock has moved on since."""
    if isinstance(record, Annotation) and record.key == "wall":
        return Annotation(t_ns, "wall", str(int(record.value) + t_ns - record.t_ns))
    return replace(record, t_ns=t_ns)


class CaptureKeeper:
    """Writes the records of one machine to capture files in `folder`. Called from one thread, but for `sync`.

    Only that one thread begins and closes files: `sync` says what the disk did, and the next record, or the next
    `retry`, goes on in a new file. It waits for the disk only at the ends of files, while one is closed and the next
    is begun (three times fsync), never for a `sync` under way.

    `mono_ns`/`wall_ns` are one instant on both clocks, the same for all files of a run; `run` is its number, see
    `next_run`.
    """

    def __init__(
        self,
        folder: Path,
        *,
        machine: str,
        table: str,
        links: Sequence[LinkInfo],
        wall_ns: int,
        mono_ns: int,
        run: int | None = None,
        backlog_bytes: int = BACKLOG_BYTES,
    ) -> None:
        self.folder = folder
        self.machine, self.table, self.links = machine, table, tuple(links)
        self.wall_ns, self.mono_ns, self.run = wall_ns, mono_ns, run
        self.dropped = 0
        self.written = 0
        self.trouble: str | None = None
        """What the disk refuses at this moment."""
        self.failures = 0
        self.last_failure = ""
        self._backlog_bytes = backlog_bytes
        self._backlog: deque[Record] = deque()
        self._waiting = 0
        self._table_note: Annotation | None = None
        self._phase = ""
        self._in_force: dict[tuple[str, ...], Record] = {}
        self._writer: CaptureWriter | None = None
        self._telling = threading.Lock()
        self._files = 0
        self._next_try = 0.0

    @property
    def path(self) -> Path | None:
        """The file being written, or None while there is none."""
        return writer.path if (writer := self._usable) else None

    @property
    def size(self) -> int:
        return writer.size if (writer := self._usable) else 0

    @property
    def _usable(self) -> CaptureWriter | None:
        writer = self._writer
        return None if writer is None or writer.unusable else writer

    @property
    def unusable(self) -> bool:
        """Whether the file can be written no more."""
        return self._writer is not None and self._writer.unusable

    @property
    def plain(self) -> bool:
        """Whether the next record needs nothing but a write: a file is open, and nothing waits."""
        return self._usable is not None and not self._backlog

    @property
    def waiting(self) -> int:
        """Records that wait for the disk."""
        return len(self._backlog)

    def in_force(self) -> list[Record]:
        """Return what a reader who begins here must know: link states, modem lines and notes as last written."""
        return list(self._in_force.values())

    def keep(self, *records: Record) -> list[Written | None]:
        """Write records, or hold them until the disk takes them. Never raises for what the disk does.

        Return where each was written, None where it waits for the disk.
        """
        if not self._backlog and (places := self._write(*records)) is not None:
            return places
        if len(records) > 1:  # the disk may have room for some of them
            return [place for record in records for place in self.keep(record)]
        if not self._hold(records[0]) or time.monotonic() < self._next_try:
            return [None]
        last = self.retry()
        return [None if self._backlog else last]

    def retry(self) -> Written | None:
        """Try to write what waits, and give up a file that can be written no more; return where the last one went."""
        self._leave_unusable()
        place = None
        while self._backlog:
            record = self._backlog[0]
            if (places := self._write(record)) is None:
                self._next_try = time.monotonic() + RETRY_S
                break
            place = places[0]
            self._backlog.popleft()
            self._waiting -= self._cost(record)
        return place

    def rotate(self, table_text: str | None = None, *, phase: str = "") -> None:
        """Go on in a new file, which begins with what is in force; to be called while nothing waits.

        `table_text` goes in where it fits. `phase` is a value of the note of that name, see `records.Annotation`.
        """
        self._close_writer()
        note = None if table_text is None else Annotation(0, "table", table_text)
        self._table_note = note if note is not None and len(event_payload(note)) <= MAX_PAYLOAD else None
        self._phase = phase

    def sync(self) -> None:
        """Put on disk what was written; may run in another thread.

        A file that somebody deleted is told, once, and the next record begins a new one.
        """
        writer = self._usable
        if writer is None:
            return
        try:
            writer.check()
            if writer.synced != writer.size:
                writer.sync()
        except ExternalError as error:
            self._failed(error)

    def close(self) -> None:
        """Write what waits and close; what the disk still refuses is lost, and counted as such."""
        self.retry()
        self._close_writer()
        self.dropped += len(self._backlog)
        self._backlog.clear()
        self._waiting = 0

    def _cost(self, record: Record) -> int:
        return RECORD_BYTES + (len(record.data) if isinstance(record, Chunk) else 0)

    def _hold(self, record: Record) -> bool:
        cost = self._cost(record)
        if self._waiting + cost > self._backlog_bytes:
            self.dropped += 1
            return False
        self._backlog.append(record)
        self._waiting += cost
        return True

    def _write(self, *records: Record) -> list[Written | None] | None:
        """Write records, all or none of them; return where each one stands, None where the disk refuses."""
        self._leave_unusable()
        try:
            writer = self._writer or self._open(records[0])
            begin = writer.size
            ends = writer.write(*records)
        except ExternalError as error:
            self._failed(error)
            self._leave_unusable()
            return None
        places: list[Written | None] = []
        for record, end in zip(records, ends, strict=True):
            if not isinstance(record, Chunk) and (key := force_key(record)) is not None:
                self._in_force[key] = record
            self.written += self._cost(record)
            places.append((writer.path, begin, end))
            begin = end
        self.trouble = None
        return places

    def _open(self, first: Record) -> CaptureWriter:
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise ExternalError(f"folder {self.folder} cannot be made: {system_words(error)}") from error
        stamp = f"{datetime.now(UTC):%Y%m%d-%H%M%S}"
        path, n = self.folder / f"{stamp}.pcapng", 1
        while file_of(path) is not None:
            n += 1
            path = self.folder / f"{stamp}-{n}.pcapng"
        writer = CaptureWriter(
            path,
            machine=self.machine,
            table=self.table,
            links=self.links,
            wall_ns=self.wall_ns,
            mono_ns=self.mono_ns,
            run=self.run,
            file=self._files + 1,
        )
        try:
            for record in self._opening(first.t_ns):
                writer.write(record)
        except ExternalError:
            # A file without its beginning is of no use, and each retry would leave another one.
            with contextlib.suppress(ExternalError):
                writer.close()
            path.unlink(missing_ok=True)
            raise
        self._phase = ""
        self._files += 1
        self._writer = writer
        return writer

    def _opening(self, t_ns: int) -> list[Record]:
        again = [restamped(record, t_ns) for record in self._in_force.values()]
        if self._phase:
            again.append(Annotation(t_ns, "phase", self._phase))
        table = [replace(self._table_note, t_ns=t_ns)] if self._table_note is not None else []
        return [*table, Annotation(t_ns, "again", str(len(again))), *again]

    def _failed(self, error: ExternalError) -> None:
        with self._telling:
            self.failures += 1
            self.trouble = self.last_failure = str(error)

    def _leave_unusable(self) -> None:
        if self.unusable:
            self._close_writer()

    def _close_writer(self) -> None:
        writer, self._writer = self._writer, None
        if writer is not None:
            try:
                writer.close()
            except ExternalError as error:
                self._failed(error)
