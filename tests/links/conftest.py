"""The guest in which the kernel's own serial drivers run: booted once, left clean between tests."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from rig.guest import Guest


@pytest.fixture(scope="session")
def booted() -> Iterator[Guest]:
    guest = Guest()
    yield guest
    guest.close()


@pytest.fixture
def guest(booted: Guest) -> Iterator[Guest]:
    """The guest, with names for what nearly every test inside it needs; readers are stopped, adapters pulled after."""
    booted.forget()
    booted("from rig.inside import *")
    yield booted
    booted("stop_all()")
    booted.unplug_all()
    booted("gone()")
