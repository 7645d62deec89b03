"""A boot's codes and lines: the one reader of them, from captures. It costs what the boot weighs, once indexed.

reader = TraceReader(base)
events = reader.events(boot, capture)      # CodeSeen, LineSeen and all else that was told of the boot, in order
traces = all_boots(replay, most)           # the same of every boot in some captures, which are read through
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from pathlib import Path

from benchd.capture import Capture, captures_in, read_capture
from benchd.errors import BenchError, UsageError
from benchd.vocabulary.events import BootChanged, BootOver, BootSettled, BootStarted, CodeSeen, Event, LineSeen
from benchd.vocabulary.models import Boot
from benchd.watch.index import Indexer, IndexFile, find_boot, index_of, last_state, thaw
from benchd.watch.pipeline import Pipeline
from benchd.watch.replay import (
    Placed,
    Replay,
    follows,
    in_order,
    judged_by,
    new_pipeline,
    news,
    readable,
    run_of,
    stands_alone,
)

PAUSE_RECORDS = 32


def boot_of(event: Event) -> str | None:
    """Return the id of the boot that an event belongs to."""
    boot = getattr(event, "boot", None)
    return boot if boot is None or isinstance(boot, str) else boot.id


def all_boots(replay: Replay, most: int) -> Iterator[tuple[Boot, list[CodeSeen | LineSeen]]]:
    """Yield each boot as it ended up, with its first codes and whole lines, at most so many, in order of start."""
    boots: dict[str, Boot] = {}
    seen: dict[str, list[CodeSeen | LineSeen]] = {}
    for event in replay.events():
        if isinstance(event, BootStarted | BootChanged | BootSettled | BootOver):
            boots[event.boot.id] = event.boot
        elif isinstance(event, CodeSeen | LineSeen) and event.boot is not None:
            if isinstance(event, LineSeen) and event.passing:
                continue
            own = seen.setdefault(event.boot, [])
            if len(own) < most:
                own.append(event)
    for boot in boots.values():
        yield boot, seen.get(boot.id, [])


class TraceReader:
    """Reads boots from captures. `problems` says what could not be read; `pause` is called now and then.

    Rule tables that captures only name are looked for from `base`. What `pause` raises ends the reading.
    """

    def __init__(self, base: Path = Path(), pause: Callable[[], None] = lambda: None) -> None:
        self.problems: list[str] = []
        self._base, self._pause = base, pause
        self._indexes: dict[Path, IndexFile] = {}

    def events(self, boot: str, path: Path) -> Iterator[Event]:
        """Yield what is told of a boot until the next one begins, in order. `path` is the capture it began in.

        A line's number counts the boot's lines of that link from 0. Raises UsageError where the capture does not
        hold the boot, or is none; ExternalError where it cannot be read.
        """
        first: dict[str, int] = {}
        for event in self._of_boot(boot, path):
            if isinstance(event, LineSeen):
                event = replace(event, line=event.line - first.setdefault(event.link, event.line))
            yield event

    def _of_boot(self, boot: str, path: Path) -> Iterator[Event]:
        begun = False
        for events in self._told(boot, path):
            for event in events:
                if isinstance(event, BootStarted):
                    if begun and event.boot.id != boot:
                        return
                    begun |= event.boot.id == boot
                if boot_of(event) == boot:
                    yield event
        if not begun:
            what = "; ".join(self.problems) or "it holds other boots"
            raise UsageError(f"{path.name} does not hold boot {boot}: {what}")

    def _told(self, boot: str, path: Path) -> Iterator[list[Event]]:
        """Yield what follows from the records from a boot's beginning on, to the end of its run."""
        return (events for _, _, events in self.steps(boot, path))

    def steps(self, boot: str, path: Path) -> Iterator[tuple[Path, Placed | None, list[Event]]]:
        """Yield the records from before a boot's beginning on, to the end of its run, each with what follows from it.

        With each its file and its place there; None at the end of the run.
        """
        capture = read_capture(path)
        if not capture.version:
            self.problems.append(f"{path}: {capture.problem}")
            return
        pipeline, records = self._beginning(boot, capture)
        while True:
            for placed in self._readable(capture, records):
                yield capture.path, placed, pipeline.feed(placed[1])
            if capture.problem:
                self.problems.append(f"{capture.path}: {capture.problem}")
            further = neighbour(capture, 1)
            if further is None or not follows(capture, further):
                break
            capture, records = further, news(further)
        yield capture.path, None, pipeline.drain()

    def _beginning(self, boot: str, capture: Capture) -> tuple[Pipeline, Iterator[Placed]]:
        index = self._index_of(capture)
        for _ in range(2):
            text = index.load()
            try:
                if (found := find_boot(text, boot)) is not None:
                    return self._from(capture, text, found[1])
            except ValueError:
                index.forget()
            pipeline = self.index(capture)
        return pipeline, iter(())  # it may begin with what is held back at the end of the file

    def _from(self, capture: Capture, text: bytes, at: int) -> tuple[Pipeline, Iterator[Placed]]:
        """Return the pipeline as it is before an offset (0: the first record). Raises ValueError for a bad state."""
        pipeline = new_pipeline(capture, *judged_by(capture, self._base))
        return (thaw(self._index_of(capture).state(text, at), pipeline) if at else pipeline), capture.placed(at)

    def _readable(self, capture: Capture, records: Iterable[Placed]) -> Iterator[Placed]:
        for number, placed in enumerate(readable(capture, records, self.problems)):
            if number % PAUSE_RECORDS == 0:
                self._pause()
            yield placed

    def _index_of(self, capture: Capture) -> IndexFile:
        """Return the index of a capture, the same as before where that could not be written."""
        found = index_of(capture, self._base)
        kept = self._indexes.setdefault(capture.path, found)
        if not kept.same_as(found):
            kept = self._indexes[capture.path] = found
        return kept

    # ------------------------------------------------------------------ the index, from the captures alone

    def index(self, capture: Capture) -> Pipeline:
        """Bring a capture's index up to its end; return the pipeline as it is there."""
        indexer = Indexer(lambda path: self._index_of(capture))
        text = self._index_of(capture).load()
        at = last_state(text)
        try:
            pipeline, records = self._from(capture, text, at)
            if at:
                indexer.goes_on(capture, self._index_of(capture).state(text, at), at)
        except ValueError:
            self._index_of(capture).forget()
            at = 0
            pipeline, records = self._from(capture, text, at)
        if not at and (before := self.file_before(capture)) is not None:
            pipeline, records = self.index(before), news(capture)
            indexer.carries_on(pipeline)
        for offset, record in self._readable(capture, records):
            indexer.saw((capture.path, offset, None), pipeline, [record], pipeline.feed(record))
        return pipeline

    def file_before(self, capture: Capture) -> Capture | None:
        """Return the file whose end a capture needs to be judged, if there is one."""
        if stands_alone(capture):
            return None
        before = neighbour(capture, -1)
        return before if before is not None and follows(before, capture) else None


def neighbour(capture: Capture, step: int) -> Capture | None:
    """Return the file of the same run just before (-1) or after (1) a capture in its folder, if there is one."""
    found = []
    for path in captures_in(capture.path.parent):
        try:
            other = read_capture(path)
        except BenchError:
            continue
        if other.version and run_of(other) == run_of(capture):
            found.append(other)
    files = in_order(found)
    place = next((n for n, other in enumerate(files) if other.path == capture.path), None)
    if place is None or not 0 <= place + step < len(files):
        return None
    return files[place + step]
