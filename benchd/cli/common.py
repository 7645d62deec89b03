"""What commands share: finding the settings, opening the store, naming boots."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchd.errors import ExternalError, UsageError

if TYPE_CHECKING:
    from benchd.settings import LoadedSettings
    from benchd.store import Store

ConfigOption = Annotated[
    Path | None,
    typer.Option("--config", help="Settings file; default: $BENCHD_CONFIG, bench.toml, config/bench.toml."),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON (see `benchd schema`).")]
PLACES = ("bench.toml", "config/bench.toml")


def config_path(given: Path | None) -> Path:
    """Return the settings file to use. Raises UsageError if none is given and none is found."""
    if given is not None:
        return given
    if name := os.environ.get("BENCHD_CONFIG"):
        return Path(name)
    for place in PLACES:
        if Path(place).is_file():
            return Path(place)
    raise UsageError(f"no settings file: give --config FILE, or make one of {', '.join(PLACES)}")


def settings_of(given: Path | None) -> LoadedSettings:
    from benchd.settings import load_settings

    return load_settings(config_path(given))


def make_folder(folder: Path) -> None:
    """Make a folder with those above it. Raises ExternalError."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ExternalError(f"{folder}: cannot be made: {error.strerror}; it must be a folder you may write") from None


def _reachable(folder: Path) -> None:
    """Raise ExternalError for a folder that is there, and keeps us from seeing what is in it."""
    try:
        os.stat(f"{folder}/.")
    except (FileNotFoundError, ValueError):
        return
    except OSError as error:
        raise ExternalError(f"{folder}: cannot be looked into: {error.strerror}") from None


def store_of(given: Path | None, *, write: bool = False) -> Store:
    """Open the store of the settings; for reading it must exist."""
    from benchd.store import Store

    loaded = settings_of(given)
    if write:
        make_folder(loaded.data)
    elif loaded.settings.bench.store is None and not os.path.lexists(loaded.store_url):
        _reachable(loaded.data)
        raise UsageError(f"{loaded.store_url}: nothing is stored yet; `benchd run --config {loaded.path}` makes it")
    return Store.open(loaded.store_url, create=write, data=loaded.data)
