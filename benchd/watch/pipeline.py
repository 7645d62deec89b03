"""One machine's pipeline: records in, events out. The same for a live bench and for a replay.

Records come in the order in which they were taken in; observations of several links are put in order of time
by holding each back for `HOLD_NS`. Live, time passes by `ClockMark` records: one that made nothing happen
need not be kept, so a capture with the others gives the same events again. Pure.
"""

from __future__ import annotations

from bisect import insort
from collections import deque
from collections.abc import Sequence
from operator import itemgetter

from benchd.boots import BootTracker
from benchd.decode import Decoder, make_decoder
from benchd.decode.doctor import Doctor
from benchd.rules import Matcher
from benchd.vocabulary.events import Event
from benchd.vocabulary.observations import Observation
from benchd.vocabulary.records import Annotation, Chunk, ClockMark, LinkInfo, Record
from benchd.vocabulary.times import Anchor

HOLD_NS = 100_000_000
"""How long observations wait for those of another link that happened earlier; nothing, with one link only."""
JUDGED = frozenset(("trial", "model", "limit", "phase", "end", "attention", "wall", "differs"))
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
        self._held: deque[tuple[int, Observation]] = deque()
        self.now_ns = -(1 << 62)
        self.stirred = False
        """Whether the last record changed anything; a ClockMark that did not need not be kept."""

    def feed(self, record: Record) -> list[Event]:
        """Take in one record and return what follows from it."""
        self.stirred = False
        t_ns, link = record.t_ns, getattr(record, "link", None)
        own = self._pass_time(link, t_ns if isinstance(record, ClockMark) else t_ns - HOLD_NS)
        seen: Sequence[Observation] = ()
        if own is not None:
            seen = own.feed(record)
        elif isinstance(record, Annotation) and record.key in JUDGED:
            seen = (record,)
        wrong = self._doctor.feed(record)
        if t_ns > self.now_ns:
            self.now_ns = t_ns
        until_ns = self.now_ns - self._hold_ns
        if not wrong and not self._held and (not seen or seen[-1].at_ns <= until_ns):
            return self._judge(seen, until_ns)  # they are in order, and nothing is before or among them
        if seen:
            self._push(seen)
        if wrong:
            self._push(wrong)
        return self._release(until_ns)

    def _pass_time(self, link: str | None, others_ns: int) -> Decoder | None:
        """Return the decoder of a record's link, and let those of the others know how far time has come for them.

        Other links' records may still come in a little later than stamped; a mark says that they have.
        """
        own = None
        for name, decoder in self.decoders.items():
            if name == link:
                own = decoder
            elif (deadline := decoder.deadline) is not None and deadline <= others_ns:
                self._push(decoder.advance(others_ns))
        return own

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
        return self._release(now_ns - self._hold_ns)

    def _others_wait(self, link: str, until_ns: int) -> bool:
        """Whether another link's decoder wants to be told of a time up to then."""
        return any(
            decoder.deadline is not None and decoder.deadline <= until_ns
            for name, decoder in self.decoders.items()
            if name != link
        )

    def drain(self) -> list[Event]:
        """Release what is held back, and tell of the open boot as it stands; for the end of a capture or run."""
        return self._release(self.now_ns) + self.tracker.stand()

    @property
    def holding(self) -> bool:
        """Whether observations wait for those of other links, or a decoder for time to pass."""
        return bool(self._held) or any(decoder.deadline is not None for decoder in self.decoders.values())

    def _push(self, seen: Sequence[Observation]) -> None:
        """Hold observations back, in order of `at_ns`, and of coming where that is the same."""
        held = self._held
        self.stirred |= bool(seen)
        for one in seen:
            at_ns = one.at_ns
            if held and held[-1][0] > at_ns:
                insort(held, (at_ns, one), key=itemgetter(0))
            else:
                held.append((at_ns, one))

    def _release(self, until_ns: int) -> list[Event]:
        held, due = self._held, []
        while held and held[0][0] <= until_ns:
            due.append(held.popleft()[1])
        return self._judge(due, until_ns)

    def _judge(self, due: Sequence[Observation], until_ns: int) -> list[Event]:
        tracker = self.tracker
        judged = tracker.judged
        out = tracker.feed_all(due, until_ns)
        if due or tracker.judged != judged:
            self.stirred = True
        return out
