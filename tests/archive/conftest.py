"""Archives to test on: SQLite, and a PostgreSQL cluster of our own."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from store.conftest import Cluster, cluster, place  # noqa: F401  # fixtures

from benchd.archive.database import ArchiveDatabase


@pytest.fixture
def database(place: str) -> Iterator[ArchiveDatabase]:  # noqa: F811
    opened = ArchiveDatabase(place, create=True, read_only=False)
    yield opened
    opened.close()
