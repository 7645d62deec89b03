"""One link's decoder: times the bytes, keeps deadlines and order, and hands each byte to the framing.

Rules of time, so that results never depend on how often `advance` is called:
1. Before a record is decoded, every deadline at or before its time has fired, in order, each with its own time.
2. A byte never gets a time before the chunk before it or before what was already said on this link; what that
   clamp costs is added to u.
3. Observations leave with ascending `at_ns`. One that would come out of order (a settled power change after a
   code) is moved to the last `at_ns` and its u widened by the move.
A caller may call `advance(t)` only when every record up to t has been fed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from benchd.decode.arrival import Arrivals, Piece, Spread
from benchd.decode.counts import Counts
from benchd.decode.power import PowerSense
from benchd.vocabulary.observations import Break, Decoded, LinkChange, Lost, Power, Text
from benchd.vocabulary.records import UNREAD, Annotation, Chunk, LineFault, LinkInfo, LinkState, ModemLines, Record

BREAK_NUL_NS = 50_000_000
"""A break puts one 00h into the data (TL16C550C datasheet, LSR bit 4); it is looked for this long after."""

TOGETHER_BYTES, FEW_BYTES = 4096, 128
"""No further chunk is taken together with so many bytes: at most, and after such as could not be taken together."""


class Outlet:
    """What a framing writes to: the byte counts and the observations, kept in order."""

    def __init__(self, info: LinkInfo) -> None:
        self.info = info
        self.link = info.name
        self.counts = Counts()
        self.last_ns: int | None = None
        self._out: list[Decoded] = []

    def emit(self, seen: Decoded) -> None:
        """Put one observation out, moved to the last `at_ns` if it would come before that."""
        last, at_ns = self.last_ns, seen.at_ns
        if last is not None and at_ns < last:
            if isinstance(seen, Text):
                seen = replace(seen, at_ns=last)
            else:
                seen = replace(seen, t_ns=last, u_ns=seen.u_ns + last - seen.t_ns)
            at_ns = last
        self.last_ns = at_ns
        self._out.append(seen)

    def emit_all(self, seen: list[Decoded]) -> None:
        """Put observations out that are in order, and none of them before the last one."""
        if seen:
            self.last_ns = seen[-1].at_ns
            self._out += seen

    def lost(self, reason: str, count: int, t_ns: int, u_ns: int) -> None:
        """Say that `count` bytes or codes were lost."""
        self.emit(Lost(self.link, t_ns, u_ns, reason, count))

    def refuse(self, reason: str, count: int, t_ns: int, u_ns: int) -> None:
        """Refuse `count` pending bytes and say so."""
        if count:
            self.counts.refuse(reason, count)
            self.lost(reason, count, t_ns, u_ns)

    def take(self) -> list[Decoded]:
        out = self._out
        if not out:
            return []
        self._out = []
        return out


class Framing:
    """How bytes become observations. `deadline` is when `fire` wants to be called, or None.

    `silence_ns` is SILENCE_NS or the time of SILENCE_BYTES bytes, whichever is longer.
    """

    SILENCE_NS = 0
    SILENCE_BYTES = 0

    def __init__(self, outlet: Outlet) -> None:
        self._outlet = outlet
        self.silence_ns = self.SILENCE_NS
        self.together_ns = 0
        """Chunks that came within less than this may be taken together; 0: none may."""
        self.deadline: int | None = None

    def byte(self, value: int, t_ns: int, u_ns: int) -> None:
        """Take one byte, already counted as pending."""
        raise NotImplementedError

    def run(self, data: bytes, start: int, spread: Spread) -> int:
        """Take bytes of a chunk from `start` on all at once; return how many, 0 where the next is one for `byte`.

        Whatever is told of them, their times and the counts are as `byte` would have it, one by one, with each
        deadline fired in its time; no deadline may lie within them. `spread` has the times of the whole chunk.
        """
        return 0

    def run_all(self, data: bytes, pieces: Sequence[Piece]) -> int:
        """Take bytes of several chunks, as `run` would; return how many of all there are, `data`.

        From the first chunk's first byte to the last chunk it is less than `together_ns`.
        """
        return 0

    def fire(self, t_ns: int) -> None:
        """The deadline has come."""
        raise AssertionError(f"{type(self).__name__} sets no deadline")

    def set_byte_time(self, byte_ns: int) -> None:
        """The line speed is now this many ns a byte."""
        self.silence_ns = max(self.SILENCE_NS, self.SILENCE_BYTES * byte_ns)

    def drop(self, reason: str, t_ns: int, u_ns: int) -> None:
        """Say what is whole, refuse what is half; nothing stays pending."""


class LinkDecoder:
    """The decoder of one link; see `benchd.decode.Decoder` for the contract."""

    def __init__(self, info: LinkInfo, framing: Framing, outlet: Outlet) -> None:
        self._info = info
        self._framing = framing
        self._outlet = outlet
        self._arrivals = Arrivals(info)
        self._power = PowerSense()
        self._latest_ns: int | None = None
        self._together_bytes = TOGETHER_BYTES
        self._break_nuls = 0
        self._break_ns = 0
        framing.set_byte_time(self._arrivals.byte_ns)

    @property
    def counts(self) -> Counts:
        return self._outlet.counts

    @property
    def deadline(self) -> int | None:
        power, framing = self._power.deadline, self._framing.deadline
        if power is None or framing is None:
            return framing if power is None else power
        return min(power, framing)

    def feed(self, record: Record) -> list[Decoded]:
        """Decode one record; records of other links only let time pass."""
        self._decode(record)
        return self._outlet.take()

    def feed_all(self, chunks: Sequence[Chunk]) -> list[Decoded]:
        """Decode chunks of this link, as `feed` would one after the other."""
        place, count = 0, len(chunks)
        while place < count:
            taken = self._together(chunks, place)
            if not taken:
                self._decode(chunks[place])
                taken = 1
            place += taken
        return self._outlet.take()

    def _decode(self, record: Record) -> None:
        t_ns = record.t_ns
        if self._latest_ns is not None and t_ns < self._latest_ns:
            t_ns = self._latest_ns
        self._latest_ns = t_ns
        deadline = self._framing.deadline
        if (deadline is not None and deadline <= t_ns) or self._power.deadline is not None:
            self._fire_until(t_ns)
        if isinstance(record, Chunk) and record.link == self._outlet.link:
            data, last_ns = record.data, self._outlet.last_ns
            count = len(data)
            if count == 1 and (last_ns is None or last_ns <= t_ns):
                self._byte(data[0], t_ns, self._arrivals.single(t_ns))
                return
            spread = self._arrivals.spread(t_ns, count, last_ns)
            taken = 0 if self._break_nuls else self._framing.run(data, 0, spread)
            if taken < count:
                self._bytes(data, taken, spread)
        elif not isinstance(record, Chunk):
            self._event(record, t_ns)

    def _event(self, record: Record, t_ns: int) -> None:
        if getattr(record, "link", self._info.name) != self._info.name:
            return
        match record:
            case LinkState():
                self._state(record, t_ns)
            case ModemLines():
                self._power.lines(record, t_ns)
            case LineFault():
                self._fault(record, t_ns)
            case Annotation(key=key) if key == UNREAD:
                self._framing.drop(UNREAD, t_ns, self._info.latency_ns)
                self._break_nuls = 0

    def _together(self, chunks: Sequence[Chunk], start: int) -> int:
        """Decode chunks from `start` on that came soon after each other; return how many, 0 where there are none."""
        framing, arrivals, first = self._framing, self._arrivals, chunks[start]
        t_ns = first.t_ns if self._latest_ns is None else self._latest_ns
        until_ns = first.t_ns - len(first.data) * arrivals.byte_ns + framing.together_ns
        end, size = start, 0
        while end < len(chunks) and t_ns <= chunks[end].t_ns < until_ns and size < self._together_bytes:
            t_ns = chunks[end].t_ns
            size += len(chunks[end].data)
            end += 1
        self._together_bytes = min(2 * self._together_bytes, TOGETHER_BYTES)
        if end - start < 2 or self._break_nuls or self._power.deadline is not None:
            return 0
        self._fire_until(first.t_ns)
        pieces, place = [], 0
        for chunk in chunks[start:end]:
            count = len(chunk.data)
            pieces.append((place, place + count, arrivals.spread(chunk.t_ns, count, self._outlet.last_ns)))
            place += count
        taken = framing.run_all(b"".join([chunk.data for chunk in chunks[start:end]]), pieces)
        self._latest_ns = t_ns
        if taken == size:
            return end - start
        self._together_bytes = max(2 * taken, FEW_BYTES)
        number = next(number for number, (_, until, _) in enumerate(pieces) if taken < until)
        begin, _, spread = pieces[number]
        last = chunks[start + number]
        self._latest_ns = last.t_ns
        arrivals.back_to(last.t_ns)
        self._bytes(last.data, taken - begin, spread)
        return number + 1

    def advance(self, t_ns: int) -> list[Decoded]:
        """Fire every deadline at or before `t_ns`."""
        self._fire_until(t_ns)
        return self._outlet.take()

    def _fire_until(self, t_ns: int) -> None:
        while True:
            power, framing = self._power.deadline, self._framing.deadline
            if power is not None and power <= t_ns and (framing is None or power <= framing):
                changed_ns, away_ns, on = self._power.fire()
                u_ns = self._info.latency_ns + away_ns
                self._outlet.emit(Power(self._info.name, changed_ns, u_ns, on))
            elif framing is not None and framing <= t_ns:
                self._framing.fire(framing)
            else:
                return

    def _bytes(self, data: bytes, index: int, spread: Spread) -> None:
        """Take the bytes of a chunk from `index` on."""
        framing, count = self._framing, len(data)
        while index < count:
            if not self._break_nuls and (taken := framing.run(data, index, spread)):
                index += taken
            else:
                self._byte(data[index], spread.at(index), spread.u(index))
                index += 1

    def _byte(self, value: int, t_ns: int, u_ns: int) -> None:
        framing, counts = self._framing, self._outlet.counts
        deadline = framing.deadline
        if deadline is not None and deadline <= t_ns:
            self._fire_until(t_ns)
        counts.bytes_in += 1
        counts.pending += 1
        if self._break_nuls and value == 0:
            self._break_nuls -= 1
            if t_ns - self._break_ns <= BREAK_NUL_NS:
                counts.refuse("break-nul")
                return
        framing.byte(value, t_ns, u_ns)

    def _state(self, record: LinkState, t_ns: int) -> None:
        if record.latency_ns is not None:
            self._info = self._outlet.info = replace(self._info, latency_ns=record.latency_ns)
            self._arrivals.set_latency(self._info)
        u_ns = self._info.latency_ns
        new_speed = record.speed is not None and record.speed != self._arrivals.speed
        if not record.up:
            self._framing.drop("link-down", t_ns, u_ns)
            self._power.away()
            self._break_nuls = 0
        elif new_speed:
            self._framing.drop("speed-change", t_ns, u_ns)
        if new_speed and record.speed is not None:
            self._arrivals.set_speed(record.speed)
            self._framing.set_byte_time(self._arrivals.byte_ns)
        self._outlet.emit(LinkChange(self._info.name, t_ns, u_ns, record.up, record.reason))

    def _fault(self, record: LineFault, t_ns: int) -> None:
        u_ns = self._info.latency_ns
        if record.fault != "break":
            self._outlet.lost(record.fault, record.count, t_ns, u_ns)
            return
        self._break_nuls, self._break_ns = record.count, t_ns
        self._outlet.emit(Break(self._info.name, t_ns, u_ns))
