"""When each byte of a chunk arrived, and how sure that is."""

from __future__ import annotations

from collections.abc import Iterator

from benchd.errors import UsageError
from benchd.vocabulary.records import LinkInfo
from benchd.vocabulary.times import byte_time_ns


class Arrivals:
    """Spreads a chunk's bytes over time.

    On a paced link the last byte arrived with the chunk and each byte before it one byte time earlier, never
    before `floor_ns`. Since bytes cannot come faster than the line, these times are never too early by more
    than the clamp costs. On an unpaced link (pty, socket) all bytes get the chunk's time; a serial line may
    still stand behind a socket, so u covers the byte times up to the last byte, but no more than the time since
    the chunk before.
    """

    def __init__(self, info: LinkInfo) -> None:
        self.info = info
        self._previous_ns: int | None = None
        self.byte_ns = 0
        self.set_speed(info.speed)

    def set_speed(self, speed: int) -> None:
        """Use another line speed from now on. Raises UsageError when it is not positive."""
        if speed <= 0:
            raise UsageError(f"link {self.info.name}: speed {speed} must be above 0 bit/s: set a line speed")
        info = self.info
        self.speed = speed
        self.byte_ns = byte_time_ns(speed, info.data_bits, info.parity, info.stop_bits)

    def spread(self, t_ns: int, count: int, floor_ns: int | None) -> Iterator[tuple[int, int]]:
        """Yield (t_ns, u_ns) of each of the `count` bytes of a chunk that arrived at `t_ns`."""
        previous, self._previous_ns = self._previous_ns, t_ns
        latency, byte_ns = self.info.latency_ns, self.byte_ns
        if previous is not None:
            floor_ns = previous if floor_ns is None else max(floor_ns, previous)
        if not self.info.paced:
            since = None if floor_ns is None else t_ns - floor_ns
            for left in range(count - 1, -1, -1):
                behind = left * byte_ns
                yield t_ns, latency + (behind if since is None else min(behind, since))
            return
        for left in range(count - 1, -1, -1):
            at = t_ns - left * byte_ns
            u = latency + byte_ns
            if floor_ns is not None and at < floor_ns:
                u += floor_ns - at
                at = floor_ns
            yield at, u
