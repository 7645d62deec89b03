"""One machine's pipeline: records in, events out. The same for a live bench and for a replay.

Records come in the order in which they were taken in; observations of several links are put in order of time
by holding each back for `HOLD_NS`. Live, time passes by `ClockMark` records: one that made nothing happen
need not be kept, so a capture with the others gives the same events again. Pure.
"""

from __future__ import annotations

import heapq
from collections.abc import Sequence

from benchd.boots import BootTracker
from benchd.decode import Decoder, make_decoder
from benchd.decode.doctor import Doctor
from benchd.rules import Matcher
from benchd.vocabulary.events import Event
from benchd.vocabulary.observations import Observation
from benchd.vocabulary.records import Annotation, Chunk, ClockMark, LineFault, LinkInfo, LinkState, ModemLines, Record
from benchd.vocabulary.times import Anchor

HOLD_NS = 100_000_000
"""How long observations wait for those of another link that happened earlier; nothing, with one link only."""


class Pipeline:
    """Decodes and judges the records of one machine.

    `links` are the machine's links; records of others are ignored. `tracker` and `decoders` may be looked at.
    """

    def __init__(self, machine: str, links: Sequence[LinkInfo], matcher: Matcher, anchor: Anchor) -> None:
        self.machine = machine
        self.anchor = anchor
        self.decoders: dict[str, Decoder] = {info.name: make_decoder(info) for info in links}
        self.tracker = BootTracker(machine, matcher, links, anchor)
        self._doctor = Doctor(links)
        self._hold_ns = HOLD_NS if len(links) > 1 else 0
        self._heap: list[tuple[int, int, Observation]] = []
        self._count = 0
        self.now_ns = -(1 << 62)
        self.stirred = False
        """Whether the last record changed anything; a ClockMark that did not need not be kept."""

    def feed(self, record: Record) -> list[Event]:
        """Take in one record and return what follows from it."""
        self.stirred = False
        t_ns = record.t_ns
        own_link = getattr(record, "link", None)
        if len(self.decoders) > 1 or own_link is None:
            # Other links' records may still come in a little later than stamped; a mark says that they have.
            others_ns = t_ns if isinstance(record, ClockMark) else t_ns - HOLD_NS
            for name, decoder in self.decoders.items():
                if name != own_link:
                    self._push(decoder.advance(others_ns))
        seen: Sequence[Observation] = ()
        match record:
            case Chunk() | LinkState() | ModemLines() | LineFault():
                if (own := self.decoders.get(record.link)) is not None:
                    seen = own.feed(record)
            case Annotation(key="trial" | "model" | "limit" | "phase" | "end" | "attention" | "wall" | "differs"):
                seen = (record,)
            case _:
                pass
        wrong = self._doctor.feed(record)
        if t_ns > self.now_ns:
            self.now_ns = t_ns
        until_ns = self.now_ns - self._hold_ns
        if not wrong and not self._heap and (not seen or seen[-1].at_ns <= until_ns):
            return self._judge(seen, until_ns)  # they are in order, and nothing is before or among them
        self._push(seen)
        self._push(wrong)
        return self._release(until_ns)

    def feed_all(self, records: Sequence[Record]) -> list[Event]:
        """Take records in, as `feed` would one after the other; of one link only they are decoded first, then judged.

        What is told does not depend on when time was looked at, and each part of the work keeps to itself for longer.
        """
        if len(self.decoders) != 1:
            return [event for record in records for event in self.feed(record)]
        out: list[Event] = []
        seen: list[Observation] = []
        for record in records:
            own = self.decoders.get(record.link) if isinstance(record, Chunk) else None
            if own is None:
                out += self._judge(seen, self.now_ns)
                out += self.feed(record)
                seen = []
                continue
            seen += own.feed(record)
            wrong = self._doctor.feed(record)
            self.now_ns = max(self.now_ns, record.t_ns)
            if wrong:
                self._push(seen)
                self._push(wrong)
                out += self._release(self.now_ns)
                seen = []
        return out + self._judge(seen, self.now_ns)

    def drain(self) -> list[Event]:
        """Release what is held back, and tell of the open boot as it stands; for the end of a capture or run."""
        return self._release(self.now_ns) + self.tracker.stand()

    @property
    def holding(self) -> bool:
        """Whether observations wait for those of other links, or a decoder for time to pass."""
        return bool(self._heap) or any(decoder.deadline is not None for decoder in self.decoders.values())

    def _push(self, seen: Sequence[Observation]) -> None:
        for one in seen:
            self.stirred = True
            self._count += 1
            heapq.heappush(self._heap, (one.at_ns, self._count, one))

    def _release(self, until_ns: int) -> list[Event]:
        due: list[Observation] = []
        while self._heap and self._heap[0][0] <= until_ns:
            due.append(heapq.heappop(self._heap)[2])
        return self._judge(due, until_ns)

    def _judge(self, due: Sequence[Observation], until_ns: int) -> list[Event]:
        judged = self.tracker.judged
        out = self.tracker.feed_all(due, until_ns)
        if due or self.tracker.judged != judged:
            self.stirred = True
        return out
