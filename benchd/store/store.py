"""The store's door: opening, closing and backup. What it keeps is in `boots`, `studies` and `results`."""

from __future__ import annotations

import os
from pathlib import Path
from types import TracebackType
from typing import Any

from benchd.store.boots import Boots
from benchd.store.copying import copy_store, copy_to_file, row_counts
from benchd.store.database import Database, backup_sqlite
from benchd.store.feed import Feed
from benchd.store.holding import Holding
from benchd.store.log import Log
from benchd.store.models import Models
from benchd.store.results import Results
from benchd.store.studies import Studies


class Store(Boots, Studies, Results, Holding, Log, Feed, Models):
    """Boots and studies in one database. May be used from several threads, and by several processes at once."""

    def __init__(self, database: Database, data: Path | None = None) -> None:
        self._database = database
        self._data = data

    @classmethod
    def open(
        cls,
        url_or_path: str | os.PathLike[str],
        *,
        create: bool = True,
        read_only: bool = False,
        lazily: bool = False,
        data: Path | None = None,
    ) -> Store:
        """Open the store in a file, or in PostgreSQL at a `postgresql://` URL, and upgrade it if it is older.

        `read_only` neither creates nor upgrades; without `create`, a file that may not be written is opened so.
        `data` is the data folder, which captures are stored relative to (a file's own folder if not given).
        `lazily` leaves opening to the first call that can; until then each raises ExternalError, saying why.

        Raises UsageError when there is no store (and none is to be made), when it was written by a newer benchd,
        or is no store of ours; ExternalError when it is locked, cannot be reached, or the disk fails. No call waits
        longer than `database.CALL_S` seconds for a lock or a server, and `BUSY_S` more for a connection.
        """
        database = Database(url_or_path, create=create, read_only=read_only, lazily=lazily)
        if data is None and database.is_sqlite:
            data = Path(str(database.where)).parent
        return cls(database, None if data is None else Path(os.path.abspath(data)))

    def __reduce__(self) -> tuple[Any, ...]:
        """In another process it is the same store, opened for reading once more. It holds the URL's password."""
        return self._again, (self._database.url.render_as_string(hide_password=False), self._data)

    @classmethod
    def _again(cls, url: str, data: Path | None) -> Store:
        return cls.open(url, create=False, data=data)

    @property
    def unopened(self) -> str:
        """Why a store that is opened lazily is not open yet, "" where nothing keeps it."""
        return self._database.unopened

    @property
    def where(self) -> str:
        """The file or the URL (without its password)."""
        return str(self._database.where)

    def state(self) -> tuple[int, ...] | None:
        """What differs after every change of the store, by whomever; None where it does not tell, see `Database`."""
        return self._database.state()

    def backup(self, path: str | os.PathLike[str]) -> None:
        """Copy the store to the new file `path` as it is at one moment; others may go on writing.

        The copy is a SQLite file, also of a PostgreSQL store. Raises UsageError where the file exists or cannot be,
        ExternalError where store or disk fails.
        """
        if self._database.is_sqlite:
            backup_sqlite(self.where, Path(path))
        else:
            copy_to_file(self._database, Path(path))

    def row_counts(self) -> dict[str, int]:
        """How many rows each table has: `boot`, `study`, `trial` and so on."""
        return row_counts(self._database)

    def fill_from(self, path: str | os.PathLike[str]) -> int:
        """Copy all that a backup holds into this store, which must be empty; return the number of rows.

        A backup of an older schema is upgraded in place first. Raises UsageError where the store is not empty or the
        file is no backup, ExternalError where one of them fails.
        """
        source = Database(path, create=False, read_only=False)
        try:
            return copy_store(source, self._database)
        finally:
            source.close()

    def close(self) -> None:
        self._database.close()

    def __enter__(self) -> Store:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
