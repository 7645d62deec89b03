"""The rule table that judged a stored boot: as its capture carries it, else the shipped one of that name."""

from __future__ import annotations

from itertools import islice
from pathlib import Path

from benchd.capture import read_capture
from benchd.capture.packed import file_of
from benchd.errors import BenchError
from benchd.rules import RuleTable, load_text
from benchd.rules.files import load_table, text_beside
from benchd.store import Store
from benchd.vocabulary.models import Boot
from benchd.vocabulary.records import Annotation

HEAD_RECORDS = 20
"""Annotations stand at the beginning of a capture; the table's text is one of them."""


def table_text(store: Store, boot: Boot) -> str | None:
    """The text of the table beside the boot's capture, or that it carries; None without a capture that tells."""
    path = store.capture_of(boot.id)
    if path is None or file_of(Path(path)) is None:
        return None
    try:
        if (text := text_beside(Path(path))) is not None:
            return text
        head = list(islice(read_capture(Path(path)).records(), HEAD_RECORDS))
    except BenchError:
        return None
    return next((note.value for note in head if isinstance(note, Annotation) and note.key == "table"), None)


def table_of(store: Store, boot: Boot) -> RuleTable | None:
    """The boot's rule table; None where it is not there any more, or does not read."""
    text = table_text(store, boot)
    try:
        return load_text(text, boot.table) if text is not None else load_table(boot.table, Path("/"))
    except BenchError:
        return None
