"""One emulator for all tests of a module; each test starts a card of its own in it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from card.rig import Card


@pytest.fixture(scope="module")
def emulator() -> Iterator[Card]:
    card = Card()
    yield card
    card.close()


@pytest.fixture
def card(emulator: Card) -> Card:
    """A card that has started, with what it says at its start taken away."""
    emulator.fresh()
    emulator.line(0)
    emulator.run(3_000_000)
    emulator.frames()
    return emulator
