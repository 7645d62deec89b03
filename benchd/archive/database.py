"""The archive's database: set up, checked, and opened as a store that is only read."""

from __future__ import annotations

import os
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.exc import IntegrityError

from benchd.archive import tables
from benchd.archive.names import apart
from benchd.errors import ExternalError, UsageError
from benchd.store import schema
from benchd.store.database import UPGRADE_LOCK, UPGRADE_S, Database
from benchd.store.schema import VERSION_TABLE, VERSIONS
from benchd.store.store import Store

PRESENT = (tables.FORMS[-1], VERSIONS[-1])
"""Form and schema of an archive as it is now."""
NEVER = -(1 << 63)
"""The rank of no outbox: before all of them."""
BENCHES_MOST = 20_000
"""Benches in one archive: whoever may write to the broker must not fill the database with invented ones."""


class ArchiveDatabase(Database):
    """A database with the tables of an archive. Raises UsageError for one that holds something else."""

    def _bring_up(self) -> None:
        with self._transaction(self._reading) as connection:
            form = self._form(connection)
        if form == PRESENT:
            return
        if self.read_only or not self._create:
            what = f"of form {form[0]} and schema {form[1]}" if form else "empty"
            raise UsageError(f"archive {self.where} is {what}; `benchd archive run` sets it up")
        with self._transaction(self._writing, UPGRADE_S) as connection:
            if not self.is_sqlite:
                connection.execute(sa.text("SELECT pg_advisory_xact_lock(:n)"), {"n": UPGRADE_LOCK})
            form = self._form(connection)  # somebody else may have been faster
            if form is None:
                self._set_up(connection)
            elif form != PRESENT:
                self._widen(connection, form[0])

    def _form(self, connection: sa.Connection) -> tuple[str, str] | None:
        """The form and schema of an archive, None for an empty database. Raises UsageError for any other."""
        found = set(sa.inspect(connection).get_table_names())
        if not found:
            return None
        if tables.about.name not in found:
            what = "the store of a bench" if VERSION_TABLE in found else "a database of another program"
            raise UsageError(f"{self.where} is {what}, not an archive; nothing was changed: name a database of its own")
        known: dict[str, str] = {row.name: row.value for row in connection.execute(sa.select(tables.about))}
        if known.get("form") not in tables.FORMS or known.get("store") not in VERSIONS:
            raise UsageError(
                f"archive {self.where} has form {known.get('form')} and schema {known.get('store')}; this benchd knows "
                f"forms up to {PRESENT[0]} and schemas up to {PRESENT[1]}: use the newer benchd that made it"
            )
        return known["form"], known["store"]

    def _set_up(self, connection: sa.Connection) -> None:
        tables.loose.create_all(connection)
        tables.own.create_all(connection)
        connection.execute(sa.text(f"CREATE TABLE {VERSION_TABLE} (version_num VARCHAR(32) NOT NULL)"))
        connection.execute(sa.text(f"INSERT INTO {VERSION_TABLE} VALUES (:version)"), {"version": PRESENT[1]})
        facts = [{"name": name, "value": value} for name, value in zip(("form", "store"), PRESENT, strict=True)]
        connection.execute(sa.insert(tables.about), facts)

    def _widen(self, connection: sa.Connection, form: str) -> None:
        """Add what a newer schema or form has more; benches tell nothing else of it than what they did before."""
        found = sa.inspect(connection)
        wanted = tables.loose
        wanted.create_all(connection)
        tables.own.create_all(connection)
        for table in wanted.sorted_tables:
            there = {column["name"] for column in found.get_columns(table.name)}
            for column in table.columns:
                if column.name not in there:
                    told = sa.schema.CreateColumn(column).compile(dialect=connection.dialect)
                    connection.execute(sa.text(f"ALTER TABLE {table.name} ADD COLUMN {told}"))
        if form == "1":
            self._count(connection)
        connection.execute(sa.text(f"UPDATE {VERSION_TABLE} SET version_num = :version"), {"version": PRESENT[1]})
        for name, value in zip(("form", "store"), PRESENT, strict=True):
            connection.execute(sa.update(tables.about).where(tables.about.c.name == name).values(value=value))

    def _count(self, connection: sa.Connection) -> None:
        """Count the boots that there are: from now on whoever puts one in or takes one out counts it."""
        boots: Counter[str] = Counter()
        machine = schema.boot.c.machine
        for name, count in connection.execute(sa.select(machine, sa.func.count()).group_by(machine)):
            boots[apart(name)[1]] += count
        rows = [{"bench": bench, "process": "", "boots": count} for bench, count in sorted(boots.items())]
        if rows:
            connection.execute(sa.insert(tables.count), rows)

    def _take_turn(self, connection: sa.Connection) -> None:
        """Several processes apply at once: all take hold of records in one order, see `apply`."""

    def insert(self, table: sa.Table) -> Any:
        """An INSERT that may say what to do where the row is there already."""
        from importlib import import_module

        return import_module(f"sqlalchemy.dialects.{self.url.get_backend_name()}").insert(table)

    def share_of(self, bench: str) -> int | None:
        """The number of a bench's share, given to it now where it has none; None where there are too many benches."""
        table = tables.bench
        for _ in range(20):  # another process may take the same number at the same moment
            try:
                with self.write() as connection:
                    known = connection.execute(sa.select(table.c.share).where(table.c.bench == bench)).scalar()
                    if known is not None:
                        return int(known)
                    last = connection.execute(sa.select(sa.func.coalesce(sa.func.max(table.c.share), 0))).scalar_one()
                    if last >= BENCHES_MOST:
                        return None
                    first = {"bench": bench, "share": last + 1, "first_seen": now()}
                    connection.execute(sa.insert(table).values(first))
                    connection.execute(sa.insert(tables.whole).values(bench=bench, rank=NEVER, seq=0))
                    return int(last) + 1
            except IntegrityError:
                continue
        raise ExternalError(f"archive {self.where}: no number for bench {bench} in 20 tries: try again")


class ArchiveStore(Store):
    """The archive as a store: what it has is read as from a bench's. Captures are on the benches."""

    @classmethod
    def at(cls, url_or_path: str | os.PathLike[str]) -> ArchiveStore:
        """Open an archive for reading. Raises UsageError where there is none, ExternalError where it cannot be had."""
        return cls(ArchiveDatabase(url_or_path, create=False, read_only=True))

    @classmethod
    def _again(cls, url: str, data: Path | None) -> ArchiveStore:
        return cls.at(url)

    def capture_of(self, boot_id: str) -> str | None:
        """None: captures stay on their bench."""
        return None


def now() -> str:
    """The present time as a label."""
    return datetime.now(UTC).isoformat(timespec="milliseconds")
