"""Whether this process looks at all: a thread that says so ten times a second.

A process that is stopped and continued, or a computer that sleeps, finds everything in its ports at once, and a
silence that was none. Whoever runs first afterwards notes the gap, see `Inbox.awake`.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence

from benchd.clock import Clock
from benchd.watch.inbox import Inbox

EVERY_S = 0.1


class Attention:
    """Keeps `inboxes` told that somebody looks, from `start` to `stop`."""

    def __init__(self, inboxes: Sequence[Inbox], clock: Clock) -> None:
        self._inboxes, self._clock = inboxes, clock
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name="attention", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._ending.set()

    def _run(self) -> None:
        while not self._ending.wait(EVERY_S):
            for inbox in self._inboxes:
                inbox.awake(self._clock.monotonic_ns())
