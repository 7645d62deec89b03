"""A backup: settings, store and captures of one bench in a tar file, made while the daemon runs.

    backup.json      what it is: form, benchd, schema, bench, time
    settings/...     the settings file, and tables, maps and images that it names beside it
    data/...         the data folder: stored.json first, captures after the store
    store.db         the store as it is at one moment, a SQLite file also of a PostgreSQL store
    digests.json     the SHA-256 of each of them; a file without it was cut short

The order makes it consistent: how far the store had the captures is noted before the store is copied, and the captures
after it, so a restored bench finds in its captures whatever the store lacks, as after any stop.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import tarfile
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any

from benchd import __version__
from benchd.capture.packed import packed_name
from benchd.errors import BenchError, ExternalError, UsageError, system_words
from benchd.rom.loading import load_map
from benchd.rules.files import find_table, shipped_dir
from benchd.settings import LoadedSettings
from benchd.store import Store
from benchd.store.database import backup_sqlite
from benchd.tomlfile import with_values
from benchd.watch.folder import LOCK
from benchd.watch.progress import FILE as STORED

FORM = 1
ABOUT, DIGESTS, STORE = "backup.json", "digests.json", "store.db"
SETTINGS, DATA = "settings", "data"
OUTBOX = "outbox.db"
ROOM = ".benchd-"
ENDINGS = (".tar", ".tar.gz", ".tgz", ".tar.xz")
MODES = {".tar": "w", ".gz": "w:gz", ".tgz": "w:gz", ".xz": "w:xz"}
"""How a backup is packed, by the end of its name."""


@dataclass(slots=True)
class BackedUp:
    """What a backup holds: number of files, their bytes, boots and studies; what it had to leave out, and why."""

    files: int = 0
    size: int = 0
    boots: int = 0
    studies: int = 0
    left_out: list[str] = field(default_factory=list)


class Hashing:
    """A file that is read through, to know its SHA-256 afterwards."""

    def __init__(self, file: IO[bytes]) -> None:
        self._file, self.digest = file, hashlib.sha256()

    def read(self, size: int = -1) -> bytes:
        data = self._file.read(size)
        self.digest.update(data)
        return data


def back_up(loaded: LoadedSettings, target: Path, made: str) -> BackedUp:
    """Write a backup of a bench to the new file `target`, which appears whole or not at all; `made` is its time.

    Raises UsageError where `target` exists, has an unknown ending, or there is no store; ExternalError where the disk
    or the store fails.
    """
    if target.suffix not in MODES:
        raise UsageError(f"{target}: end its name in .tar, .tar.gz or .tar.xz")
    if target.exists():
        raise UsageError(f"{target} exists and is never written over: give another name")
    if not target.parent.is_dir():
        raise UsageError(f"{target}: its directory does not exist; make it first")
    part = target.with_name(f"{target.name}.part")
    try:
        with tempfile.TemporaryDirectory(prefix=ROOM, dir=target.parent) as room:
            with part.open("wb") as file:
                packer = _Packer(file, MODES[target.suffix])
                packer.pack(loaded, Path(room), made)
                file.flush()
                os.fsync(file.fileno())
            os.replace(part, target)
    except OSError as error:
        raise ExternalError(f"backup {target} failed: {system_words(error)}; check the disk and free space") from error
    finally:
        part.unlink(missing_ok=True)
    return packer.done


class _Packer:
    """Puts one bench into an open tar file."""

    def __init__(self, file: IO[bytes], mode: str) -> None:
        made = tarfile.open(fileobj=file, mode=mode, format=tarfile.PAX_FORMAT)  # type: ignore[call-overload]  # noqa: SIM115
        self._tar: tarfile.TarFile = made
        self._digests: dict[str, str] = {}
        self.done = BackedUp()

    def pack(self, loaded: LoadedSettings, room: Path, made: str) -> None:
        store_file = room / STORE
        with self._tar:
            self._text(ABOUT, json.dumps(_about(loaded, made), indent=1))
            self._settings(loaded)
            for path in _files(loaded):
                if path.name == STORED:
                    self._data(loaded, path)
            with Store.open(loaded.store_url, create=False, data=loaded.data) as store:
                store.backup(store_file)
            with Store.open(store_file, create=False) as copy:
                rows = copy.row_counts()
                self.done.boots, self.done.studies = rows["boot"], rows["study"]
            self._file(STORE, store_file)
            for path in _files(loaded):
                if path.name != STORED:
                    self._data(loaded, path)
            if (outbox := loaded.data / OUTBOX).exists():
                backup_sqlite(str(outbox), room / OUTBOX)
                self._file(f"{DATA}/{OUTBOX}", room / OUTBOX)
            self._text(DIGESTS, json.dumps(self._digests, indent=1))

    def _settings(self, loaded: LoadedSettings) -> None:
        self._text(f"{SETTINGS}/{loaded.path.name}", _portable(loaded))
        for path in sorted(set(named_files(loaded, self.done.left_out))):
            try:
                name = path.resolve().relative_to(loaded.base.resolve())
            except ValueError:
                self.done.left_out.append(f"{path}: lies outside the settings' folder")
            else:
                self._file(f"{SETTINGS}/{name.as_posix()}", path)
        self.done.left_out += [f"{path}: may hold a secret" for path in secret_files(loaded)]

    def _data(self, loaded: LoadedSettings, path: Path) -> None:
        for one in (path, packed_name(path)):  # it may have been compressed meanwhile
            try:
                self._file(f"{DATA}/{one.relative_to(loaded.data).as_posix()}", one)
                return
            except FileNotFoundError:
                continue
        self.done.left_out.append(f"{path}: was taken away meanwhile")

    def _file(self, name: str, path: Path) -> None:
        """Add a file as long as it is now: captures grow while they are copied."""
        with path.open("rb") as file:
            facts = os.fstat(file.fileno())
            info = tarfile.TarInfo(name)
            info.size, info.mtime = facts.st_size, facts.st_mtime
            hashing = Hashing(file)
            self._tar.addfile(info, hashing)  # type: ignore[arg-type]  # it is only read from
        self._note(name, info.size, hashing.digest.hexdigest())

    def _text(self, name: str, text: str) -> None:
        data = text.encode()
        info = tarfile.TarInfo(name)
        info.size = len(data)
        self._tar.addfile(info, io.BytesIO(data))
        self._note(name, info.size, hashlib.sha256(data).hexdigest())

    def _note(self, name: str, size: int, digest: str) -> None:
        self._digests[name] = digest
        self.done.files += 1
        self.done.size += size


def _about(loaded: LoadedSettings, made: str) -> dict[str, Any]:
    return {
        "form": FORM,
        "benchd": __version__,
        "bench": loaded.settings.bench.name,
        "made": made,
        "settings": loaded.path.name,
        "machines": [machine.name for machine in loaded.settings.machine],
    }


def _files(loaded: LoadedSettings) -> Iterator[Path]:
    """Every file of the data folder that is copied as it lies there, in order."""
    # No backup holds itself, one that is being made, or an earlier one.
    store = Path(loaded.store_url.rpartition("sqlite:///")[2]).name
    for path in sorted(loaded.data.rglob("*")):
        database = path.parent == loaded.data and path.name.removesuffix("-wal").removesuffix("-shm") in (store, OUTBOX)
        backup = path.name.endswith(ENDINGS) or path.relative_to(loaded.data).parts[0].startswith(ROOM)
        skipped = database or backup or path.name == LOCK or path.suffix in (".part", ".index")
        if path.is_file() and not path.is_symlink() and not skipped:
            yield path


def _portable(loaded: LoadedSettings) -> str:
    """The settings file's text for another computer: data beside it, the store in the data (its URL may be secret)."""
    text = loaded.path.read_text("utf-8-sig")
    data = {} if loaded.settings.bench.data == DATA else {"data": DATA}
    return with_values(text, "bench", {"store": None, **data})


def named_files(loaded: LoadedSettings, left_out: list[str]) -> Iterator[Path]:
    """Rule tables, maps and their images that the settings name as files."""
    for machine in loaded.settings.machine:
        try:
            table = find_table(machine.rules, loaded.base)
        except UsageError as error:
            left_out.append(str(error))
        else:
            if table.resolve().parent != shipped_dir().resolve() / "rules":
                yield table
        if machine.map is None:
            continue
        path = loaded.base / machine.map
        try:
            found, _, _ = load_map(path)
        except BenchError as error:
            left_out.append(str(error))
            if path.is_file():
                yield path
            continue
        yield path
        for window in found.window:
            if window.image is not None:
                yield path.parent / window.image


def secret_files(loaded: LoadedSettings) -> Iterator[Path]:
    """Files that the settings name and that may hold a secret."""
    settings = loaded.settings
    named: list[str | Path | None] = [settings.http.token_file, settings.http.tls_cert, settings.http.tls_key]
    named.append(settings.alert.notify_file)
    if settings.archive is not None:
        named.append(settings.archive.store_file)
    if settings.mqtt is not None:
        named += [settings.mqtt.password_file, settings.mqtt.ca_file, settings.mqtt.cert_file, settings.mqtt.key_file]
    for path in named:
        if path is not None:
            yield loaded.base / path
