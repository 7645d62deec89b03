"""A capture read from a place in it, as if it began there."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from benchd.capture import Capture, layout, read_capture
from benchd.errors import ExternalError
from benchd.vocabulary.records import Annotation, Chunk, Record
from benchd.watch.progress import Place

PACKET = 6
HEAD = struct.Struct("<7I")


@dataclass(slots=True)
class Tail(Capture):
    """The records of `capture` from `place` on, after the rule table and what was in force there."""

    place: Place | None = None

    def records(self) -> Iterator[Record]:
        """As `Capture.records`; a half block at the end, as a kill leaves it, ends the stream."""
        whole, place = read_capture(self.path), self.place
        assert place is not None
        first = next(whole.records(), None)
        if isinstance(first, Annotation) and first.key == "table":
            yield first
        yield from place.in_force
        start = True
        for record in _packets(self.path, place.offset, whole):
            if start and place.phase:
                yield Annotation(record.t_ns, "phase", place.phase)
            start = False
            yield record
        self._read_through = True


def tail_of(path: Path, place: Place) -> Tail:
    """Return the capture at `path` from `place` on. Raises what `read_capture` raises."""
    whole = read_capture(path)
    head = (whole.machine, whole.table, whole.links, whole.wall_ns, whole.mono_ns, whole.version)
    return Tail(path, *head, place=place)


def _packets(path: Path, offset: int, whole: Capture) -> Iterator[Record]:
    back_ns = whole.mono_ns - whole.wall_ns
    names = [link.name for link in whole.links]
    try:
        with open(path, "rb") as file:
            file.seek(offset)
            while len(head := file.read(HEAD.size)) == HEAD.size:
                kind, length, number, high, low, size, _ = HEAD.unpack(head)
                if kind != PACKET or not HEAD.size + 4 + size <= length <= layout.MAX_BLOCK:
                    return
                rest = file.read(length - HEAD.size)
                if len(rest) < length - HEAD.size:
                    return
                t_ns = (high << 32 | low) + back_ns
                if number < len(names):
                    yield Chunk(names[number], t_ns, rest[:size])
                else:
                    yield layout.event_from_payload(rest[:size], t_ns)
    except OSError as error:
        raise ExternalError(f"capture {path} cannot be read: {error.strerror}; check the disk") from error
    except ValueError:
        return
