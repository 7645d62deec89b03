"""Asking for boots, in a moment where nothing is unusual: what few commands need is not imported for it."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from benchd.cli.options import config_path
from benchd.errors import BenchError
from benchd.files import TOML_LIMIT, read_text
from benchd.store.quick import QuickBoots, quick_boots
from benchd.store.reading import BootReading
from benchd.tomlfile import parse

T = TypeVar("T")
SECTIONS = {"bench", "http", "mqtt", "metrics", "alert", "machine"}
"""Of a settings file; a test holds them against the settings."""
BENCH = {"name": str, "data": str, "capture_size_mb": int}
"""Keys of `[bench]`, without the one that names another store."""


def read_boots(given: Path | None, asked: Callable[[BootReading], T]) -> T:
    """Return what `asked` makes of the boots in the store of the settings.

    Of the settings only what tells where the store is gets checked, unless something is unusual; then they are read,
    and the store opened, as by every other command. Raises what `store_of` raises.
    """
    quick = _quick(given)
    if quick is not None:
        try:
            return asked(quick)
        except (sqlite3.Error, ValueError):  # the store knows what to say of it
            pass
        finally:
            quick.close()
    from benchd.cli.common import store_of

    with store_of(given) as store:
        return asked(store)


def _quick(given: Path | None) -> QuickBoots | None:
    path = config_path(given)
    try:
        settings = parse(read_text(path, TOML_LIMIT), str(path))
    except BenchError:
        return None
    bench = settings.get("bench", {})
    usual = settings.keys() <= SECTIONS and isinstance(bench, dict) and bench.keys() <= BENCH.keys()
    if not usual or any(type(bench[key]) is not BENCH[key] for key in bench):
        return None
    data = (path.absolute().parent / bench.get("data", "data")).resolve()
    return quick_boots(data / "benchd.db", data)
