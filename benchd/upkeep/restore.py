"""A backup read again: checked against its digests, and made into a bench in a new folder."""

from __future__ import annotations

import hashlib
import json
import lzma
import os
import shutil
import sqlite3
import tarfile
import tempfile
import zlib
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import IO, Any

from benchd.errors import ExternalError, UsageError
from benchd.store import Store
from benchd.tomlfile import with_values
from benchd.upkeep.backup import ABOUT, DATA, DIGESTS, FORM, OUTBOX, SETTINGS, STORE

TEXT_LIMIT = 16 << 20
CHUNK = 1 << 20
TO_FILL = "store-to-fill.db"
"""The store that goes into a database once the folder is in place."""


@dataclass(frozen=True, slots=True)
class Contents:
    """What a sound backup holds: when it was made, of which bench and machines, its settings file, files and bytes."""

    bench: str
    made: str
    machines: tuple[str, ...]
    settings: str
    files: int
    size: int


def check_backup(archive: Path) -> Contents:
    """Read a whole backup and hold it against its digests; nothing is written.

    Raises UsageError where it is none, or of a newer benchd; ExternalError where it is damaged or cut short.
    """
    return _read(archive, None)


def restore(archive: Path, folder: Path, store_url: str | None = None) -> Contents:
    """Make a bench of a backup in `folder`, new or empty, which appears whole or not at all.

    With `store_url` the store goes to that empty PostgreSQL database instead of a file in the data. Raises UsageError
    where the folder or the database holds something, else as `check_backup`.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UsageError(f"{folder} is there and not empty: name a new folder, nothing was changed")
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        room = Path(tempfile.mkdtemp(prefix=".benchd-restore-", dir=folder.parent))
    except OSError as error:
        raise ExternalError(f"{folder}: cannot be made: {error.strerror}") from None
    try:
        found = _read(archive, room)
        _put_in_place(room, found, store_url)
        os.chmod(room, 0o755)
        if folder.exists():
            folder.rmdir()
        room.rename(folder)
        if store_url is not None:
            _fill(folder, store_url)
    except OSError as error:
        raise ExternalError(f"{folder}: {error.strerror}; nothing was restored, check the disk") from error
    finally:
        shutil.rmtree(room, ignore_errors=True)
    return found


def _put_in_place(room: Path, found: Contents, store_url: str | None) -> None:
    """Turn what was unpacked in `room` into settings with their data beside them."""
    data, settings = room / DATA, room / SETTINGS
    data.mkdir(exist_ok=True)
    if (data / OUTBOX).exists():
        _number_anew(data / OUTBOX)
    if store_url is None:
        (room / STORE).rename(data / "benchd.db")
    else:
        _refuse_unless_empty(store_url, data)
        (room / STORE).rename(data / TO_FILL)
    for path in sorted(settings.iterdir()):
        if (room / path.name).exists():
            raise ExternalError(f"{path.name} of the settings would lie on the data: the backup is not one of benchd's")
        path.rename(room / path.name)
    settings.rmdir()
    if store_url is not None:
        file = room / found.settings
        text = with_values(file.read_text("utf-8"), "bench", {"store": store_url})
        file.unlink()
        # The URL may hold a password: readable by its owner alone, from its first byte on.
        with open(os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as out:
            out.write(text)


def _refuse_unless_empty(store_url: str, data: Path) -> None:
    with Store.open(store_url, data=data) as store:
        rows = store.row_counts()
    if any(rows[name] for name in ("boot", "study", "trial", "result")):
        raise UsageError("the database of --store is not empty: name a new one, nothing was changed")


def _fill(folder: Path, store_url: str) -> None:
    """Fill the database from the store in the folder, which is in place by now and is taken away again where it fails.

    A database is filled whole or not at all, so that a second try finds it empty.
    """
    file = folder / DATA / TO_FILL
    try:
        with Store.open(store_url, data=folder / DATA) as store:
            store.fill_from(file)
    except BaseException:
        shutil.rmtree(folder, ignore_errors=True)
        raise
    for leftover in file.parent.glob(f"{TO_FILL}*"):
        leftover.unlink()


def _number_anew(outbox: Path) -> None:
    """Let an outbox get a new id when it is opened: its bench went on after the backup, and gave the next numbers."""
    try:
        with closing(sqlite3.connect(outbox)) as database, database:
            database.execute("DELETE FROM about WHERE name IN ('id', 'made', 'told', 'fed')")
    except sqlite3.Error as error:
        raise ExternalError(f"{outbox.name} of the backup cannot be read: {error}; use another backup") from error


def _read(archive: Path, room: Path | None) -> Contents:
    """Go through a backup, unpacking into `room` if given; return what it holds once all digests agree."""
    seen: dict[str, str] = {}
    about: dict[str, Any] = {}
    digests: dict[str, str] | None = None
    size = 0
    with _opened(archive) as tar:
        for member in tar:
            name = _safe(archive, member)
            file = tar.extractfile(member)
            assert file is not None
            if name in (ABOUT, DIGESTS):
                data = file.read(TEXT_LIMIT)
                value = _object(archive, name, data)
                if name == DIGESTS:
                    digests = value
                    continue
                about = _known(archive, value)
                seen[name] = hashlib.sha256(data).hexdigest()
            elif not about:
                raise UsageError(f"{archive}: is no backup of benchd's (it begins with {name[:60]!r})")
            else:
                seen[name] = _unpacked(file, None if room is None else room / name, member.mtime)
            size += member.size
    if digests is None:
        raise ExternalError(f"{archive}: is cut short: its last part is missing; use another backup")
    for name in sorted(set(digests) | set(seen)):
        if seen.get(name) != digests.get(name):
            raise ExternalError(f"{archive}: {name} is damaged (its SHA-256 differs); use another backup")
    if STORE not in seen or f"{SETTINGS}/{about['settings']}" not in seen:
        raise ExternalError(f"{archive}: holds no store or no settings; use another backup")
    return Contents(about["bench"], about["made"], tuple(about["machines"]), about["settings"], len(seen), size)


@contextmanager
def _opened(archive: Path) -> Iterator[tarfile.TarFile]:
    try:
        with tarfile.open(archive, "r:*") as tar:
            yield tar
    except (FileNotFoundError, IsADirectoryError) as error:
        raise UsageError(f"{archive}: {error.strerror}; check the name") from None
    except tarfile.ReadError:
        raise ExternalError(
            f"{archive} is no backup, or its beginning is damaged: name a file that `benchd backup` wrote"
        ) from None
    except (tarfile.TarError, EOFError, zlib.error, lzma.LZMAError) as error:
        raise ExternalError(f"{archive}: cannot be read as a backup ({error}); use another backup") from None
    except OSError as error:  # gzip's own among them
        raise ExternalError(f"{archive}: {error.strerror or error}; use another backup, or check the disk") from None


def _safe(archive: Path, member: tarfile.TarInfo) -> str:
    """Return the name of a plain file that stays inside the folder it is unpacked to. Raises ExternalError."""
    path = PurePosixPath(member.name)
    inside = not path.is_absolute() and ".." not in path.parts and "\0" not in member.name
    known = len(path.parts) == 1 or path.parts[:1] in ((SETTINGS,), (DATA,))
    if not member.isreg() or not inside or not known:
        raise ExternalError(f"{archive}: {member.name[:80]!r} is nothing that a backup holds; use another backup")
    return path.as_posix()


def _object(archive: Path, name: str, data: bytes) -> dict[str, Any]:
    try:
        value = json.loads(data)
    except ValueError:
        value = None
    if not isinstance(value, dict):
        raise ExternalError(f"{archive}: {name} is damaged; use another backup")
    return value


def _known(archive: Path, about: dict[str, Any]) -> dict[str, Any]:
    lists = isinstance(about.get("machines", []), list)
    if not isinstance(about.get("form"), int) or not isinstance(about.get("settings"), str) or not lists:
        raise ExternalError(f"{archive}: {ABOUT} is damaged; use another backup")
    if about["form"] > FORM:
        raise UsageError(f"{archive}: was made by benchd {about.get('benchd')}; restore it with that one or a newer")
    return {"bench": "", "made": "", "machines": [], **about}


def _unpacked(file: IO[bytes], target: Path | None, mtime: float) -> str:
    """Read a member, writing it to `target` if given; return its SHA-256."""
    digest = hashlib.sha256()
    if target is not None:
        target.parent.mkdir(parents=True, exist_ok=True)
    with open(os.devnull if target is None else target, "wb") as out:
        while data := file.read(CHUNK):
            digest.update(data)
            out.write(data)
        if target is not None:
            out.flush()
            os.fsync(out.fileno())
    if target is not None:
        os.utime(target, (mtime, mtime))
    return digest.hexdigest()
