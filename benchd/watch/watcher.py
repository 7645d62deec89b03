"""One machine being watched: its readers, its street, its captures. Used from the event loop's thread.

What is written to the capture is exactly what the street was fed, in that order, so that a replay is the same.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from benchd.boots.limits import Limit
from benchd.capture.keeper import CaptureKeeper, folder_name
from benchd.decode.benchframe import FrameRefused, decode_frame
from benchd.links.reader import LinkReader
from benchd.links.settings import HUNT, PortSettings
from benchd.rules import Matcher, RuleTable
from benchd.settings import MachinePart, link_infos
from benchd.vocabulary.events import Event
from benchd.vocabulary.records import Annotation, Chunk, ClockMark, Record
from benchd.vocabulary.times import Anchor
from benchd.watch.pipeline import Pipeline

TICK_LAG_NS = 50_000_000
"""Time is told to the street this late, so that a record stamped before it has come in by then."""
MARK_NS = 10_000_000_000
"""Silence is marked in the capture this often while a boot is open."""


def frame_ok(wire: bytes) -> bool:
    """Whether the bytes before a delimiter are a sound bench frame; the speed hunt judges by it."""
    try:
        decode_frame(wire)
    except FrameRefused:
        return False
    return True


class MachineWatcher:
    """Runs one machine. `deliver(run, record)` is called from reader threads and must not block.

    Rule tables that are only named are looked for from `base`.
    """

    def __init__(
        self,
        part: MachinePart,
        table: RuleTable,
        table_text: str,
        captures: Path,
        anchor: Anchor,
        deliver: Callable[[MachineWatcher, Record], None],
        base: Path = Path(),
    ) -> None:
        self.base = base
        self.part = part
        self.name = part.name
        self.links = link_infos(part)
        self.anchor = anchor
        self.table = table
        self.street = Pipeline(self.name, self.links, Matcher(table), anchor)
        self.keeper = CaptureKeeper(
            captures / folder_name(self.name),
            machine=self.name,
            table=table.name,
            links=self.links,
            wall_ns=anchor.wall_ns,
            mono_ns=anchor.mono_ns,
        )
        self.late = 0
        self.received: Counter[str] = Counter()
        self.readers = [
            LinkReader(
                info,
                PortSettings.of_link(
                    info,
                    hunt=link.speed == HUNT,
                    modem_lines=link.modem_lines,
                    dtr=link.dtr,
                    rts=link.rts,
                    hunt_rates=tuple(link.hunt_rates),
                    latency_known=link.latency is not None,
                ),
                lambda record: deliver(self, record),
                frame_ok=frame_ok,
            )
            for info, link in zip(self.links, part.link, strict=True)
        ]
        self._mark_ns = anchor.mono_ns
        self._told_ns = 0
        self._limits: dict[str, str] = {}
        self._table_text = table_text
        self._next_table: tuple[RuleTable, str] | None = None
        self.keeper.rotate(table_text)

    def start(self) -> None:
        for reader in self.readers:
            reader.start()

    def stop(self) -> None:
        for reader in self.readers:
            reader.stop()

    def take(self, record: Record) -> list[Event]:
        """Keep a record, and judge it."""
        return self.street.feed(self.keep(record))

    def keep(self, record: Record) -> Record:
        """Keep a record; return it as it was kept."""
        if record.t_ns < self._told_ns and not isinstance(record, Annotation):
            # Stamped before an instant that was already judged: the thread was held up. Rare; counted.
            record = replace(record, t_ns=self._told_ns)
            self.late += 1
        elif record.t_ns < self._told_ns:
            self.keeper.keep(ClockMark(self._told_ns))  # the note takes effect at this point, not at its stamp
        if isinstance(record, Chunk):
            self.received[record.link] += len(record.data)
        elif isinstance(record, Annotation) and record.key == "limit":
            self._limits[record.value.rpartition("=")[0]] = record.value
        self.keeper.keep(record)
        return record

    def tick(self, now_ns: int | None = None) -> list[Event]:
        """Let time pass up to a moment ago."""
        t_ns = (time.monotonic_ns() if now_ns is None else now_ns) - TICK_LAG_NS
        if t_ns <= self._told_ns:
            return []
        self._told_ns = t_ns
        mark = ClockMark(t_ns)
        events = self.street.feed(mark)
        silent = self.street.tracker.phase not in ("idle", "over") and t_ns - self._mark_ns >= MARK_NS
        if self.street.stirred or silent:
            self.keeper.keep(mark)
            self._mark_ns = t_ns
        return events

    def label(self, key: str, value: str, since_ns: int | None = None) -> list[Event]:
        """Judge boots from now on, or from a moment ago, under a label; see `records.Annotation`."""
        return self.take(Annotation(time.monotonic_ns() if since_ns is None else since_ns, key, value))

    def learn(self, limits: dict[str, Limit]) -> list[Event]:
        """Take over learned limits, those that changed."""
        events: list[Event] = []
        for stage, limit in limits.items():
            text = limit.to_label(stage)
            if self._limits.get(stage) != text:
                events += self.label("limit", text)
        return events

    def due(self) -> tuple[str, int] | None:
        """Return what silence will mean if it lasts (a rule's name, or "silence"), and when (monotonic ns)."""
        deadline = self.street.tracker.next_deadline()
        if deadline is None or deadline.what not in ("known", "unknown", "quiet"):
            return None
        return (deadline.stall.name if deadline.stall else "silence"), deadline.t_ns

    @property
    def between_boots(self) -> bool:
        return self.street.tracker.phase in ("idle", "over")

    def reload(self, table: RuleTable, table_text: str) -> None:
        """Use another rule table from the next boot on."""
        self._next_table = (table, table_text)

    def rotate_if_due(self, limit_bytes: int) -> bool:
        """Between boots, go on in a new capture file if this one is large or the table changed."""
        if not self.between_boots or self.street.holding or self.keeper.waiting:
            return False
        if self.keeper.size < limit_bytes and self._next_table is None:
            return False
        if self._next_table is not None:
            (self.table, self._table_text), self._next_table = self._next_table, None
            self.street.tracker.use(Matcher(self.table))
            self.keeper.table = self.table.name
        self.keeper.rotate(self._table_text, phase=self.street.tracker.between)
        return True

    def finish(self) -> list[Event]:
        """End the run: judge what is held back and close the capture."""
        events = self.tick(time.monotonic_ns() + TICK_LAG_NS)
        events += self.take(Annotation(max(time.monotonic_ns(), self._told_ns), "end", "stopped"))
        events += self.street.drain()
        self.keeper.close()
        return events

    def leave(self) -> None:
        """Close the capture without an end: what was kept and not judged is judged at the next start, see `recover`."""
        self.keeper.close()
