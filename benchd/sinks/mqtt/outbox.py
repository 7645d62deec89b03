"""The outbox: events on disk until the broker has taken them. One SQLite file of its own.

Promise: what was offered more than 0.25 s before a kill is in the outbox, and is sent, in order, when the
broker is there. Stages, findings, boots and link changes are never left out while the disk has room, however
long the outage. Codes are thinned: beyond `codes_kept` every second one is taken out, the oldest thinnest, and
the next code of that machine says how many are missing before it. Beyond `size_cap` bytes no codes are stored.

Sequence numbers are never used twice in a file; a new file has a new id, so ids of events never repeat. Ids of files
sort by when they were made.

What the store's feed tells (`FED`) goes to the broker only when nothing else waits, a few at a time: an event of what
happens now waits for at most `FED_BATCH` of them. Each of the two kinds is sent in order.

All methods block; call them from one thread at a time. Raises ExternalError where the disk fails.
"""

from __future__ import annotations

import contextlib
import json
import os
import secrets
import sqlite3
import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from benchd.errors import ExternalError
from benchd.sinks.mqtt.told import About, Told
from benchd.store.feed import FeedKey

CODES_KEPT = 5_000
SIZE_CAP = 256 * 1024 * 1024
SCHEMA = 1
BATCH = 256
"""Events that are under way at once at most: a file that is opened again spares as many from thinning."""
FED = ("stored", "entry", "answer")
"""Kinds of events that come from the store's feed."""
FED_BATCH = 32
"""So many of them are under way at once at most."""

TABLES = """
CREATE TABLE about (name TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE waiting (
    seq INTEGER PRIMARY KEY AUTOINCREMENT,
    kind TEXT NOT NULL,
    topic TEXT NOT NULL,
    body TEXT NOT NULL,
    thinned INTEGER NOT NULL DEFAULT 0,
    wall_ns INTEGER NOT NULL,
    refused TEXT
);
CREATE TABLE missing (topic TEXT PRIMARY KEY, codes INTEGER NOT NULL);
CREATE INDEX waiting_codes ON waiting (seq) WHERE kind = 'code';
"""


@dataclass(frozen=True, slots=True)
class Entry:
    """One event to send. `body` is JSON without id, seq and thinned, which the outbox knows.

    `about` says which row of the store it tells of, where it does.
    """

    kind: str
    topic: str
    body: dict[str, Any]
    wall_ns: int
    thinned: int = 0
    about: About | None = None


@dataclass(frozen=True, slots=True)
class Waiting:
    """An event in the outbox, ready to send."""

    seq: int
    topic: str
    payload: bytes


@dataclass(frozen=True, slots=True)
class OutboxFigures:
    """What an outbox holds: events waiting, bytes of data, wall time (ns) of the oldest, and what it left out."""

    count: int = 0
    size: int = 0
    oldest_ns: int | None = None
    thinned: int = 0
    refused: int = 0
    seq: int = 0


class Outbox:
    """Opens (or makes) the file at `path`. A damaged file is put aside, see `put_aside`, and a new one made.

    `archive`: it remembers what was told last of each row, see `told`. `made`: when the file was made, ISO 8601; None
    for one of before.
    """

    def __init__(
        self, path: Path, *, codes_kept: int = CODES_KEPT, size_cap: int = SIZE_CAP, archive: bool = False
    ) -> None:
        self.path = path
        self.archive = archive
        self.codes_kept = codes_kept
        self.size_cap = size_cap
        self.thinned = 0
        self._age: tuple[int, int | None] = (0, None)
        self.put_aside: Path | None = None
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            self._open()
        except sqlite3.DatabaseError as error:
            if isinstance(error, sqlite3.OperationalError):
                raise self._failed("open", error) from None
            self.put_aside = path.with_name(f"{path.name}.damaged-{time.time_ns()}")
            with contextlib.suppress(AttributeError):
                self._db.close()
            for suffix in ("", "-wal", "-shm"):
                with contextlib.suppress(FileNotFoundError):
                    os.rename(f"{path}{suffix}", f"{self.put_aside}{suffix}")
            self._open()

    def _open(self) -> None:
        self._db = sqlite3.connect(self.path, isolation_level=None, check_same_thread=False, timeout=1.0)
        db = self._db
        db.execute("PRAGMA auto_vacuum = INCREMENTAL")
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = FULL")
        with self._atomic():
            if not db.execute("SELECT 1 FROM sqlite_master WHERE name = 'about'").fetchone():
                for statement in TABLES.split(";\n"):
                    db.execute(statement)
                db.execute("INSERT INTO about VALUES ('schema', ?)", (str(SCHEMA),))
            if not db.execute("SELECT 1 FROM about WHERE name = 'id'").fetchone():  # new, or restored from a backup
                now = datetime.now(UTC)
                made = now.isoformat(timespec="milliseconds")
                facts = [("id", f"{round(now.timestamp() * 1000):012x}{secrets.token_hex(6)}"), ("made", made)]
                db.executemany("INSERT OR REPLACE INTO about VALUES (?, ?)", facts)
        about = dict(db.execute("SELECT name, value FROM about").fetchall())
        if about["schema"] != str(SCHEMA):
            raise ExternalError(
                f"{self.path}: outbox of schema {about['schema']}, this program knows {SCHEMA}: "
                "use the newer program, or move the file away (events in it stay unsent)"
            )
        self.id: str = about["id"]
        self.made: str | None = about.get("made")
        row = db.execute("SELECT seq FROM sqlite_sequence WHERE name = 'waiting'").fetchone()
        self._seq: int = row[0] if row else 0
        self._told: Told | None = None
        if self.archive:
            with self._atomic():
                db.execute("CREATE INDEX IF NOT EXISTS waiting_fed ON waiting (seq) WHERE kind IN " + str(FED))
                self._told = Told(db, self._seq)
        count = "SELECT count(*), sum(kind = 'code'), sum(refused IS NOT NULL) FROM waiting"
        total, codes, refused = db.execute(count).fetchone()
        self.refused: int = refused or 0
        self.count: int = total - self.refused
        self._codes: int = codes or 0
        newest = "SELECT max(seq) FROM (SELECT seq FROM waiting WHERE refused IS NULL ORDER BY seq LIMIT ?)"
        self._peeked = db.execute(newest, (BATCH,)).fetchone()[0] or 0
        """Up to here events may be with the broker already: one taken out would be counted as missing there."""
        self._missing: dict[str, int] = dict(db.execute("SELECT topic, codes FROM missing").fetchall())
        """Codes left out of each topic at the size cap, not told yet."""

    def append(self, entries: Sequence[Entry], fed: int = 0) -> list[Entry]:
        """Store events, all or none, in order; on disk when this returns. Return which were stored.

        Of the feed's (`FED`) those are left out that say what was told last; `fed` is how far the feed is told now.
        """
        if not entries and not fed:
            return []
        full = self.bytes() > self.size_cap
        missing = dict(self._missing)
        rows: list[tuple[Any, ...]] = []
        left_out = 0
        told: list[tuple[int, About]] = []
        stored: list[Entry] = []
        for entry in self._news(entries):
            is_code = entry.kind == "code"
            if is_code and full:
                left_out += 1
                missing[entry.topic] = missing.get(entry.topic, 0) + 1 + entry.thinned
                continue
            thinned = entry.thinned + (missing.pop(entry.topic, 0) if is_code else 0)
            seq = self._seq + len(rows) + 1
            stored.append(entry)
            told += [(seq, entry.about)] if entry.about is not None else []
            rows.append((seq, entry.kind, entry.topic, json.dumps(entry.body), thinned, entry.wall_ns))
        codes, thinned = self._codes + sum(1 for row in rows if row[1] == "code"), 0
        with self._guard("write"), self._atomic():
            self._db.executemany(
                "INSERT INTO waiting (seq, kind, topic, body, thinned, wall_ns) VALUES (?,?,?,?,?,?)", rows
            )
            if self._told is not None:
                self._told.note(told, self._seq + len(rows), fed)
            if missing != self._missing:
                self._db.execute("DELETE FROM missing")
                self._db.executemany("INSERT INTO missing VALUES (?, ?)", missing.items())
            while codes - thinned > self.codes_kept and (gone := self._thin()):
                thinned += gone
        self._missing = missing
        self._seq += len(rows)
        self.count += len(rows) - thinned
        self.thinned += left_out + thinned
        self._codes = codes - thinned
        if self._told is not None:
            self._told.fed = max(self._told.fed, fed)
        return stored

    def _news(self, entries: Sequence[Entry]) -> list[Entry]:
        """Leave out of the feed's what was told already."""
        told = self._told
        if told is None:
            return list(entries)
        with self._guard("read"):
            return [e for e in entries if e.kind not in FED or e.about is None or not told.knows(e.about)]

    # ------------------------------------------------------------------ what was told to an archive

    def untold(self, feed_number: int) -> bool:
        """Whether all of the store is to be told on: the memory is not whole, or this store is an older copy.

        `feed_number` is the greatest number that the store's feed has given.
        """
        return self._told is not None and (not self._told.whole or feed_number < self._told.fed)

    def begin(self, feed_number: int) -> None:
        """Note that all of the store is in its feed: from now on what is told is remembered."""
        assert self._told is not None
        with self._guard("write"), self._atomic():
            self._told.begin(self._seq, feed_number)
        self._told.whole, self._told.fed = True, feed_number

    def doubt(self, ranges: Sequence[tuple[int, int]] | None) -> list[FeedKey]:
        """Let be told again what events with these numbers told, None: all that was told; return which rows."""
        assert self._told is not None
        with self._guard("write"), self._atomic():
            return self._told.doubt(ranges)

    def told_keys(self) -> list[FeedKey]:
        """All rows that were told of, also such that are gone."""
        assert self._told is not None
        with self._guard("read"):
            return self._told.keys()

    # ------------------------------------------------------------------ thinning and sending

    def _thin(self) -> int:
        """Take out every second code of each machine; the one after it says so. Return how many."""
        rows = self._db.execute(
            "SELECT seq, topic, thinned FROM waiting WHERE kind = 'code' AND seq > ? ORDER BY seq", (self._peeked,)
        ).fetchall()
        if len(rows) <= self.codes_kept:
            return 0
        held: dict[str, tuple[int, int]] = {}
        gone: list[tuple[int]] = []
        told: list[tuple[int, int]] = []
        for seq, topic, thinned in rows:
            if topic in held:
                old, missing = held.pop(topic)
                gone.append((old,))
                told.append((missing + 1, seq))
            else:
                held[topic] = (seq, thinned)
        self._db.executemany("UPDATE waiting SET thinned = thinned + ? WHERE seq = ?", told)
        self._db.executemany("DELETE FROM waiting WHERE seq = ?", gone)
        return len(gone)

    def peek(self, limit: int = BATCH) -> list[Waiting]:
        """Return the oldest events waiting, up to `limit`; those of the feed last, and only a few of them."""
        query = "SELECT seq, topic, kind, body, thinned FROM waiting WHERE refused IS NULL"
        query += f" AND kind {{}} {FED} ORDER BY seq LIMIT ?"
        with self._guard("read"):
            rows = self._db.execute(query.format("NOT IN"), (limit,)).fetchall()
            self._peeked = max(self._peeked, rows[-1][0]) if rows else self._peeked
            if (room := min(limit - len(rows), FED_BATCH)) > 0:
                rows += self._db.execute(query.format("IN"), (room,)).fetchall()
        out = []
        for seq, topic, kind, body, thinned in rows:
            whole = {"id": f"{self.id}-{seq}", "seq": seq} | json.loads(body)
            if kind == "code":
                whole["thinned"] = thinned
            out.append(Waiting(seq, topic, json.dumps(whole).encode()))
        return out

    def sent(self, seqs: Iterable[int]) -> None:
        """Forget events that the broker has taken."""
        if not (done := [(seq,) for seq in seqs]):
            return
        with self._guard("write"), self._atomic():
            gone = self._db.executemany("DELETE FROM waiting WHERE seq = ?", done).rowcount
            codes = self._db.execute("SELECT count(*) FROM waiting WHERE kind = 'code'").fetchone()[0]
        self.count -= gone
        self._codes = codes
        if not self.count:
            with contextlib.suppress(ExternalError, sqlite3.Error):  # a file that stays large does no harm
                if self._free_bytes() > 1 << 20:
                    self._db.execute("PRAGMA incremental_vacuum").fetchall()
                    self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()

    def refuse(self, seq: int, reason: str) -> None:
        """Set aside an event that the broker will never take; it stays in the file."""
        with self._guard("write"):
            self._db.execute("UPDATE waiting SET refused = ? WHERE seq = ?", (reason, seq))
        self.count -= 1
        self.refused += 1

    def bytes(self) -> int:
        """Return the size of the data in the outbox file, free pages not counted."""
        with self._guard("read"):
            pages, free, size = (self._pragma(name) for name in ("page_count", "freelist_count", "page_size"))
        return (pages - free) * size

    def _free_bytes(self) -> int:
        return self._pragma("freelist_count") * self._pragma("page_size")

    def _pragma(self, name: str) -> int:
        return int(self._db.execute(f"PRAGMA {name}").fetchone()[0])

    def figures(self) -> OutboxFigures:
        """Return what the outbox holds; size and age as last known where they cannot be read."""
        with contextlib.suppress(ExternalError), self._guard("read"):
            query = "SELECT wall_ns FROM waiting WHERE refused IS NULL ORDER BY seq LIMIT 1"
            row = self._db.execute(query).fetchone()
            self._age = (self.bytes(), row[0] if row else None)
        return OutboxFigures(self.count, *self._age, self.thinned, self.refused, self._seq)

    def close(self) -> None:
        self._db.close()

    @contextlib.contextmanager
    def _atomic(self) -> Iterator[None]:
        self._db.execute("BEGIN IMMEDIATE")
        try:
            yield
            self._db.execute("COMMIT")
        except BaseException:
            with contextlib.suppress(sqlite3.Error):
                self._db.execute("ROLLBACK")
            raise

    @contextlib.contextmanager
    def _guard(self, what: str) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise self._failed(what, error) from None

    def _failed(self, what: str, error: sqlite3.Error) -> ExternalError:
        return ExternalError(
            f"{self.path}: cannot {what} the outbox: {error}: check the disk's room and permissions; "
            "events are held in memory meanwhile"
        )
