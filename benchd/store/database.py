"""The database below the store: opening, upgrading, transactions, and errors in plain words.

SQLite runs in WAL mode, so that readers never wait for the daemon nor it for them, with synchronous=FULL:
in WAL mode NORMAL keeps the file sound but may undo the last commits after a power cut
(https://www.sqlite.org/pragma.html#pragma_synchronous), and a finished boot must not be lost. The price is one
sync per save, a few for each boot.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import socket
import sqlite3
import tempfile
import threading
import time
from collections.abc import Collection, Iterator
from contextlib import contextmanager, nullcontext
from importlib import import_module
from json import JSONDecodeError
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from pydantic import ValidationError
from sqlalchemy.exc import ArgumentError, DBAPIError, IntegrityError, NoSuchModuleError, SQLAlchemyError

from benchd.errors import BenchError, ExternalError, UsageError, system_words
from benchd.store.schema import VERSION_TABLE, VERSIONS, for_postgresql
from benchd.store.turns import CrossedError

BUSY_S = 5.0
"""How long a lock, a statement of the server or a new connection is waited for."""
CALL_S = 15.0
"""How long any one call may take with a server that says nothing at all (stopped, or its network gone)."""
SETTLED_NS = 1_000_000_000
"""A file that was written this short ago may be written again without looking different."""
CACHE_KIB = 500
"""What a connection to a file keeps of it, where SQLite would keep 2,000: the system keeps the file at hand as well."""
UPGRADE_S = 600.0
UPGRADE_LOCK = 0x62656E6368  # any constant: whoever upgrades a PostgreSQL store holds this advisory lock
WRITE_LOCK = UPGRADE_LOCK + 1
"""Whoever writes to a PostgreSQL store holds this one."""


class Database:
    """An engine with two kinds of transaction, `read` and `write`; both raise errors of the two families.

    `lazily`: the database is opened by the first transaction that can, and until then each says what keeps it.
    """

    def __init__(
        self, url_or_path: str | os.PathLike[str], *, create: bool, read_only: bool, lazily: bool = False
    ) -> None:
        self.url = _url(url_or_path)
        self.is_sqlite = self.url.get_backend_name() == "sqlite"
        self.read_only = read_only
        self.where = self.url.database if self.is_sqlite else self.url.render_as_string(hide_password=True)
        self._create = create and not read_only
        self.unopened = ""
        """What kept the database from being opened when that was tried last, "" where nothing did."""
        self._engine: sa.Engine | None = None
        self._lock = threading.Lock()
        self._copy: tempfile.TemporaryDirectory[str] | None = None
        if not lazily:
            self._open()

    def _open(self) -> None:
        """Make the engine and bring the schema up, unless that is done."""
        with self._lock:
            if self._engine is not None:
                return
            engine = self._sqlite() if self.is_sqlite else self._postgresql()
            reading = {"isolation_level": "REPEATABLE READ", "postgresql_readonly": True}
            self._reading = engine.execution_options(**({"benchd_begin": "BEGIN"} if self.is_sqlite else reading))
            self._writing = engine.execution_options(benchd_begin="BEGIN IMMEDIATE")
            try:
                self._bring_up()
            except BaseException:
                engine.dispose()
                raise
            self._engine = engine

    def open_now(self) -> None:
        """Open a database that is opened lazily; raises as an opening that is not."""
        self._open()

    def _ready(self) -> None:
        if self._engine is None:
            try:
                self._open()
                self.unopened = ""
            except (UsageError, ExternalError) as error:  # whoever comes with a boot did nothing wrong
                self.unopened = str(error)
                raise ExternalError(self.unopened) from error

    def close(self) -> None:
        if self._engine is not None:
            self._engine.dispose()
        if self._copy is not None:
            self._copy.cleanup()

    @contextmanager
    def read(self, limit_s: float | None = None) -> Iterator[sa.Connection]:
        """One consistent view of the store, however long it is looked at; a server has `limit_s` for it (`CALL_S`)."""
        self._ready()
        with self._transaction(self._reading, limit_s) as connection:
            yield connection

    @contextmanager
    def write(self, limit_s: float | None = None) -> Iterator[sa.Connection]:
        """All or nothing; on leaving it is on the disk. A server has `limit_s` for it (`CALL_S`).

        Writers take turns, see `_take_turn`.
        """
        if self.read_only:
            raise UsageError(f"store {self.where} was opened for reading only")
        self._ready()
        with self._transaction(self._writing, limit_s) as connection:
            self._take_turn(connection)
            yield connection

    def _take_turn(self, connection: sa.Connection) -> None:
        """Wait until nobody else writes to the store, and keep others waiting until the transaction ends.

        SQLite has one writer at a time (BEGIN IMMEDIATE). PostgreSQL would let several go on until they wait for each
        other's rows in a circle, and let each decide by what another is about to change; one bench has little to write.
        """
        if not self.is_sqlite:
            connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({WRITE_LOCK})")

    @contextmanager
    def _transaction(self, engine: sa.Engine, limit_s: float | None = None) -> Iterator[sa.Connection]:
        with self._told(), engine.connect() as connection:
            limit = (
                nullcontext()
                if self.is_sqlite
                else time_limit(connection.connection.driver_connection, limit_s or CALL_S)
            )
            with limit, connection.begin():
                yield connection

    def state(self) -> tuple[int, ...] | None:
        """What differs after every commit, whoever made it, and costs next to nothing to look at.

        None where nothing can be said by it: with a server, before the store is open, while it is being written (a
        file's time tells two writes apart that are some ms from one another, see inode(7)).
        """
        if self._engine is None or not self.is_sqlite:
            return None
        told: list[int] = []
        for path in (str(self.where), f"{self.where}-wal"):  # what is committed stands in one of them
            with contextlib.suppress(OSError):
                found = os.stat(path)
                told += [found.st_ino, found.st_size, found.st_mtime_ns]
                if abs(time.time_ns() - found.st_mtime_ns) < SETTLED_NS:
                    return None
        return tuple(told) or None

    def upsert(self, table: sa.Table, values: dict[str, Any], leave: Collection[str] = ()) -> Any:
        """An INSERT that updates the row with the same key, if there is one, except the columns in `leave`."""
        insert = _insert_of(self.url.get_backend_name())(table).values(values)
        keys = [column.name for column in table.primary_key.columns]
        changes = {name: insert.excluded[name] for name in values if name not in keys and name not in leave}
        return insert.on_conflict_do_update(index_elements=keys, set_=changes)

    def _sqlite(self) -> sa.Engine:
        path = Path(str(self.url.database or ""))
        if not path.name or path.name == ":memory:":
            raise UsageError("the store needs a file: name a path")
        if path.is_dir():
            raise UsageError(f"store {path} is a directory; name a file in it")
        if not path.exists():
            if not self._create:
                raise UsageError(f"there is no store at {path}; it is made by the first `benchd run`")
            try:
                path.parent.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                raise ExternalError(
                    f"store {path}: its directory cannot be made: {system_words(error)}; name another data directory"
                ) from error
        elif not self._create and not (os.access(path, os.W_OK) and os.access(path.parent, os.W_OK)):
            self.read_only = True
        uri = self._reading_uri(path) if self.read_only else f"{path.absolute().as_uri()}?mode=rwc"
        engine = sa.create_engine(
            "sqlite://",
            creator=lambda: sqlite3.connect(
                uri, uri=True, timeout=BUSY_S, isolation_level=None, check_same_thread=False
            ),
            poolclass=sa.QueuePool,
            pool_timeout=BUSY_S,
        )
        read_only = self.read_only

        @sa.event.listens_for(engine, "connect")
        def _connected(connection: sqlite3.Connection, record: object) -> None:
            connection.execute("PRAGMA foreign_keys=ON")
            connection.execute(f"PRAGMA cache_size=-{CACHE_KIB}")
            if read_only:
                connection.execute("PRAGMA query_only=ON")
            else:
                connection.execute("PRAGMA journal_mode=WAL")
                connection.execute("PRAGMA synchronous=FULL")

        @sa.event.listens_for(engine, "begin")
        def _begun(connection: sa.Connection) -> None:
            connection.exec_driver_sql(connection.get_execution_options().get("benchd_begin", "BEGIN"))

        return engine

    def _reading_uri(self, path: Path) -> str:
        """Where to read a store from that may not be written.

        In WAL mode a reader writes too, to a file beside the store (https://www.sqlite.org/wal.html#readonly). Where
        it may not and nobody else has made that file, a store without open ends is read as immutable, one with a
        log to apply from a copy.
        """
        uri = f"{path.absolute().as_uri()}?mode=ro"
        wal, shm = (path.with_name(f"{path.name}-{kind}") for kind in ("wal", "shm"))
        if os.access(path.parent, os.W_OK) or shm.exists():
            return uri
        if not wal.exists() or wal.stat().st_size == 0:
            return f"{uri}&immutable=1"
        self._copy = tempfile.TemporaryDirectory(prefix="benchd-")
        for part in (path, wal):
            shutil.copyfile(part, Path(self._copy.name) / part.name)
        return f"{(Path(self._copy.name) / path.name).as_uri()}?mode=ro"

    def _postgresql(self) -> sa.Engine:
        for_postgresql()
        try:
            engine = sa.create_engine(
                self.url,
                pool_timeout=BUSY_S,
                connect_args={
                    "connect_timeout": int(BUSY_S),
                    "options": f"-c statement_timeout={round(BUSY_S * 1000)} -c lock_timeout={round(BUSY_S * 1000)}",
                },
            )
        except ModuleNotFoundError as error:
            raise UsageError(
                f"store {self.where} needs the PostgreSQL driver: pip install 'benchd[postgres]'"
            ) from error

        @sa.event.listens_for(engine, "checkout")
        def _still_there(connection: Any, record: object, proxy: object) -> None:
            """A connection that the server has given up meanwhile is replaced by a new one."""
            try:
                with time_limit(connection, BUSY_S), connection.cursor() as cursor:
                    cursor.execute("SELECT 1")
                connection.rollback()
            except Exception as error:
                raise sa.exc.DisconnectionError(str(error)) from error

        return engine

    def _bring_up(self) -> None:
        with self._transaction(self._reading) as connection:
            version = self._version(connection)
        if version == VERSIONS[-1]:
            return
        if self.read_only:
            raise UsageError(
                f"store {self.where} has schema {version or 'none'}, this benchd reads {VERSIONS[-1]}: "
                "start `benchd run` once, which upgrades it"
            )
        if version is None and not self._create:
            raise UsageError(f"store {self.where} is empty; it is set up by the first `benchd run`")
        with self._transaction(self._writing, UPGRADE_S) as connection:
            if not self.is_sqlite:
                connection.execute(sa.text(f"SET LOCAL statement_timeout = '{UPGRADE_S:.0f}s'"))
                connection.execute(sa.text(f"SET LOCAL lock_timeout = '{UPGRADE_S:.0f}s'"))
                connection.execute(sa.text("SELECT pg_advisory_xact_lock(:n)"), {"n": UPGRADE_LOCK})
            if (version := self._version(connection)) != VERSIONS[-1]:  # somebody else may have been faster
                mend(connection, version)
                try:
                    upgrade(connection, VERSIONS[-1])
                except DBAPIError as error:
                    text = str(error.orig).strip().splitlines()[0]
                    if not any(
                        words in text for words in ("duplicate column", "already exists", "no such", "not exist")
                    ):
                        raise
                    raise ExternalError(
                        f"store {self.where} says that it has schema {version}, and is not as that is ({text}): an "
                        "upgrade was broken off, or it was changed by hand. Nothing was changed now: "
                        "put back a backup, or move it away and let `benchd boots rebuild` make one from the captures"
                    ) from error

    def _version(self, connection: sa.Connection) -> str | None:
        """The schema version, None for an empty database. Raises UsageError for what is not ours."""
        inspector = sa.inspect(connection)
        tables = inspector.get_table_names()
        if VERSION_TABLE not in tables:
            if tables:
                raise UsageError(
                    f"store {self.where} is a database of another program (tables {', '.join(tables[:5])}); "
                    "nothing was changed: name another file or database"
                )
            return None
        version = connection.execute(sa.text(f"SELECT version_num FROM {VERSION_TABLE}")).scalar()
        if version is not None and version not in VERSIONS:
            raise UsageError(
                f"store {self.where} has schema {version}; this benchd knows up to {VERSIONS[-1]}: "
                "use the newer benchd that wrote it, or an older backup"
            )
        return version

    @contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except (BenchError, IntegrityError):
            raise
        except DBAPIError as error:
            raise self._in_words(error.orig or error) from error
        except sqlite3.Error as error:
            raise self._in_words(error) from error
        except OSError as error:
            raise ExternalError(f"store {self.where}: {system_words(error)}; check the disk") from error
        except UnicodeEncodeError as error:
            raise UsageError(f"{error.object[:80]!r} is not text that can be stored") from error
        except (UnicodeDecodeError, JSONDecodeError, ValidationError) as error:  # what was stored was well-formed
            raise ExternalError(f"store {self.where}: {_DAMAGED} ({str(error).splitlines()[0]})") from error

    def _in_words(self, error: BaseException) -> Exception:
        text = str(error).strip().splitlines()[0] if str(error).strip() else type(error).__name__
        name = getattr(error, "sqlite_errorname", "")
        for start, what in _SQLITE_WORDS.items():
            if name.startswith(start):
                family = UsageError if start == "SQLITE_NOTADB" else ExternalError
                return family(f"store {self.where}: {what} ({text})")
        if self.is_sqlite:
            if isinstance(error, sqlite3.OperationalError):
                return ExternalError(f"store {self.where}: {text}; check the file and its directory")
        elif type(error).__name__ in ("QueryCanceled", "LockNotAvailable"):
            return ExternalError(f"store {self.where}: no answer within {BUSY_S:g} s ({text}): try again")
        elif type(error).__name__ in _IN_EACH_OTHERS_WAY:
            return CrossedError(f"store {self.where}: another program changed the same at once ({text}): try again")
        elif type(error).__name__ in _POSTGRESQL_OUTSIDE or getattr(error, "sqlstate", "x") is None:
            return ExternalError(f"store {self.where}: {text}; check that the server runs and lets benchd in")
        assert isinstance(error, Exception)
        return error


@contextmanager
def time_limit(connection: Any, seconds: float) -> Iterator[None]:
    """End a PostgreSQL connection that is still busy after so long: whoever waits for the server gets an error.

    The server's own time-outs do not help where it is the server that stands still.
    """
    done = threading.Event()

    def cut() -> None:
        if not done.is_set():
            with contextlib.suppress(OSError), socket.socket(fileno=os.dup(connection.fileno())) as wire:
                wire.shutdown(socket.SHUT_RDWR)

    timer = threading.Timer(seconds, cut)
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        done.set()
        timer.cancel()


_DAMAGED = "the file is damaged: put back a backup, boots can be rebuilt from captures"
_SQLITE_WORDS = {
    "SQLITE_BUSY": f"locked by another process for {BUSY_S:g} s: try again, or end the process that holds it",
    "SQLITE_LOCKED": "locked by another connection: try again",
    "SQLITE_FULL": "the disk is full, nothing of this change was kept: free space",
    "SQLITE_IOERR": "the disk cannot take it (full or failing), nothing of this change was kept: free space",
    "SQLITE_CANTOPEN": "cannot be opened: check the path and its permissions",
    "SQLITE_READONLY": "cannot be written: check permissions of the file and of its directory",
    "SQLITE_PERM": "may not be opened: check its permissions",
    "SQLITE_CORRUPT": _DAMAGED,
    "SQLITE_NOTADB": "the file is not a database; nothing was changed: name another file",
}
_IN_EACH_OTHERS_WAY = {"DeadlockDetected", "SerializationFailure"}
_POSTGRESQL_OUTSIDE = {
    "OperationalError",
    "ConnectionTimeout",
    "AdminShutdown",
    "CrashShutdown",
    "DiskFull",
    "InsufficientPrivilege",
    "ReadOnlySqlTransaction",
    "TooManyConnections",
}


def mend(connection: sa.Connection, version: str | None) -> None:
    """Bring a store to what it says that it is, where it is one of the first of schema 0005.

    For some minutes that number meant what is 0006 now, without what 0005 is: such a store lacks that alone.
    """
    if version != "0005":
        return
    there = {column["name"] for column in sa.inspect(connection).get_columns("boot")}
    if "off_s" in there and "measured" not in there:
        connection.execute(sa.text("ALTER TABLE boot ADD COLUMN measured JSON"))
        connection.execute(sa.text(f"UPDATE {VERSION_TABLE} SET version_num = '0006'"))


def upgrade(connection: sa.Connection, version: str) -> None:
    """Bring the schema to `version` inside the connection's transaction."""
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations").replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, version)


def _insert_of(backend: str) -> Any:
    """The INSERT of one database that can update: the other's words are not imported for it."""
    return import_module(f"sqlalchemy.dialects.{backend}").insert


def _url(url_or_path: str | os.PathLike[str]) -> sa.URL:
    text = os.fspath(url_or_path)
    if "://" not in text:
        return sa.URL.create("sqlite", database=text)
    try:
        url = sa.make_url(text)
        backend = url.get_backend_name()
    except (ArgumentError, NoSuchModuleError, SQLAlchemyError, ValueError) as error:
        raise UsageError("the store's URL cannot be read; it looks like postgresql://user@host/name") from error
    if backend == "sqlite":
        return url
    if backend != "postgresql":
        raise UsageError(f"a store cannot be a '{backend}' database; name a file or a postgresql:// URL")
    return url.set(drivername="postgresql+psycopg")


def backup_sqlite(source: str, target: Path) -> None:
    """Copy the SQLite store at `source` to the new file `target` while others go on writing it."""
    if target.exists():
        raise UsageError(f"backup {target} exists already; name a new file")
    if not target.parent.is_dir():
        raise UsageError(f"backup {target}: its directory does not exist; make it first")
    part = target.with_name(target.name + ".part")
    try:
        part.unlink(missing_ok=True)
        reader = sqlite3.connect(f"{Path(source).absolute().as_uri()}?mode=ro", uri=True, timeout=BUSY_S)
        try:
            writer = sqlite3.connect(part)
            try:
                reader.backup(writer)
                (sound,) = writer.execute("PRAGMA quick_check(1)").fetchone()
            finally:
                writer.close()
        finally:
            reader.close()
        if sound != "ok":
            raise ExternalError(f"backup {target}: the copy is not sound ({sound}): check the store and the disk")
        with open(part, "rb+") as file:
            os.fsync(file.fileno())
        os.replace(part, target)
    except (sqlite3.Error, OSError) as error:
        part.unlink(missing_ok=True)
        raise ExternalError(f"backup {target} failed: {system_words(error)}; check the disk and free space") from error
