"""Keeping a machine's records on disk, whatever the disk does: new files, retries, and what could not be kept.

While the disk refuses, records wait in memory (bounded) and are written in order when it takes them again.
"""

from __future__ import annotations

import re
import time
from collections import deque
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from benchd.capture.writer import CaptureWriter
from benchd.errors import OutsideError
from benchd.records import Chunk, LinkInfo, Record

BACKLOG_BYTES = 64 << 20
"""Memory for records that the disk refuses: more than an hour and a half of a full 115,200 baud line."""
RECORD_BYTES = 100
"""What a record costs besides its data, roughly."""
RETRY_S = 1.0


def folder_name(machine: str) -> str:
    """Return a folder name for a machine: letters, digits, `-`, `_`, `.`; everything else as %XX."""
    name = re.sub(rb"[^A-Za-z0-9_.-]", lambda m: b"%%%02X" % m[0][0], machine.encode()).decode()
    return f"%2E{name[1:]}" if name.startswith(".") else name


class CaptureKeeper:
    """Writes the records of one machine to capture files in `folder`. Called from one thread, but for `sync`.

    `mono_ns`/`wall_ns` are one instant on both clocks, the same for all files of a run.
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
        backlog_bytes: int = BACKLOG_BYTES,
    ) -> None:
        self.folder = folder
        self.machine, self.table, self.links = machine, table, tuple(links)
        self.wall_ns, self.mono_ns = wall_ns, mono_ns
        self.dropped = 0
        self.written = 0
        self.trouble: str | None = None
        self._backlog_bytes = backlog_bytes
        self._backlog: deque[Record] = deque()
        self._waiting = 0
        self._head: list[Record] = []
        self._writer: CaptureWriter | None = None
        self._next_try = 0.0

    @property
    def path(self) -> Path | None:
        """The file being written, or None while there is none."""
        return self._writer.path if self._writer else None

    @property
    def size(self) -> int:
        return self._writer.size if self._writer else 0

    @property
    def waiting(self) -> int:
        """Records that wait for the disk."""
        return len(self._backlog)

    def keep(self, record: Record) -> None:
        """Write a record, or hold it until the disk takes it. Never raises for what the disk does."""
        if not self._backlog and self._write(record):
            return
        self._hold(record)
        if time.monotonic() >= self._next_try:
            self.retry()

    def retry(self) -> None:
        """Try to write what waits."""
        while self._backlog:
            record = self._backlog[0]
            if not self._write(record):
                self._next_try = time.monotonic() + RETRY_S
                return
            self._backlog.popleft()
            self._waiting -= self._cost(record)

    def rotate(self, head: Sequence[Record]) -> None:
        """Go on in a new file that begins with `head`: the labels and link states in force."""
        self._close_writer()
        self._head = list(head)

    def sync(self) -> None:
        """Put on disk what was written; may run in another thread."""
        writer = self._writer
        if writer is None or writer.synced == writer.size:
            return
        try:
            writer.sync()
        except OutsideError as error:
            self._failed(error)

    def close(self) -> None:
        self.retry()
        self._close_writer()

    def _cost(self, record: Record) -> int:
        return RECORD_BYTES + (len(record.data) if isinstance(record, Chunk) else 0)

    def _hold(self, record: Record) -> None:
        cost = self._cost(record)
        if self._waiting + cost > self._backlog_bytes:
            self.dropped += 1
            return
        self._backlog.append(record)
        self._waiting += cost

    def _write(self, record: Record) -> bool:
        try:
            writer = self._writer or self._open()
            writer.write(record)
        except OutsideError as error:
            self._failed(error)
            return False
        self.written += self._cost(record)
        self.trouble = None
        return True

    def _open(self) -> CaptureWriter:
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise OutsideError(f"folder {self.folder} cannot be made: {error.strerror}") from error
        stamp = f"{datetime.now(UTC):%Y%m%d-%H%M%S}"
        path, n = self.folder / f"{stamp}.pcapng", 1
        while path.exists():
            n += 1
            path = self.folder / f"{stamp}-{n}.pcapng"
        writer = CaptureWriter(
            path,
            machine=self.machine,
            table=self.table,
            links=self.links,
            wall_ns=self.wall_ns,
            mono_ns=self.mono_ns,
        )
        for record in self._head:
            writer.write(record)
        self._writer = writer
        return writer

    def _failed(self, error: OutsideError) -> None:
        self.trouble = str(error)
        writer = self._writer
        if writer is not None and writer.unusable:
            self._close_writer()

    def _close_writer(self) -> None:
        writer, self._writer = self._writer, None
        if writer is not None:
            try:
                writer.close()
            except OutsideError as error:
                self.trouble = str(error)
