"""The store, opened when it is first asked for, and again while that fails: reading never waits for it."""

from __future__ import annotations

import contextlib
import threading
from typing import Any

from benchd.clock import SYSTEM, Clock
from benchd.errors import BenchError, ExternalError
from benchd.store import Store
from benchd.vocabulary.times import NS

RETRY_NS = NS
PATIENCE_S = 2.0
"""How long one who asks waits for another who is opening it: a frozen database answers nobody."""


class LateStore:
    """Has what `Store` has. While the store cannot be opened, everything raises ExternalError and `unopened` says why.

    Opening takes as long as it takes: never call it from the event loop. Tries come a second apart at most.
    """

    def __init__(self, url: str, clock: Clock = SYSTEM) -> None:
        self.unopened = ""
        self._url, self._clock = url, clock
        self._store: Store | None = None
        self._next_ns = clock.monotonic_ns()
        self._lock = threading.Lock()
        self._closed = False

    @property
    def open(self) -> bool:
        return self._store is not None

    def __getattr__(self, name: str) -> Any:
        if name.startswith("_"):
            raise AttributeError(name)
        return getattr(self._opened(), name)

    def _opened(self) -> Store:
        if (store := self._store) is not None:
            return store
        if not self._lock.acquire(timeout=PATIENCE_S):
            raise ExternalError(self.unopened or "the store is being opened: try again")
        try:
            if self._store is None:
                self._try()
            assert self._store is not None
            return self._store
        finally:
            self._lock.release()

    def _try(self) -> None:
        if self._closed or self._clock.monotonic_ns() < self._next_ns:
            raise ExternalError(self.unopened or "the store is closed")
        try:
            self._store = Store.open(self._url)
            self.unopened = ""
        except BenchError as error:
            self._next_ns = self._clock.monotonic_ns() + RETRY_NS
            self.unopened = str(error)
            raise ExternalError(self.unopened) from error

    def close(self) -> None:
        """Close what is open; nothing is opened any more. Waits for nobody."""
        self._closed = True
        if self._store is not None:
            with contextlib.suppress(BenchError):
                self._store.close()
