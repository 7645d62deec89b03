"""The threads that keep machines' records: one writes what comes in on all of them, each machine has two for the disk.

What comes from several machines at once is written in one go by one thread, since waking eight takes longer than the
writing. It never waits: where a file begins or ends, or the disk refuses, the machine's own thread takes over until
all is written again. So nobody waits for more than the disk: neither for the judging, nor for another machine's files,
nor for who reads pages. A third thread puts on the disk what was written.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Sequence

from benchd.capture.keeper import CaptureKeeper, Written
from benchd.vocabulary.records import Record
from benchd.watch.inbox import Bell, Inbox, Rotation

log = logging.getLogger(__name__)

SYNC_S = 0.5
"""Captures are put on disk this often; the promise is 1 s."""
REST_S = 0.002
"""What comes within this time after a batch is kept, and judged, together: waking threads costs more than the rest."""
GATHER_S = 0.001
"""Several machines' readers that were woken at one instant have all brought what they read by then."""


class Writing:
    """The thread that writes what comes in on all machines; it runs while there are any.

    `rest_s` lies between two rounds at least.
    """

    def __init__(self, rest_s: float = REST_S) -> None:
        self._rest_s = rest_s
        self._bell = Bell()
        self._due: dict[Keeping, None] = {}
        self._served: set[Keeping] = set()
        self._running = False
        self._changing = threading.Lock()

    def due(self, keeping: Keeping) -> None:
        """Something of a machine is to be kept; for any thread."""
        self._due[keeping] = None
        self._bell.ring()

    def serve(self, keeping: Keeping) -> None:
        """Serve a machine from now on."""
        with self._changing:
            self._served.add(keeping)
            if not self._running:
                self._running = True
                threading.Thread(target=self._work, name="keep", daemon=True).start()
        self.due(keeping)

    def leave(self, keeping: Keeping) -> None:
        """Serve a machine no more; the thread ends with the last one."""
        with self._changing:
            self._served.discard(keeping)
        self._bell.ring()

    def _work(self) -> None:
        dense, kept_s = False, 0.0
        while True:
            with self._changing:
                if not self._served:
                    self._running = False
                    return
            rung = self._bell.wait(0 if dense else SYNC_S)
            early_s = kept_s + self._rest_s - time.monotonic() if rung and not dense else 0.0
            dense = rung and (dense or early_s > 0)
            if early_s > 0:
                time.sleep(early_s)
            elif rung and len(self._served) > 1 and self._rest_s:
                time.sleep(GATHER_S)
            self.round()
            kept_s = time.monotonic()
            if dense:  # the next comes as soon again: one wake is less than two
                time.sleep(self._rest_s)

    def round(self) -> None:
        """Write one batch of each machine that is due."""
        wrote = []
        for keeping in list(self._due):
            del self._due[keeping]  # first: what comes from here on makes it due again
            try:
                if keeping.turn():
                    wrote.append(keeping)
            except Exception:  # a fault of ours, with one machine: the others go on
                log.exception("%s: what came in could not be kept", keeping.name)
        for keeping in wrote:
            keeping.kept()


class Keeping:
    """Moves records from the inbox into captures. `kept()` is called after each batch and must not block.

    Without `start`, `keep` does the work by hand. `writing` is shared by the machines of a daemon.
    """

    def __init__(
        self, name: str, inbox: Inbox, keeper: CaptureKeeper, kept: Callable[[], None], writing: Writing | None = None
    ) -> None:
        self.name, self.inbox, self.keeper, self.kept = name, inbox, keeper, kept
        self.most_bytes = 1 << 62
        """A file that is larger is ended wherever it stands."""
        self._writing = writing if writing is not None else Writing()
        self._table_text: str | None = None
        self._ending = threading.Event()
        self._bell = Bell()
        self._own = False
        """Whether this machine's thread does the work. It is handed over by the shared one, and given back by it."""
        self._threads = [
            threading.Thread(target=work, name=f"{what} {name}", daemon=True)
            for what, work in (("files", self._keep_on), ("sync", self._sync_on))
        ]

    def start(self) -> None:
        self.inbox.ring = self.due
        for thread in self._threads:
            thread.start()
        self._writing.serve(self)

    def stop(self, timeout_s: float) -> bool:
        """Keep what waits and end the threads; return whether they ended within `timeout_s` each."""
        self._ending.set()
        self.due()
        for thread in self._threads:
            if thread.is_alive():
                thread.join(timeout_s)
        self._writing.leave(self)
        return self.ended

    @property
    def ended(self) -> bool:
        """Whether no thread keeps: it may be done by hand."""
        return not any(thread.is_alive() for thread in self._threads)

    def due(self) -> None:
        """Something is to be kept; for any thread."""
        self._writing.due(self)

    def use(self, table: str, table_text: str) -> None:
        """Write this rule table into the files to come."""
        self.keeper.table, self._table_text = table, table_text

    def turn(self) -> bool:
        """Write one batch, or have it done by the machine's own thread; return whether one was written.

        For the thread that serves all machines.
        """
        if not self._own:
            if self.keeper.plain and not (self._large or self.inbox.rotates or self._ending.is_set()):
                wrote, more = self._keep()
                if more:
                    self.due()
                return wrote
            self._own = True
        self._bell.ring()
        return False

    def keep(self) -> bool:
        """Write one batch and pass it on; return whether more waits."""
        wrote, more = self._keep()
        if wrote:
            self.kept()
        return more

    def _keep(self) -> tuple[bool, bool]:
        items = self.inbox.next_to_keep()
        if not items:
            return False, False
        if self._large:  # under way in a boot: the next file is read on from this one, see `replay.news`
            self._rotate("")
        places: list[Written | None] = [None] * len(items)
        if isinstance(items[0], Rotation):
            self.use(items[0].table, items[0].table_text)
            self._rotate(items[0].phase)
        else:
            places = self._write([item for item in items if not isinstance(item, Rotation)])
        return True, self.inbox.kept(items, places)

    def _write(self, records: Sequence[Record]) -> list[Written | None]:
        try:
            return self.keeper.keep(*records)
        except Exception:  # a fault of ours: one record is in no capture, those before and after it shall be
            if len(records) > 1:
                return [place for record in records for place in self._write([record])]
            log.exception("%s: a record could not be kept", self.name)
            return [None]

    @property
    def _large(self) -> bool:
        return self.keeper.size > self.most_bytes and not self.keeper.waiting

    def sync(self) -> None:
        """Put on disk what was written; for any thread, and nobody waits for it."""
        self.keeper.sync()

    def close(self) -> None:
        self.keeper.close()

    def _rotate(self, phase: str) -> None:
        self.keeper.rotate(self._table_text, phase=phase)

    def _keep_on(self) -> None:
        while not (self._ending.is_set() and self._own and self.inbox.all_kept):
            self._bell.wait(SYNC_S if self._own else -1)
            if not self._own:
                continue
            while self.keep():
                pass
            self.keeper.retry()
            if self.keeper.plain and not self._ending.is_set():
                self._own = False
                self.due()  # what came meanwhile was left to this thread

    def _sync_on(self) -> None:
        while not self._ending.wait(SYNC_S):
            self.sync()
            if self.keeper.unusable:
                self.due()
