"""One machine's pipeline: records in, events out. The same for a live bench and for a replay.

Records come in the order in which they were taken in; observations of several links are put in order of time
by holding each back for `HOLD_NS`. Live, time passes by `ClockMark` records: one that made nothing happen
need not be kept, so a capture with the others gives the same events again. Pure.
"""

from __future__ import annotations

from bisect import insort
from collections import deque
from collections.abc import Sequence
from operator import attrgetter

from benchd.boots import BootTracker
from benchd.decode import Decoder, make_decoder
from benchd.decode.doctor import Doctor
from benchd.rules import Matcher
from benchd.vocabulary.events import Event
from benchd.vocabulary.observations import Observation
from benchd.vocabulary.records import UNREAD, Annotation, Chunk, ClockMark, LinkInfo, Record
from benchd.vocabulary.times import Anchor

HOLD_NS = 100_000_000
"""How long observations wait for those of another link that happened earlier; nothing, with one link only."""
AT = attrgetter("at_ns")
JUDGED = frozenset(("trial", "model", "limit", "phase", "end", "attention", "wall", "differs", UNREAD))
"""Keys of annotations that boots are judged under."""


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
        self._held: deque[Observation] = deque()
        self.now_ns = -(1 << 62)
        self.stirred = False
        """Whether the last record changed anything; a ClockMark that did not need not be kept."""

    def feed(self, record: Record) -> list[Event]:
        """Take in one record and return what follows from it."""
        self.stirred = False
        t_ns, link = record.t_ns, getattr(record, "link", None)
        own = self.decoders.get(link)  # type: ignore[arg-type]
        if own is None or self._hold_ns:
            self._pass_time(own, t_ns if isinstance(record, ClockMark) else t_ns - HOLD_NS)
        seen: Sequence[Observation] = ()
        if own is not None:
            seen = own.feed(record)
        elif isinstance(record, Annotation) and record.key in JUDGED:
            if record.key == UNREAD:  # what is half belongs to what is missing, not to what comes next
                for decoder in self.decoders.values():
                    self._push(decoder.feed(record))
            seen = (record,)
        wrong = self._doctor.feed(record)
        if t_ns > self.now_ns:
            self.now_ns = t_ns
        until_ns = self.now_ns - self._hold_ns
        if wrong:
            self._push(seen)
            seen = wrong
        if self._held or (seen and seen[-1].at_ns > until_ns):
            self._push(seen)
            seen = self._due(until_ns)
        return self._judge(seen, until_ns)  # they are in order, and nothing is before or among them

    def _pass_time(self, own: Decoder | None, others_ns: int) -> None:
        """Let the other links' decoders than a record's know how far time has come for them.

        Their records may still come in a little later than stamped; a mark says that they have.
        """
        for decoder in self.decoders.values():
            if decoder is not own and (deadline := decoder.deadline) is not None and deadline <= others_ns:
                self._push(decoder.advance(others_ns))

    def feed_all(self, records: Sequence[Record]) -> list[Event]:
        """Take records in, as `feed` would one after the other; chunks of one link are decoded first, then judged.

        What is told does not depend on when time was looked at, and each part of the work keeps to itself for longer.
        """
        out: list[Event] = []
        chunks: list[Chunk] = []
        for record in records:
            if isinstance(record, Chunk) and record.link in self.decoders:
                if chunks and chunks[0].link != record.link:
                    out += self._feed_chunks(chunks)
                    chunks = []
                chunks.append(record)
                continue
            out += self._feed_chunks(chunks)
            out += self.feed(record)
            chunks = []
        return out + self._feed_chunks(chunks)

    def _feed_chunks(self, chunks: Sequence[Chunk]) -> list[Event]:
        """Take in chunks of one link."""
        if len(chunks) < 2:
            return self.feed(chunks[0]) if chunks else []
        link, now_ns = chunks[0].link, max(self.now_ns, *[chunk.t_ns for chunk in chunks])
        if self._others_wait(link, now_ns - HOLD_NS) or not self._doctor.reads_well(chunks):
            return [event for chunk in chunks for event in self.feed(chunk)]
        self.stirred, self.now_ns = False, now_ns
        seen = self.decoders[link].feed_all(chunks)
        if not self._hold_ns:
            return self._judge(seen, now_ns)
        self._push(seen)
        until_ns = now_ns - self._hold_ns
        return self._judge(self._due(until_ns), until_ns)

    def _others_wait(self, link: str, until_ns: int) -> bool:
        """Whether another link's decoder wants to be told of a time up to then."""
        return any(
            decoder.deadline is not None and decoder.deadline <= until_ns
            for name, decoder in self.decoders.items()
            if name != link
        )

    def drain(self) -> list[Event]:
        """Release what is held back, and tell of the open boot as it stands; for the end of a capture or run."""
        return self._judge(self._due(self.now_ns), self.now_ns) + self.tracker.stand()

    @property
    def holding(self) -> bool:
        """Whether observations wait for those of other links, or a decoder for time to pass."""
        return bool(self._held) or any(decoder.deadline is not None for decoder in self.decoders.values())

    def _push(self, seen: Sequence[Observation]) -> None:
        """Hold observations back, in order of `at_ns`, and of coming where that is the same; theirs is such."""
        held = self._held
        if seen:
            self.stirred = True
            if held and held[-1].at_ns > seen[0].at_ns:
                for one in seen:
                    insort(held, one, key=AT)
            else:
                held += seen

    def _due(self, until_ns: int) -> list[Observation]:
        """Return what need not be held back any longer."""
        held, due = self._held, []
        while held and held[0].at_ns <= until_ns:
            due.append(held.popleft())
        return due

    def _judge(self, due: Sequence[Observation], until_ns: int) -> list[Event]:
        tracker = self.tracker
        judged = tracker.judged
        out = tracker.feed_all(due, until_ns)
        if due or tracker.judged != judged:
            self.stirred = True
        return out
