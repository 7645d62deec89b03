"""What commands share that need the store: opening it by the settings."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

from benchd.cli.options import ArchiveOption, ConfigOption, JsonOption, config_path
from benchd.errors import ExternalError, UsageError, system_words
from benchd.keptwhere import load_bench
from benchd.store import Store

if TYPE_CHECKING:
    from benchd.settings import LoadedSettings

__all__ = [
    "ArchiveOption",
    "ConfigOption",
    "JsonOption",
    "archive_store",
    "config_path",
    "make_folder",
    "settings_of",
    "store_of",
]


def settings_of(given: Path | None) -> LoadedSettings:
    from benchd.settings import (
        load_settings,  # here: it loads decoding, rules and sinks, which reading a store needs not
    )

    return load_settings(config_path(given))


def make_folder(folder: Path) -> None:
    """Make a folder with those above it. Raises ExternalError."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ExternalError(
            f"{folder}: cannot be made: {system_words(error)}; it must be a folder you may write"
        ) from None


def _reachable(folder: Path) -> None:
    """Raise ExternalError for a folder that is there, and keeps us from seeing what is in it."""
    try:
        os.stat(f"{folder}/.")
    except (FileNotFoundError, ValueError):
        return
    except OSError as error:
        raise ExternalError(f"{folder}: cannot be looked into: {system_words(error)}") from None


def archive_store(place: str) -> Store:
    """Open an archive of many benches for reading: `place` is its URL or file, or its settings file (`.toml`)."""
    from benchd.archive.database import ArchiveStore  # here: a bench's own store needs nothing of it
    from benchd.archive.settings import load_archive

    if "://" not in place and place.endswith(".toml"):
        place = load_archive(Path(place)).store
    return ArchiveStore.at(place)


def store_of(given: Path | None, *, write: bool = False, archive: str | None = None) -> Store:
    """Open the store of the settings, or an archive; for reading it must be there, and only `[bench]` in order."""
    if archive is not None:
        if given is not None:
            raise UsageError("give --config or --archive, not both")
        return archive_store(archive)
    loaded = settings_of(given) if write else load_bench(config_path(given))
    if write:
        make_folder(loaded.data)
    elif loaded.bench.store is None and not os.path.lexists(loaded.store_url):
        _reachable(loaded.data)
        raise UsageError(f"{loaded.store_url}: nothing is stored yet; `benchd run --config {loaded.path}` makes it")
    return Store.open(loaded.store_url, create=write, data=loaded.data)
