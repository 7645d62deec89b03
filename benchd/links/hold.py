"""Keeping records back while the line speed is not known yet. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from benchd.vocabulary.records import Annotation, Chunk, LineFault, LinkState, ModemLines, Record

HELD_RECORDS = 4096
HELD_NS = 300_000_000
"""Nothing is delivered later than this behind its time; older undecided characters are left out."""


class Hold:
    """Passes records on, or keeps them while `holding`. `left_out` counts characters that were never passed
    on.

    While holding, only records behind a held chunk wait: a change of modem lines on a quiet line goes out at
    once.
    """

    def __init__(self, deliver: Callable[[Record], None]) -> None:
        self._deliver = deliver
        self._held: list[Record] = []
        self.holding = False
        self.left_out = 0
        self.last_ns = 0

    def deliver(self, record: Chunk | LineFault | ModemLines | LinkState | Annotation) -> None:
        """Pass `record` on now, or keep it."""
        self.last_ns = max(self.last_ns, record.t_ns)
        if self.holding and (self._held or isinstance(record, Chunk | LineFault)):
            self._held.append(record)
            if len(self._held) > HELD_RECORDS:
                self.drop()
            return
        self._deliver(record)

    def expire(self, t_ns: int) -> None:
        """Give up what has been held for too long."""
        self._drop(sum(t_ns - record.t_ns > HELD_NS for record in self._held))

    def drop(self) -> None:
        """Leave held characters and their faults out; pass the rest on."""
        self._drop(len(self._held))

    def _drop(self, count: int) -> None:
        gone, self._held = self._held[:count], self._held[count:]
        for record in gone:
            if isinstance(record, Chunk):
                self.left_out += len(record.data)
            elif not isinstance(record, LineFault):
                self._deliver(record)

    def release(self, first: LinkState) -> None:
        """Stop holding: pass `first` on, stamped as what it is about, then what was held."""
        held, self._held = self._held, []
        self.holding = False
        self._deliver(replace(first, t_ns=held[0].t_ns) if held else first)
        for record in held:
            self._deliver(record)
