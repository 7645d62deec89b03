"""The feed: which rows changed, for whoever tells them on. Triggers of the database write it, see `schema.feed`."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from typing import Any, NamedTuple

import sqlalchemy as sa

from benchd.store import schema
from benchd.store.database import UPGRADE_S, Database

TABLES: dict[str, sa.Table] = {
    table.name: table
    for table in (
        schema.boot, schema.study, schema.trial, schema.result, schema.boot_mark, schema.image, schema.prediction,
        schema.change,
    )
}  # fmt: skip
"""The tables that are fed. The parts of a boot (stages, findings, checks) go with it."""
BATCH = 500
"""Rows that are named in one statement: databases limit the values of one."""


class FeedKey(NamedTuple):
    """A row: its table, its primary key as text, and of a boot its machine."""

    table: str
    key: str
    machine: str | None = None


class Fed(NamedTuple):
    """A line of the feed: which row, and the number of its last change."""

    number: int
    at: FeedKey


class Feed:
    """The part of `Store` about what changed and was not told on yet. Whoever told it takes it off with `fed`."""

    _database: Database

    def feed(self, limit: int, *, but_boots: Collection[str] = ()) -> list[Fed]:
        """Up to `limit` lines, the oldest change first, without those of the boots in `but_boots`."""
        feed = schema.feed
        query = sa.select(feed.c.number, feed.c.table_name, feed.c.key, feed.c.machine).order_by(feed.c.number)
        if but_boots:
            query = query.where(sa.or_(feed.c.table_name != "boot", feed.c.key.not_in(sorted(but_boots))))
        with self._database.read() as connection:
            rows = connection.execute(query.limit(limit)).all()
        return [Fed(row.number, FeedKey(row.table_name, row.key, row.machine)) for row in rows]

    def feed_length(self) -> int:
        """How many lines it has."""
        with self._database.read() as connection:
            return int(connection.execute(sa.select(sa.func.count()).select_from(schema.feed)).scalar_one())

    def feed_left(self, up_to: int, *, but_boots: Collection[str] = ()) -> bool:
        """Whether lines are left whose number is at most `up_to`, of other boots than those in `but_boots`."""
        first = self.feed(1, but_boots=but_boots)
        return bool(first) and first[0].number <= up_to

    def feed_number(self) -> int:
        """The greatest number that a line of this feed was given; less than it once was: an older copy of the store."""
        if self._database.is_sqlite:
            query = "SELECT seq FROM sqlite_sequence WHERE name = 'feed'"
        else:
            query = "SELECT last_value FROM pg_sequences WHERE sequencename = 'feed_number_seq'"
            query += " AND schemaname = current_schema()"
        with self._database.read() as connection:
            return int(connection.execute(sa.text(query)).scalar() or 0)

    def feed_row(self, at: FeedKey) -> dict[str, Any] | None:
        """The columns of a row as they are now, ready for JSON; None where it is gone."""
        table = TABLES[at.table]
        (own,) = table.primary_key.columns
        with self._database.read() as connection:
            row = connection.execute(sa.select(table).where(own == typed_key(at))).mappings().one_or_none()
        return None if row is None else {str(name): value for name, value in row.items()}

    def fed(self, numbers: Iterable[int]) -> None:
        """Take lines off that were told on. A row that changed meanwhile has another number, and stays."""
        left, feed = sorted(numbers), schema.feed
        for first in range(0, len(left), BATCH):
            with self._database.write() as connection:
                connection.execute(sa.delete(feed).where(feed.c.number.in_(left[first : first + BATCH])))

    def feed_again(self, keys: Sequence[FeedKey] | None = None, *, boots_since_us: int | None = None) -> int:
        """Put rows into the feed once more, also such that are gone; return the greatest number given so far.

        `keys` None: every row there is, and of boots those that started at `boots_since_us` (microseconds since 1970)
        or later. Lines that are there already stay as they are.
        """
        with self._database.write(UPGRADE_S) as connection:
            if keys is None:
                for table in TABLES.values():
                    connection.execute(_again(table, boots_since_us))
            else:
                self._name_again(connection, keys)
        return self.feed_number()

    def _name_again(self, connection: sa.Connection, keys: Sequence[FeedKey]) -> None:
        for at in keys:
            values = {"table_name": at.table, "key": at.key, "machine": at.machine}
            there = sa.exists().where(schema.feed.c.table_name == at.table, schema.feed.c.key == at.key)
            columns = [sa.literal(value, schema.SafeText()).label(name) for name, value in values.items()]
            connection.execute(sa.insert(schema.feed).from_select(list(values), sa.select(*columns).where(~there)))


def typed_key(at: FeedKey) -> str | int:
    """A row's primary key as its table has it."""
    (own,) = TABLES[at.table].primary_key.columns
    return int(at.key) if isinstance(own.type, sa.Integer) else at.key


def _again(table: sa.Table, boots_since_us: int | None) -> sa.Insert:
    (own,) = table.primary_key.columns
    key = sa.cast(own, sa.Text())
    there = sa.exists().where(schema.feed.c.table_name == table.name, schema.feed.c.key == key)
    machine = table.c.machine if table is schema.boot else sa.null()
    rows = sa.select(sa.literal(table.name), key, machine).where(~there).order_by(own)
    if table is schema.boot:
        rows = sa.select(sa.literal(table.name), key, machine).where(~there).order_by(table.c.started_us, own)
        if boots_since_us is not None:
            rows = rows.where(table.c.started_us >= boots_since_us)
    return sa.insert(schema.feed).from_select(["table_name", "key", "machine"], rows)
