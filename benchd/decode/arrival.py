"""When each byte of a chunk arrived, and how sure that is."""

from __future__ import annotations

from collections.abc import Sequence

from benchd.errors import UsageError
from benchd.vocabulary.records import LinkInfo
from benchd.vocabulary.times import byte_time_ns

Run = tuple[int, int, int]
"""(index of a byte or character, its arrival in ns, by how much each that follows comes later), up to the next run."""


class Spread:
    """The bytes of one chunk in time: `at` and `u` of each by its index, in ns. `u` never grows with the index.

    By their pace byte i arrives at `first_ns` and i times `step_ns` (0 where the link is not paced), and `u_ns` is how
    sure that is; before `floor_ns` none arrives. `last_ns` is when the last one did.
    """

    __slots__ = ("_byte_ns", "_most_ns", "count", "first_ns", "floor_ns", "last_ns", "paced", "step_ns", "u_ns")

    def __init__(self, by: Arrivals, t_ns: int, count: int, floor_ns: int | None) -> None:
        self.count, self.paced, self.step_ns, self.u_ns, self.last_ns = count, by.paced, by.step_ns, by.u_ns, t_ns
        self.first_ns = t_ns - (count - 1) * by.step_ns
        if by.paced:
            self.floor_ns = self.first_ns if floor_ns is None else floor_ns
        else:
            self.floor_ns, self._byte_ns = t_ns, by.byte_ns
            self._most_ns = count * by.byte_ns if floor_ns is None else t_ns - floor_ns

    def at(self, index: int) -> int:
        at_ns = self.first_ns + index * self.step_ns
        return at_ns if at_ns > self.floor_ns else self.floor_ns

    def u(self, index: int) -> int:
        if self.paced:
            held_ns = self.floor_ns - self.first_ns - index * self.step_ns
            return self.u_ns + held_ns if held_ns > 0 else self.u_ns
        return self.u_ns + min((self.count - 1 - index) * self._byte_ns, self._most_ns)

    @property
    def even(self) -> bool:
        """Whether bytes are `step_ns` apart from the first on, and `u` is the same for all of them."""
        return self.paced and self.floor_ns <= self.first_ns

    @property
    def level(self) -> int:
        """How many bytes were held back to the floor; from there on they are `step_ns` apart."""
        held_ns = self.floor_ns - self.first_ns
        return 0 if held_ns <= 0 else min(self.count, -(-held_ns // self.step_ns))

    def runs(self, first: int, end: int, place: int) -> list[Run]:
        """The bytes from `first` up to `end` as runs of one pace, the first of which gets the index `place`."""
        level = self.level - first  # so many were held back to the floor
        if level <= 0:
            return [(place, self.first_ns + first * self.step_ns, self.step_ns)]
        out = [(place, self.floor_ns, 0)]
        return out if level >= end - first else [*out, (place + level, self.at(first + level), self.step_ns)]


Piece = tuple[int, int, Spread]
"""One of several chunks that follow each other: where it begins among all their bytes, where it ends, and its times."""


def across(pieces: Sequence[Piece], first: int, end: int, last: int, place: int = 0) -> tuple[list[Run], int, int]:
    """Return the runs of the bytes from `first` up to `end`, the most of their u, and when byte `last` arrived (ns).

    The first of them gets the index `place`. They may lie in several chunks; `last` is not before `end`.
    """
    runs: list[Run] = []
    u_ns = at_ns = 0
    for begin, until, spread in pieces:
        if begin < end and first < until:
            low, high = max(first, begin), min(end, until)
            runs += spread.runs(low - begin, high - begin, place + low - first)
            u_ns = max(u_ns, spread.u(low - begin))
        if begin <= last < until:
            at_ns = spread.at(last - begin)
            break
    return runs, u_ns, at_ns


def in_step(pieces: Sequence[Piece], last: int, leeway_ns: int) -> int | None:
    """Return when byte `last` of the second chunk arrived (ns), where that goes on as good as at the pace of the first.

    None where it does not, or the byte is not in it.
    """
    if len(pieces) < 2:
        return None
    (begin, _, before), (there, until, spread) = pieces[:2]
    first_ns, step_ns = spread.first_ns, spread.step_ns
    if not there <= last < until or not step_ns or spread.floor_ns > first_ns or before.u_ns != spread.u_ns:
        return None
    late_ns = first_ns - before.first_ns - (there - begin) * step_ns
    return first_ns + (last - there) * step_ns if -leeway_ns <= late_ns <= leeway_ns else None


class Arrivals:
    """Spreads a chunk's bytes over time.

    On a paced link the last byte arrived with the chunk and each byte before it one byte time earlier, never
    before `floor_ns`; what that clamp costs is added to u. Since bytes cannot come faster than the line, these times
    are never too early by more than the clamp costs. On an unpaced link (pty, socket) all bytes get the chunk's time;
    a serial line may still stand behind a socket, so u covers the byte times up to the last byte, but no more than the
    time since the chunk before.
    """

    def __init__(self, info: LinkInfo) -> None:
        self.info = info
        self._previous_ns: int | None = None
        self.paced = info.paced
        self.byte_ns = self.step_ns = self.u_ns = 0
        self.set_speed(info.speed)

    def set_speed(self, speed: int) -> None:
        """Use another line speed from now on. Raises UsageError when it is not positive."""
        if speed <= 0:
            raise UsageError(f"link {self.info.name}: speed {speed} must be above 0 bit/s: set a line speed")
        info = self.info
        self.speed = speed
        self.byte_ns = byte_time_ns(speed, info.data_bits, info.parity, info.stop_bits)
        self.step_ns = self.byte_ns if info.paced else 0
        self.u_ns = info.latency_ns + self.step_ns

    def set_latency(self, info: LinkInfo) -> None:
        """Go by another `latency_ns` from now on; all else of the link is as it was."""
        self.info, self.u_ns = info, info.latency_ns + self.step_ns

    def spread(self, t_ns: int, count: int, floor_ns: int | None) -> Spread:
        """Return the times of the `count` bytes of a chunk that arrived at `t_ns`."""
        previous, self._previous_ns = self._previous_ns, t_ns
        if previous is not None and (floor_ns is None or previous > floor_ns):
            floor_ns = previous
        return Spread(self, t_ns, count, floor_ns)

    def back_to(self, t_ns: int) -> None:
        """Of the chunks that were spread the one that arrived at `t_ns` was the last."""
        self._previous_ns = t_ns

    def single(self, t_ns: int) -> int:
        """Return how sure the time is of a byte that came alone and after all before it: at `t_ns`."""
        self._previous_ns = t_ns
        return self.u_ns
