"""The "bench" framing on a link: cuts frames, judges them, watches the sequence, dates codes by the card clock.

Judging a frame that is sound:
1. A STARTED frame, a sequence number that is behind, or ticks that only a restart explains while the sequence
   does not simply go on: the card restarted. That is a Reset (a card in a slot starts with its machine), its
   clock is forgotten, numbers start over.
2. The same frame as the last one, byte for byte: sent again, refused as "repeated".
3. A sequence number ahead of the expected one: the difference is Lost("sequence-gap").
4. Then entry by entry: lost writes, reset, code, power (of the notes only that one is told).
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate

from benchd.decode.benchframe import DELIMITER, WIRE_LIMIT, CardWrite, Frame, FrameRefused, Kind, decode_frame
from benchd.decode.cardclock import CardTimes
from benchd.decode.link import Framing, Outlet
from benchd.vocabulary.observations import Code, Power, Reset

HALF_NS = 500_000_000
HALF_BYTES = 20
"""A half frame is given up after 0.5 s or 20 byte times without a byte, whichever is longer."""
JUNK_REPORT = 1024
SEQUENCES = 1 << 16


class BenchFrames(Framing):
    """Decodes the bench frame; refusals are named after the check that failed."""

    SILENCE_NS, SILENCE_BYTES = HALF_NS, HALF_BYTES

    def __init__(self, outlet: Outlet) -> None:
        super().__init__(outlet)
        self._times = CardTimes(outlet.info.tick_s, 32)
        self._told_by_settings = outlet.info.tick_s is not None
        self._buffer = bytearray()
        self._junk = 0
        self._t_ns = self._u_ns = 0
        self._expected: int | None = None
        self._previous = b""

    def byte(self, value: int, t_ns: int, u_ns: int) -> None:
        if value == DELIMITER:
            self._end()
            return
        if not self._buffer and not self._junk:
            self._t_ns, self._u_ns = t_ns, u_ns
        self.deadline = t_ns + self.silence_ns
        self._buffer.append(value)
        if len(self._buffer) > WIRE_LIMIT or self._junk:
            self._junk += len(self._buffer)
            self._outlet.counts.refuse("too-long", len(self._buffer))
            self._buffer.clear()
            if self._junk >= JUNK_REPORT:
                self._outlet.lost("too-long", self._junk - 1, self._t_ns, self._u_ns)
                self._junk = 1

    def fire(self, t_ns: int) -> None:
        self._give_up("half-frame")

    def drop(self, reason: str, t_ns: int, u_ns: int) -> None:
        self._give_up(reason)

    def _give_up(self, reason: str) -> None:
        self._end_junk(0)
        self._outlet.refuse(reason, len(self._buffer), self._t_ns, self._u_ns)
        self._buffer.clear()
        self.deadline = None

    def _end_junk(self, extra: int) -> None:
        if self._junk:
            self._outlet.counts.refuse("too-long", extra)
            self._outlet.lost("too-long", self._junk + extra, self._t_ns, self._u_ns)
            self._junk = 0

    def _end(self) -> None:
        self.deadline = None
        if self._junk:
            self._end_junk(1)
            return
        wire = bytes(self._buffer)
        self._buffer.clear()
        counts = self._outlet.counts
        if not wire:
            counts.settle()
            return
        try:
            frame = decode_frame(wire)
        except FrameRefused as refusal:
            self._outlet.refuse(refusal.reason, len(wire) + 1, self._t_ns, self._u_ns)
            return
        if wire == self._previous and frame.kind is Kind.CODES:
            counts.refuse("repeated", len(wire) + 1)
            return
        self._previous = wire
        counts.settle(len(wire) + 1)
        self._judge(frame)

    def _judge(self, frame: Frame) -> None:
        t_ns, outlet, times = self._t_ns, self._outlet, self._times
        if frame.tick_ns and not self._told_by_settings:
            times.clock.tick_ns = frame.tick_ns
        first = self._expected is None
        gap = self._ahead(frame.sequence)
        started = frame.kind is Kind.STARTED
        restarted = started or gap >= SEQUENCES // 2
        if restarted:
            times.restart()
        x, jumped = times.read(frame.ticks, t_ns)
        restarted |= jumped and (gap > 0 or frame.sequence == 0)
        xs = [x + passed for passed in accumulate(entry.delta for entry in frame.entries)] or [x]
        placed = times.place(xs, t_ns, self._u_ns)
        if restarted and (started or not first):
            outlet.emit(Reset(outlet.link, *placed[0]))
        if missed := frame.sequence if restarted else gap:
            outlet.lost("sequence-gap", missed, *placed[0])
        self._expected = (frame.sequence + len(frame.entries)) % SEQUENCES
        self._tell(frame.entries, placed)

    def _ahead(self, sequence: int) -> int:
        return 0 if self._expected is None else (sequence - self._expected) % SEQUENCES

    def _tell(self, entries: Sequence[CardWrite], placed: Sequence[tuple[int, int]]) -> None:
        outlet = self._outlet
        port = outlet.info.code_port
        for entry, (at, u) in zip(entries, placed, strict=bool(entries)):
            port = port if entry.port is None else entry.port
            if entry.lost:
                outlet.lost("card-overrun", entry.lost, at, u)
            if entry.reset:
                outlet.emit(Reset(outlet.link, at, u))
            if entry.code is not None:
                outlet.emit(Code(outlet.link, at, u, entry.code, port, entry.wide))
            if entry.note and (on := entry.note.power) is not None:
                outlet.emit(Power(outlet.link, at, u, on))
