"""What the study and trial commands share: the store (also without settings), the time, pairs."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from benchd.cli.common import config_path, make_folder, store_of
from benchd.errors import BenchError, UsageError

if TYPE_CHECKING:
    from benchd.rules import RuleTable
    from benchd.settings import LoadedSettings
    from benchd.store import Hand, Store

LOOSE_STORE = Path("data/benchd.db")
"""Where studies live when there is no settings file: weighing a CSV needs no machine."""


def now() -> str:
    """The present time as a label: ISO 8601 with zone, to the second."""
    return datetime.now().astimezone().isoformat(timespec="seconds")


def found_settings(config: Path | None) -> LoadedSettings | None:
    """The settings, or None where none were given and none are found."""
    from benchd.settings import load_settings

    path = _found(config)
    return None if path is None else load_settings(path)


def _found(config: Path | None) -> Path | None:
    """The settings file, None where none was given and none is found."""
    try:
        return config_path(config)
    except UsageError:
        return None


def study_store(config: Path | None, *, write: bool = False, archive: str | None = None) -> Store:
    """The store of the settings, or an archive; without any settings file `data/benchd.db` here, and it is said so."""
    from benchd.store import Store

    if archive is None and config is None and _found(None) is None:
        if not write and not LOOSE_STORE.is_file():
            raise UsageError(
                f"no settings file, and nothing is stored in {LOOSE_STORE}: give --config FILE, or import a study here"
            )
        if write:
            make_folder(LOOSE_STORE.parent)
            if not LOOSE_STORE.is_file():
                print(f"benchd: no settings file here; the study goes into {LOOSE_STORE}", file=sys.stderr)
        return Store.open(LOOSE_STORE, create=write)
    return store_of(config, write=write, archive=archive)


def machine_names(config: Path | None) -> list[str]:
    """The machines of the settings."""
    loaded = found_settings(config)
    return [machine.name for machine in loaded.settings.machine] if loaded else []


def tables_of(config: Path | None) -> dict[str, RuleTable | None]:
    """The rule table of each machine of the settings, None where it does not read; nothing without settings."""
    from benchd.rules.files import load_table

    loaded = found_settings(config)
    out: dict[str, RuleTable | None] = {}
    for machine in loaded.settings.machine if loaded else ():
        try:
            out[machine.name] = load_table(machine.rules, loaded.base) if loaded else None
        except BenchError:
            out[machine.name] = None
    return out


def hand() -> Hand:
    """Who asks on the command line, now."""
    from benchd.store import Hand

    return Hand(now())


def asked(question: str, default: bool = True) -> bool | None:
    """The answer of a person at a terminal; None where nobody is there to ask."""
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        return None
    import typer

    return typer.confirm(question, default=default)


def pairs(words: Sequence[str], what: str = "factor=level") -> dict[str, str]:
    """Read `factor=level` words. Raises UsageError; a factor named twice is one too."""
    out: dict[str, str] = {}
    for word in words:
        name, sign, value = word.partition("=")
        if not sign or not name or not value:
            raise UsageError(f"'{word[:80]}' is not {what}; write it without blanks around the equals sign")
        if name in out:
            raise UsageError(f"'{name}' is named twice: {out[name]} and {value}")
        out[name] = value
    return out
