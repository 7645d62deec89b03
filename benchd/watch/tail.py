"""A capture read from a place in it, as if it began there."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from pathlib import Path

from benchd.capture import Capture, read_capture
from benchd.vocabulary.records import Annotation, Record
from benchd.watch.progress import Place


@dataclass(slots=True)
class Tail(Capture):
    """The records of a capture from `place` on, after the rule table and what was in force there."""

    place: Place | None = None

    def placed(self, start: int = 0) -> Iterator[tuple[int, Record]]:
        """As `Capture.placed`; `start` is for whoever goes on reading, and 0 for the whole tail."""
        if start:
            yield from Capture.placed(self, start)
            return
        assert self.place is not None
        at = self.header_bytes
        first = next(Capture.records(self), None)
        if isinstance(first, Annotation) and first.key == "table":
            yield at, first
        yield from ((at, record) for record in self.place.in_force)
        begun = False
        for offset, record in Capture.placed(self, self.place.offset):
            if not begun and self.place.phase:
                yield offset, Annotation(record.t_ns, "phase", self.place.phase)
            begun = True
            yield offset, record

    def records(self) -> Iterator[Record]:
        """The records of the tail."""
        return (record for _, record in self.placed())


def tail_of(path: Path, place: Place) -> Tail:
    """Return the capture at `path` from `place` on. Raises what `read_capture` raises."""
    whole = read_capture(path)
    return Tail(**{one.name: getattr(whole, one.name) for one in fields(whole)}, place=place)
