"""A whole store copied into another, row by row: from PostgreSQL into a file and back, whatever the tables are."""

from __future__ import annotations

import os
from pathlib import Path

import sqlalchemy as sa

from benchd.errors import ExternalError, UsageError, system_words
from benchd.store.database import UPGRADE_S, Database
from benchd.store.schema import boot, feed, metadata, result, study, trial

ROWS = 1000


def copy_store(source: Database, target: Database) -> int:
    """Copy every row of `source`, as it is at one moment, into the empty `target`; return how many.

    Raises UsageError where the target holds something already, ExternalError where either fails; then the target is
    as it was.
    """
    copied = 0
    with source.read(UPGRADE_S) as reading, target.write(UPGRADE_S) as writing:
        for table in (boot, study, trial, result):
            if writing.execute(sa.select(sa.literal(1)).select_from(table).limit(1)).first() is not None:
                raise UsageError(f"store {target.where} is not empty; name a new database, nothing was changed")
        for table in reversed(metadata.sorted_tables):  # what a new store begins with: its counters
            writing.execute(sa.delete(table))
        # The feed last: what is copied before it is a change to the target, whose triggers note it there.
        for table in [*(table for table in metadata.sorted_tables if table is not feed), feed]:
            if table is feed:
                writing.execute(sa.delete(feed))
            rows = reading.execution_options(yield_per=ROWS).execute(sa.select(table))
            for part in rows.mappings().partitions(ROWS):
                writing.execute(sa.insert(table), [dict(row) for row in part])
                copied += len(part)
            if not target.is_sqlite:
                _number_on(writing, table)
    return copied


def _number_on(connection: sa.Connection, table: sa.Table) -> None:
    """Let the database number new rows from after those that were copied in with their numbers."""
    column = table.autoincrement_column
    if column is None:
        return
    sequence = connection.execute(
        sa.text("SELECT pg_get_serial_sequence(:table, :column)"), {"table": table.name, "column": column.name}
    ).scalar()
    last = connection.execute(sa.select(sa.func.max(column))).scalar()
    if sequence and last:
        connection.execute(sa.text("SELECT setval(:sequence, :last)"), {"sequence": sequence, "last": last})


def copy_to_file(source: Database, path: Path) -> None:
    """Copy a store into a new SQLite file, which appears whole or not at all. Raises UsageError, ExternalError."""
    if path.exists():
        raise UsageError(f"backup {path} exists already; name a new file")
    if not path.parent.is_dir():
        raise UsageError(f"backup {path}: its directory does not exist; make it first")
    part = path.with_name(path.name + ".part")
    try:
        part.unlink(missing_ok=True)
        target = Database(part, create=True, read_only=False)
        try:
            copy_store(source, target)
        finally:
            target.close()
        with open(part, "rb+") as file:
            os.fsync(file.fileno())
        os.replace(part, path)
    except OSError as error:
        raise ExternalError(f"backup {path} failed: {system_words(error)}; check the disk and free space") from error
    finally:
        for leftover in (part, part.with_name(f"{part.name}-wal"), part.with_name(f"{part.name}-shm")):
            leftover.unlink(missing_ok=True)


def row_counts(database: Database) -> dict[str, int]:
    """How many rows each table has."""
    with database.read() as reading:
        return {
            table.name: int(reading.execute(sa.select(sa.func.count()).select_from(table)).scalar() or 0)
            for table in metadata.sorted_tables
        }
