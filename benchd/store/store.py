"""The store's door: opening, closing and backup. What it keeps is in `boots`, `studies` and `results`."""

from __future__ import annotations

import os
from pathlib import Path
from types import TracebackType

from benchd.errors import UsageError
from benchd.store.boots import Boots
from benchd.store.database import Database, backup_sqlite
from benchd.store.log import Log
from benchd.store.results import Results
from benchd.store.studies import Studies


class Store(Boots, Studies, Results, Log):
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

    @property
    def unopened(self) -> str:
        """Why a store that is opened lazily is not open yet, "" where nothing keeps it."""
        return self._database.unopened

    @property
    def where(self) -> str:
        """The file or the URL (without its password)."""
        return str(self._database.where)

    def backup(self, path: str | os.PathLike[str]) -> None:
        """Copy the store to the new file `path` as it is at one moment; others may go on writing.

        A PostgreSQL store has its own tool for this, which the UsageError then raised names.
        """
        if not self._database.is_sqlite:
            raise UsageError(
                f"a PostgreSQL store is backed up by its own tool: pg_dump --format=custom "
                f"--file={os.fspath(path)} '{self._plain_url()}'"
            )
        backup_sqlite(self.where, Path(path))

    def _plain_url(self) -> str:
        return self._database.url.set(drivername="postgresql", password=None).render_as_string()

    def close(self) -> None:
        self._database.close()

    def __enter__(self) -> Store:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
