"""Boots listed in a moment: the SQLite file read as it is, without the library that the store is written by.

That library takes longer to import than a list takes to be made. Only the usual case is served here; whatever is not
as usual (a file of an older schema, one that may only be read, a lock, damage) is left to `Store`, which copes with it
or says what is wrong.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from benchd.store.reading import Ask, BootReading, Rows, storable
from benchd.store.versions import VERSION_TABLE, VERSIONS


class QuickBoots(BootReading):
    """Reads boots from a SQLite store. Every call may raise `sqlite3.Error` or ValueError: then ask `Store`."""

    def __init__(self, connection: sqlite3.Connection, data: Path) -> None:
        self._connection, self._data = connection, data

    @contextmanager
    def _asking(self) -> Iterator[Ask]:
        connection = self._connection

        def ask(sql: str, **given: Any) -> Rows:
            safe = {name: storable(value) if isinstance(value, str) else value for name, value in given.items()}
            return [dict(row) for row in connection.execute(sql, safe)]

        connection.execute("BEGIN")
        try:
            yield ask
        finally:
            connection.rollback()

    def close(self) -> None:
        self._connection.close()


def quick_boots(path: Path, data: Path) -> QuickBoots | None:
    """Return the boots of the store at `path`, None where it is not as usual."""
    if not (path.is_file() and os.access(path, os.W_OK) and os.access(path.parent, os.W_OK)):
        return None
    connection = None
    try:
        connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=rw", uri=True, timeout=1.0, isolation_level=None)
        connection.row_factory = sqlite3.Row
        connection.execute("PRAGMA query_only=ON")
        if connection.execute(f"SELECT version_num FROM {VERSION_TABLE}").fetchone()[0] == VERSIONS[-1]:
            return QuickBoots(connection, data)
    except (sqlite3.Error, TypeError):
        pass
    if connection is not None:
        connection.close()
    return None
