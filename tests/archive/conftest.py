"""Archives to test on: SQLite, and a PostgreSQL cluster of our own."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from archive.archive_peer import ArchiveProcess
from archive.telling import Bench, bench_of
from sinks.broker_peer import Mosquitto
from sinks.conftest import broker  # noqa: F401  # a fixture
from store.conftest import Cluster, cluster, place  # noqa: F401  # fixtures
from web.conftest import axe, browser, chromium, serious  # noqa: F401  # fixtures

from benchd.archive.database import ArchiveDatabase


@pytest.fixture
def database(place: str) -> Iterator[ArchiveDatabase]:  # noqa: F811
    opened = ArchiveDatabase(place, create=True, read_only=False)
    yield opened
    opened.close()


@pytest.fixture
def benches(tmp_path: Path) -> Iterator[list[Bench]]:
    made = [bench_of(tmp_path / name, name, seed) for seed, name in enumerate(("corner", "attic bench"), 1)]
    yield made
    for bench in made:
        assert bench.store is not None
        bench.store.close()


@pytest.fixture
def archive(tmp_path: Path, broker: Mosquitto) -> Iterator[ArchiveProcess]:  # noqa: F811
    process = ArchiveProcess(tmp_path / "archive", broker.port, str(tmp_path / "archive.db"))
    process.start()
    yield process
    process.stop()
