"""Fixtures of the sinks' tests."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from sinks.broker_peer import Mosquitto


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    peer = Mosquitto(tmp_path / "broker")
    peer.start()
    yield peer
    peer.stop()
