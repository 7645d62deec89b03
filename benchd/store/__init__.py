"""The store: boots with their stages, findings and checks; studies, trials, results, images, predictions.

SQLite in one file by default, PostgreSQL by naming its URL. Boots can be rebuilt from captures; studies,
trials, notes and results entered by hand cannot, so they are what backups are for.

The promise: when `save_boot` has returned, the boot is there after a kill and after a power cut.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from benchd.store.store import Store
    from benchd.store.study_models import Result, StoredImage, StoredPrediction, StoredStudy, Trial

__all__ = ["Result", "Store", "StoredImage", "StoredPrediction", "StoredStudy", "Trial"]


def __getattr__(name: str) -> Any:
    """Import what is asked for, and not the database library for those that only list boots (`quick`)."""
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    home = import_module(f"{__name__}.store" if name == "Store" else f"{__name__}.study_models")
    value = globals()[name] = getattr(home, name)
    return value
