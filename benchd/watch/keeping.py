"""The threads that keep one machine's records: one writes what comes in, one puts it on the disk.

They wait for nobody but the disk: neither for the judging, nor for another machine, nor for who reads pages.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Sequence

from benchd.capture.keeper import CaptureKeeper, Written
from benchd.vocabulary.records import Record
from benchd.watch.inbox import Inbox, Rotation

log = logging.getLogger(__name__)

SYNC_S = 0.5
"""Captures are put on disk this often; the promise is 1 s."""
REST_S = 0.005
"""What comes within this time after a batch is kept, and judged, together: waking threads costs more than the rest."""


class Keeping:
    """Moves records from the inbox into captures. `kept()` is called after each batch and must not block.

    `rest_s` lies between two batches at least. Without `start`, `keep` does the work by hand.
    """

    def __init__(
        self, name: str, inbox: Inbox, keeper: CaptureKeeper, kept: Callable[[], None], rest_s: float = REST_S
    ) -> None:
        self.inbox, self.keeper = inbox, keeper
        self.most_bytes = 1 << 62
        """A file that is larger is ended wherever it stands."""
        self._name, self._kept, self._rest_s = name, kept, rest_s
        self._table_text: str | None = None
        self._ending = threading.Event()
        self._threads = [
            threading.Thread(target=work, name=f"{what} {name}", daemon=True)
            for what, work in (("keep", self._keep_on), ("sync", self._sync_on))
        ]

    def start(self) -> None:
        for thread in self._threads:
            thread.start()

    def stop(self, timeout_s: float) -> bool:
        """Keep what waits and end the threads; return whether they ended within `timeout_s` each."""
        self._ending.set()
        self.inbox.filled.ring()
        for thread in self._threads:
            if thread.is_alive():
                thread.join(timeout_s)
        return self.ended

    @property
    def ended(self) -> bool:
        """Whether no thread keeps: it may be done by hand."""
        return not any(thread.is_alive() for thread in self._threads)

    def use(self, table: str, table_text: str) -> None:
        """Write this rule table into the files to come."""
        self.keeper.table, self._table_text = table, table_text

    def keep(self) -> bool:
        """Write one batch and pass it on; return whether more waits."""
        items = self.inbox.next_to_keep()
        if not items:
            return False
        places: list[Written | None] = [None] * len(items)
        if isinstance(items[0], Rotation):
            self.use(items[0].table, items[0].table_text)
            self._rotate(items[0].phase)
        else:
            places = self._write([item for item in items if not isinstance(item, Rotation)])
        more = self.inbox.kept(items, places)
        self._kept()
        return more

    def _write(self, records: Sequence[Record]) -> list[Written | None]:
        try:
            places = self.keeper.keep(*records)
        except Exception:  # a fault of ours: one record is in no capture, those before and after it shall be
            if len(records) > 1:
                return [place for record in records for place in self._write([record])]
            log.exception("%s: a record could not be kept", self._name)
            return [None]
        if self.keeper.size > self.most_bytes and not self.keeper.waiting:
            # Under way in a boot: the next file is read on from this one, see `replay.news`.
            self._rotate("")
        return places

    def sync(self) -> None:
        """Put on disk what was written; for any thread, and nobody waits for it."""
        self.keeper.sync()

    def close(self) -> None:
        self.keeper.close()

    def _rotate(self, phase: str) -> None:
        self.keeper.rotate(self._table_text, phase=phase)

    def _keep_on(self) -> None:
        dense, kept_s = False, 0.0
        while not (self._ending.is_set() and self.inbox.all_kept):
            rung = self.inbox.filled.wait(0 if dense else SYNC_S)
            early_s = self._rest_s - time.monotonic() + kept_s if rung and not dense else 0.0
            dense = rung and (dense or early_s > 0)
            if early_s > 0:
                time.sleep(early_s)
            while self.keep():
                pass
            self.keeper.retry()
            kept_s = time.monotonic()
            if dense:  # the next comes as soon again: one wake is less than two
                time.sleep(self._rest_s)

    def _sync_on(self) -> None:
        while not self._ending.wait(SYNC_S):
            self.sync()
