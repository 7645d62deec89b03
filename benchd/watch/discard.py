"""A capture taken away, with what lies beside it."""

from __future__ import annotations

from pathlib import Path

from benchd.capture.packed import packed_name
from benchd.watch.index import index_path
from benchd.watch.replay import beside


def take_away(capture: Path) -> None:
    """Delete a capture, compressed or not, its index, and the table by which it was judged again. Raises OSError."""
    for file in (index_path(capture), beside(capture), capture, packed_name(capture)):
        file.unlink(missing_ok=True)
