"""One machine being watched: its readers, its inbox, its captures, its pipeline.

Readers and keeping have threads of their own; everything else is used from the event loop's thread. What is written
to the capture is exactly what the pipeline was fed, in that order, so that a replay is the same.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Any, Protocol

from benchd.boots.deadlines import Deadline
from benchd.boots.limits import Limit
from benchd.capture.keeper import CaptureKeeper, folder_name, next_run
from benchd.clock import SYSTEM, Clock
from benchd.decode import framing_of
from benchd.links.reader import LinkReader
from benchd.links.settings import HUNT, PortSettings
from benchd.rules import Matcher, RuleTable
from benchd.settings import LinkPart, MachinePart, link_infos
from benchd.vocabulary.events import Event
from benchd.vocabulary.records import Annotation, ClockMark, LinkInfo, Record
from benchd.vocabulary.times import NS, Anchor
from benchd.watch.inbox import TICK_LAG_NS, TURN, Inbox, Rotation
from benchd.watch.index import Indexer, index_here
from benchd.watch.keeping import Keeping, Writing
from benchd.watch.pipeline import Pipeline
from benchd.watch.progress import Place

MARK_NS = 10 * NS
"""Silence is marked in the capture this often while a boot is open."""
MOST_SIZES = 2
"""A capture file is ended between boots once it has its size, anywhere once it has this many times that."""
WALL_OFF_NS = 2 * NS
"""A wall clock that is further off than this was set: times to come are labelled anew."""

TOLD_OF_LINKS = ("port", "state", "reason", "speed", "users", "opened", "failed")


class Reader(Protocol):
    """What brings one link's records: a thread of its own that is started and stopped once."""

    def start(self) -> None: ...

    def stop(self, timeout_s: float = ...) -> bool: ...


MakeReader = Callable[[LinkInfo, LinkPart, Callable[[Record], None]], Reader]


def port_reader(info: LinkInfo, link: LinkPart, deliver: Callable[[Record], None]) -> Reader:
    """Return the reader of a real port."""
    settings = PortSettings.of_link(
        info,
        hunt=link.speed == HUNT,
        modem_lines=link.modem_lines,
        dtr=link.dtr,
        rts=link.rts,
        hunt_rates=tuple(link.hunt_rates),
        latency_known=link.latency is not None,
    )
    return LinkReader(info, settings, deliver, scoring=framing_of(info).hunt)


class MachineWatcher:
    """Runs one machine. `kept()` is called from a thread when there is something to judge, and must not block.

    Rule tables that are only named are looked for from `base`. Until `start` nothing runs by itself: `take` then
    keeps and judges by hand.
    """

    def __init__(
        self,
        part: MachinePart,
        table: RuleTable,
        table_text: str,
        captures: Path,
        anchor: Anchor,
        *,
        kept: Callable[[], None] = lambda: None,
        writing: Writing | None = None,
        base: Path = Path(),
        clock: Clock = SYSTEM,
        reader: MakeReader = port_reader,
        limit_bytes: int = 64 << 20,
    ) -> None:
        self.base, self.part, self.name, self.clock = base, part, part.name, clock
        self.links = link_infos(part)
        self.anchor = anchor
        self.table = table
        self.pipeline = Pipeline(self.name, self.links, Matcher(table), anchor)
        self.folder = captures / folder_name(self.name)
        self.keeper = CaptureKeeper(
            self.folder,
            machine=self.name,
            table=table.name,
            links=self.links,
            wall_ns=anchor.wall_ns,
            mono_ns=anchor.mono_ns,
            run=next_run(captures),
        )
        self.indexer = Indexer(partial(index_here, base))
        self.inbox = Inbox()
        self.keeping = Keeping(self.name, self.inbox, self.keeper, kept, writing)
        self.readers = [reader(i, link, self.inbox.deliver) for i, link in zip(self.links, part.link, strict=True)]
        self.starting = anchor
        """The anchor that the capture's headers carry, whatever the wall clock was set to since."""
        self._mark_ns = anchor.mono_ns
        self._limits: dict[str, str] = {}
        self._table_text = table_text
        self._next_table: tuple[RuleTable, str] | None = None
        self.limit_bytes = limit_bytes
        self.keeping.most_bytes = MOST_SIZES * limit_bytes
        self.keeping.use(table.name, table_text)
        self.keeper.rotate(table_text)
        if part.model is not None:
            self.note("model", part.model)

    # ------------------------------------------------------------------ running

    def start(self) -> None:
        self.keeping.start()
        for reader in self.readers:
            reader.start()

    def stop(self, timeout_s: float = 1.0) -> None:
        """End the readers, all at once; one that hangs in its port is left behind."""
        for reader in self.readers:
            reader.stop(0)
        until = time.monotonic() + timeout_s
        for reader in self.readers:
            reader.stop(max(0.0, until - time.monotonic()))

    @property
    def behind_ns(self) -> int:
        """How old the oldest record is that is not judged yet; 0 where nothing waits."""
        oldest_ns = self.inbox.oldest_ns
        return 0 if oldest_ns is None else max(0, self.clock.monotonic_ns() - oldest_ns)

    def link_health(self) -> dict[str, dict[str, Any]]:
        """Return what each port's reader is doing, by link (`ReaderStatus`); `latency_s` is None while it is closed."""
        health: dict[str, dict[str, Any]] = {}
        for reader in self.readers:
            if isinstance(reader, LinkReader):
                now = reader.status()
                health[now.link] = {key: getattr(now, key) for key in TOLD_OF_LINKS}
                health[now.link]["latency_s"] = None if now.latency_ns is None else now.latency_ns / NS
        return health

    # ------------------------------------------------------------------ records and time

    def judge(self, most: int = TURN) -> tuple[list[Record], list[Event]]:
        """Judge the next records that were kept, `most` at most; return them and what follows from them."""
        waiting = self.inbox.next_to_judge(most)
        if not waiting:
            return [], []
        records, (first, last) = [record for record, _ in waiting], (waiting[0][1], waiting[-1][1])
        events = self.pipeline.feed_all(records)
        place = (first[0], first[1], last[2]) if first and last else None
        self.indexer.saw(place, self.pipeline, records, events)
        return records, events

    def take(self, *records: Record) -> list[Event]:
        """Keep and judge records, and all that waits, at once: for who has no threads running."""
        for record in records:
            self.inbox.deliver(record)
        return self.catch_up()

    def catch_up(self) -> list[Event]:
        """Keep and judge all that waits, in this thread."""
        while self.keeping.keep():
            pass
        events: list[Event] = []
        while len(self.inbox):
            events += self.judge()[1]
        return events

    def tick(self) -> list[Event]:
        """Let time pass up to a moment ago, or up to the oldest record that waits."""
        t_ns = self.inbox.tell(self.clock.monotonic_ns())
        if t_ns is None:
            return []
        mark = ClockMark(t_ns)
        events = self.pipeline.feed(mark)
        self.indexer.told(events)
        if self.pipeline.stirred or (not self.between_boots and t_ns - self._mark_ns >= MARK_NS):
            self.inbox.put(mark)
            self._mark_ns = t_ns
        return events

    # ------------------------------------------------------------------ notes

    def note(self, key: str, value: str, since_ns: int | None = None) -> None:
        """Judge boots from now on, or from a moment ago, under a note; see `records.Annotation`."""
        self.inbox.put(Annotation(self.clock.monotonic_ns() if since_ns is None else since_ns, key, value))

    def learn(self, limits: dict[str, Limit]) -> None:
        """Take over learned limits, those that changed."""
        for stage, limit in limits.items():
            text = limit.to_label(stage)
            if self._limits.get(stage) != text:
                self._limits[stage] = text
                self.note("limit", text)

    def check_wall(self) -> None:
        """Note where the wall clock stands if it was set since it was last noted."""
        t_ns, wall_ns = self.clock.monotonic_ns(), self.clock.time_ns()
        if abs(wall_ns - self.anchor.wall_ns - (t_ns - self.anchor.mono_ns)) > WALL_OFF_NS:
            self.anchor = Anchor(wall_ns, t_ns)
            self.note("wall", str(wall_ns), t_ns)

    def due(self) -> Deadline | None:
        """Return when silence will be judged if it lasts, and by which limit."""
        return self.pipeline.tracker.due()

    # ------------------------------------------------------------------ files

    @property
    def between_boots(self) -> bool:
        return self.pipeline.tracker.closed

    @property
    def at_rest(self) -> bool:
        """Whether a file could begin here: between boots, and nothing waits anywhere."""
        return self.between_boots and not self.pipeline.holding and not self.keeper.waiting and not len(self.inbox)

    def place(self) -> Place | None:
        """Return where reading would go on from here, None unless at rest."""
        path, size, in_force = self.keeper.path, self.keeper.size, tuple(self.keeper.in_force())
        # Asked last: a record that the keeper's thread wrote meanwhile still waits in the inbox.
        if path is None or not self.at_rest:
            return None
        return Place(path.name, size, self.pipeline.tracker.between, in_force)

    def reload(self, table: RuleTable, table_text: str) -> None:
        """Use another rule table from the next boot on."""
        self._next_table = (table, table_text)

    def rotate_if_due(self) -> bool:
        """Between boots, go on in a new capture file if this one is large or the table changed."""
        if self.keeper.size < self.limit_bytes and self._next_table is None:
            return False
        table, text = self._next_table or (self.table, self._table_text)
        phase = self.pipeline.tracker.between
        if not self.at_rest or not self.inbox.put_if_empty(Rotation(table.name, text, phase)):
            return False
        self.indexer.apart()
        if self._next_table is not None:
            self.table, self._table_text, self._next_table = table, text, None
            self.pipeline.tracker.use(Matcher(table))
        return True

    # ------------------------------------------------------------------ the end

    def finish(self) -> list[Event]:
        """End the run: judge what waits and what is held back, and close the capture."""
        events = self.catch_up()
        now_ns = self.clock.monotonic_ns()
        if (t_ns := self.inbox.tell(now_ns + TICK_LAG_NS)) is not None:
            by_time = self.pipeline.feed(ClockMark(t_ns))
            self.indexer.told(by_time)
            events += by_time
            if self.pipeline.stirred:
                self.inbox.put(ClockMark(t_ns))
        events += self.take(Annotation(max(now_ns, self.inbox.told_ns), "end", "stopped"))
        held_back = self.pipeline.drain()  # a boot may begin with it
        self.indexer.told(held_back)
        self.keeping.close()
        return [*events, *held_back]

    def leave(self) -> None:
        """Close the capture without an end: what was kept and not judged is judged at the next start, see `recover`."""
        while self.keeping.keep():
            pass
        self.keeping.close()


def stop_all(runs: Sequence[MachineWatcher], timeout_s: float) -> None:
    """End the readers and the keeping of all machines together within about `timeout_s`."""
    for run in runs:
        run.stop(0)
    until = time.monotonic() + timeout_s
    for run in runs:
        run.stop(max(0.0, until - time.monotonic()))
    for run in runs:
        run.keeping.stop(max(0.05, until - time.monotonic()))
