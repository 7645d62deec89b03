"""The store: boots with their stages, findings and checks; studies, trials, results, images, predictions.

SQLite in one file by default, PostgreSQL by naming its URL. Boots can be rebuilt from captures; studies,
trials, notes and results entered by hand cannot, so they are what backups are for.

The promise: when `save_boot` has returned, the boot is there after a kill and after a power cut.
"""

from benchd.store.store import Store
from benchd.store.study_models import Hand, LogEntry, Result, StoredImage, StoredPrediction, StoredStudy, Trial

__all__ = ["Hand", "LogEntry", "Result", "Store", "StoredImage", "StoredPrediction", "StoredStudy", "Trial"]
