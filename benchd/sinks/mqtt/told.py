"""What an archive was told last of each row: the event's number, and a digest of what it said. In the outbox's file.

So what is in the store already as it was told is not told again, and what an archive misses is told as it is now. The
memory is whole only while every event since it was begun went through it: `whole` says so, and after a time without
`mqtt.archive`, in a new file or under an older program it is not, until `begin` is called.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from benchd.store.feed import FeedKey

TABLES = (
    """CREATE TABLE IF NOT EXISTS told (
    table_name TEXT NOT NULL,
    key TEXT NOT NULL,
    machine TEXT,
    seq INTEGER NOT NULL,
    digest TEXT NOT NULL,
    PRIMARY KEY (table_name, key)
) WITHOUT ROWID""",
    "CREATE INDEX IF NOT EXISTS told_by_seq ON told (seq)",
)
DOUBTED = ""
"""The digest of what is to be told again whatever it says now."""


@dataclass(frozen=True, slots=True)
class About:
    """Which row an event tells of, and the digest of what it tells."""

    at: FeedKey
    digest: str

    @classmethod
    def of(cls, at: FeedKey, said: Any) -> About:
        """`said` is what stands in the event of the row, ready for JSON; None for one that is gone."""
        text = json.dumps(said, sort_keys=True, separators=(",", ":"))
        return cls(at, hashlib.sha256(text.encode()).hexdigest()[:32])


class Told:
    """Works on the outbox's connection, within its transactions. `seq` is the last number that was given there."""

    def __init__(self, db: sqlite3.Connection, seq: int) -> None:
        self._db = db
        for statement in TABLES:
            db.execute(statement)
        facts = dict(db.execute("SELECT name, value FROM about WHERE name IN ('told', 'fed')").fetchall())
        self.whole = facts.get("told") == str(seq)
        self.fed = int(facts.get("fed", 0))
        """The greatest number of the store's feed that was told on; a store that gave less is an older copy."""

    def knows(self, about: About) -> bool:
        """Whether this is what was told last of the row."""
        query = "SELECT digest FROM told WHERE table_name = ? AND key = ?"
        row = self._db.execute(query, (about.at.table, about.at.key)).fetchone()
        return row is not None and row[0] == about.digest

    def note(self, told: Iterable[tuple[int, About]], seq: int, fed: int) -> None:
        """Remember events with their numbers; `seq` is the last number given now, `fed` how far the feed was told."""
        self._db.executemany(
            "INSERT OR REPLACE INTO told (table_name, key, machine, seq, digest) VALUES (?, ?, ?, ?, ?)",
            [(about.at.table, about.at.key, about.at.machine, number, about.digest) for number, about in told],
        )
        facts = [("told", str(seq))] if self.whole else []
        facts += [("fed", str(fed))] if fed > self.fed else []
        self._db.executemany("INSERT OR REPLACE INTO about VALUES (?, ?)", facts)

    def begin(self, seq: int, fed: int) -> None:
        """From now on it is whole. What was told before is told again where it comes up, unless that was whole too."""
        if not self.whole:
            self._db.execute("UPDATE told SET digest = ?", (DOUBTED,))
        facts = [("told", str(seq)), ("fed", str(fed))]
        self._db.executemany("INSERT OR REPLACE INTO about VALUES (?, ?)", facts)

    def doubt(self, ranges: Sequence[tuple[int, int]] | None) -> list[FeedKey]:
        """Let be told again what events with these numbers (first and last of each range) told, None: all; name it."""
        found: list[FeedKey] = []
        for first, last in ranges if ranges is not None else [(0, 1 << 62)]:
            rows = self._db.execute(
                "UPDATE told SET digest = ? WHERE seq BETWEEN ? AND ? RETURNING table_name, key, machine",
                (DOUBTED, first, last),
            )
            found += [FeedKey(*row) for row in rows.fetchall()]
        return found

    def keys(self) -> list[FeedKey]:
        """All rows that were told of, also such that are gone."""
        rows = self._db.execute("SELECT table_name, key, machine FROM told ORDER BY seq").fetchall()
        return [FeedKey(*row) for row in rows]
