"""What one machine's readers brought: first to be kept, then to be judged, in one order; and how far time may go.

A record passes two queues. Readers put it into the first; the keeper's thread writes it to the capture and moves it
to the second; the loop judges it. It stays in the first until it is written, so that one rule holds everything
together: time is never told beyond the oldest record in either queue. What is judged is therefore what was kept, in
the order in which it was kept, and with the reader's stamp.

A record that was stamped before an instant already told (its thread was held up) is kept behind a mark of that
instant, because only then does a replay judge it as it was judged live. Records that are not late need no mark.
"""

from __future__ import annotations

import threading
import time
from collections import Counter, deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import islice, zip_longest
from typing import TypeAlias

from benchd.capture.keeper import RECORD_BYTES, Written
from benchd.vocabulary.records import Annotation, Chunk, ClockMark, LinkState, Record
from benchd.vocabulary.times import NS

WAITING_BYTES = 2 << 20
"""What one link may have waiting, `RECORD_BYTES` a record and its data: half a minute at least of a full 115,200
baud line. Beyond it the newest are dropped, counted and told, and no other link suffers from it."""
OVERFLOW_S = 0.005
"""A reader that brings too much rests for this long: it still empties any serial line, but a flood over a network
leaves the others their time."""
TICK_LAG_NS = 50_000_000
"""Time is told this late, so that a record stamped before it has come in by then."""
ABSENT_NS = NS // 2
"""Nobody looked for this long: silence in it proves nothing."""
BATCH, BATCH_BYTES = 256, 4096
"""What is kept together: so many records at most, and none beyond so many bytes of data."""
TURN, TURN_BYTES = 8, 512
"""The same of what is judged together: boots that come without a pause take long, and others wait meanwhile."""


@dataclass(frozen=True, slots=True)
class Rotation:
    """Go on in a new capture file here; see `CaptureKeeper.rotate`. `table` is the rule table's name."""

    table: str
    table_text: str
    phase: str


Item: TypeAlias = Record | Rotation
Judged: TypeAlias = tuple[Record, Written | None]


class Bell:
    """Wakes the one thread that waits for it. A lock does, and takes less than half of what an Event takes."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._lock.acquire()

    def ring(self) -> None:
        """Wake who waits, or who will wait next; rung twice before that is rung once."""
        if self._lock.locked():
            with suppress(RuntimeError):  # somebody else was faster
                self._lock.release()

    def wait(self, timeout_s: float) -> bool:
        """Wait until it is rung, at most so long; return whether it was."""
        return self._lock.acquire(timeout=timeout_s)


class Inbox:
    """The two queues of one machine. `put` is for any thread; one thread keeps, one judges.

    `lost` counts bytes that were dropped, by link. `told_ns` is the instant up to which time was told.
    """

    def __init__(self, rest: Callable[[float], None] = time.sleep) -> None:
        self.lost: Counter[str] = Counter()
        self.brought: Counter[str] = Counter()
        self.told_ns = 0
        self.ring: Callable[[], None] = lambda: None
        """Called when something is to be kept; must not block."""
        self.closing_ns: int | None = None
        """From here on it is us who close the links: nothing happens to the machine or its cables."""
        self._lock = threading.Lock()
        self._rest = rest
        self._weight: Counter[str] = Counter()
        self._to_keep: deque[Item] = deque()
        self._to_judge: deque[Judged] = deque()
        self._awake_ns: int | None = None

    def __len__(self) -> int:
        """Records that wait, in either queue."""
        return len(self._to_keep) + len(self._to_judge)

    @property
    def all_kept(self) -> bool:
        return not self._to_keep

    @property
    def rotates(self) -> bool:
        """Whether what is to be kept next begins a new file; for the thread that keeps."""
        return bool(self._to_keep) and isinstance(self._to_keep[0], Rotation)

    @property
    def oldest_ns(self) -> int | None:
        """The earliest stamp that waits, None where nothing does."""
        with self._lock:
            return self._oldest()

    def _oldest(self) -> int | None:
        stamps = [record.t_ns for record, _ in self._to_judge]
        stamps += [item.t_ns for item in self._to_keep if not isinstance(item, Rotation)]
        return min(stamps, default=None)

    # ------------------------------------------------------------------ those who bring

    def deliver(self, record: Record) -> None:
        """Take a record from a reader's thread. Never waits for anybody; a link that brings too much loses some."""
        if isinstance(record, LinkState) and not record.up and self._closed_by_us(record):
            return
        with self._lock:
            self._notice(record.t_ns)
            fits = self._fits(record)
            if fits:
                self._to_keep.append(record)
        if fits:
            self.ring()
        else:
            self._rest(OVERFLOW_S)

    def _closed_by_us(self, record: LinkState) -> bool:
        return self.closing_ns is not None and record.t_ns >= self.closing_ns

    def _fits(self, record: Record) -> bool:
        if not isinstance(record, Chunk):
            return True
        cost = RECORD_BYTES + len(record.data)
        if self._weight[record.link] + cost > WAITING_BYTES:
            self.lost[record.link] += len(record.data)
            return False
        self._weight[record.link] += cost
        self.brought[record.link] += len(record.data)
        return True

    def put(self, item: Item) -> None:
        """Queue a note, a mark or a rotation behind what came before it."""
        with self._lock:
            self._to_keep.append(item)
        self.ring()

    def awake(self, now_ns: int) -> None:
        """Say that this process is running; to be called every tenth of a second or so, from the first call on."""
        with self._lock:
            self._awake_ns = now_ns if self._awake_ns is None else self._awake_ns
            self._notice(now_ns)

    def _notice(self, now_ns: int) -> None:
        """Whoever comes first after a gap (a stopped process, a suspended computer) notes it before anything else."""
        since_ns = self._awake_ns
        if since_ns is None or now_ns <= since_ns:
            return
        if now_ns - since_ns > ABSENT_NS:
            self._to_keep.append(Annotation(since_ns, "attention", f"{(now_ns - since_ns) / NS:.3f}"))
            self.ring()
        self._awake_ns = now_ns

    # ------------------------------------------------------------------ the one who keeps

    def next_to_keep(self) -> list[Item]:
        """Return what is to be kept next, with the marks that late records need; it stays here until `kept`.

        That are records, or one rotation.
        """
        out: list[Item] = []
        size = 0
        with self._lock:
            for item in islice(self._to_keep, BATCH):
                if size >= BATCH_BYTES or (out and isinstance(item, Rotation)):
                    break
                if not isinstance(item, Rotation | ClockMark) and item.t_ns < self.told_ns:
                    out.append(ClockMark(self.told_ns))
                out.append(item)
                if isinstance(item, Rotation):
                    break
                size += len(item.data) if isinstance(item, Chunk) else 0
        return out

    def kept(self, items: Sequence[Item], places: Sequence[Written | None] = ()) -> bool:
        """Pass on what was kept, with where each was written if that is known; return whether more is to be kept."""
        with self._lock:
            for item, place in zip_longest(items, places):
                if self._to_keep and item is self._to_keep[0]:
                    self._to_keep.popleft()
                if not isinstance(item, Rotation):
                    self._to_judge.append((item, place))
            return bool(self._to_keep)

    # ------------------------------------------------------------------ the one who judges

    def next_to_judge(self, most: int = TURN) -> list[Judged]:
        """Remove and return the next records that were kept, all in one file, and their places.

        They are to be judged before time is told again.
        """
        out: list[Judged] = []
        with self._lock:
            waiting, size = self._to_judge, 0
            while waiting and len(out) < most and size < TURN_BYTES and (not out or _same_file(out[-1], waiting[0])):
                out.append(waiting.popleft())
                record = out[-1][0]
                if isinstance(record, Chunk):
                    size += len(record.data)
                    self._weight[record.link] -= RECORD_BYTES + len(record.data)
        return out

    def tell(self, now_ns: int) -> int | None:
        """Move time on as far as it may go at `now_ns` and return how far, None where it may not."""
        with self._lock:
            self._notice(now_ns)
            oldest_ns = self._oldest()
            t_ns = now_ns - TICK_LAG_NS if oldest_ns is None else min(now_ns - TICK_LAG_NS, oldest_ns)
            if t_ns <= self.told_ns:
                return None
            self.told_ns = t_ns
            return t_ns

    def put_if_empty(self, item: Item) -> bool:
        """Queue `item` if nothing waits: then it stands in the capture where the judging is now."""
        with self._lock:
            if self._to_keep or self._to_judge:
                return False
            self._to_keep.append(item)
        self.ring()
        return True


def _same_file(one: Judged, other: Judged) -> bool:
    a, b = one[1], other[1]
    return a is None if b is None else a is not None and a[0] is b[0]
