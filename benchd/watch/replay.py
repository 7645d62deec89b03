"""Replay: captures become boots again, by the same pipeline as live, with any rule table."""

from __future__ import annotations

import math
import re
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from functools import lru_cache
from itertools import islice
from pathlib import Path

from benchd.boots.limits import Limit
from benchd.capture import Capture, read_capture
from benchd.rules import Matcher, load_text
from benchd.rules.files import beside, find_table, read_table_text, text_beside
from benchd.vocabulary.events import BOOT_EVENTS, Event
from benchd.vocabulary.models import Boot
from benchd.vocabulary.records import UNREAD, Annotation, Chunk, Record
from benchd.vocabulary.times import NS, Anchor
from benchd.watch.pipeline import Pipeline

Placed = tuple[int, Record]
"""A record, and the offset of its block in the capture file."""
TABLES_KEPT = 16
LEAP_NS = 5 * NS
BEHIND = 3
"""Records looked at behind one that comes so long after the one before; each of as many links may be late with one."""
TOGETHER = 64
"""Records that are judged in one go where nobody asks what followed from each."""
_NAME = re.compile(r"(.*?)(?:-(\d{1,5}))?", re.DOTALL)
"""Name of a capture, and which one of its second it is."""


class Replay:
    """The captures of one or more machines. `problems` says which files break off, and where.

    Files of one machine and one run are read on in one go, in order of time; `rules` replaces the table that
    each capture names (a path or a name, looked up from `base`); `table` replaces it by a table's text. `judged_again`
    False: as if no table lay beside a capture.
    """

    def __init__(
        self, files: Sequence[Path], rules: str | None = None, base: Path = Path(), *, table: str | None = None,
        judged_again: bool = True,
    ) -> None:  # fmt: skip
        self.captures = in_order(read_capture(path) for path in files)
        self.problems: list[str] = []
        self.reading: Path | None = None
        """The file that the last event came from."""
        self._rules, self._base, self._table, self._judged_again = rules, base, table, judged_again

    def events(self, shows: bool = True) -> Iterator[Event]:
        """Yield every event, machine by machine; codes and lines where it `shows` them."""
        for _, _, _, events in self.steps(TOGETHER, shows):
            yield from events

    def steps(
        self, together: int = 1, shows: bool = True
    ) -> Iterator[tuple[Capture, Placed | None, Pipeline, list[Event]]]:
        """Yield each record with its capture, the pipeline that was fed it, and what followed; None at a run's end.

        Of so many records `together` only the last one is told of, with what followed from all of them. Unless it
        `shows` them, codes and lines are judged and not told.
        """
        pipeline: Pipeline | None = None
        before: Capture | None = None
        for capture in self.captures:
            if not capture.version:
                self.problems.append(f"{capture.path}: {capture.problem}")
                continue
            goes_on = pipeline is not None and before is not None and follows(before, capture, self._judged_again)
            if pipeline is None or not goes_on:
                if pipeline is not None and before is not None:
                    yield before, None, pipeline, pipeline.drain()
                pipeline = new_pipeline(capture, *self._judged_by(capture))
                pipeline.tracker.shows = shows
            before, self.reading = capture, capture.path
            records = readable(capture, news(capture) if goes_on else capture.placed(), self.problems)
            while some := list(islice(records, together)):
                yield capture, some[-1], pipeline, pipeline.feed_all([record for _, record in some])
            if capture.problem:
                self.problems.append(f"{capture.path}: {capture.problem}")
        if pipeline is not None and before is not None:
            yield before, None, pipeline, pipeline.drain()

    def _judged_by(self, capture: Capture) -> tuple[str, str]:
        if self._table is not None:
            return self._table, "the table given"
        return judged_by(capture, self._base, self._rules, self._judged_again)

    def boots(self) -> list[Boot]:
        """Return every boot, in order of start."""
        return last_records(self.events(shows=False))


def judged_by(capture: Capture, base: Path, rules: str | None = None, judged_again: bool = True) -> tuple[str, str]:
    """Return a table's text and where it comes from.

    The one asked for, else the one that lies beside the capture since it was `judged_again` (see `beside`), else the
    capture's own, else the one it names. Raises UsageError or ExternalError where there is none.
    """
    if rules is None and judged_again and (text := text_beside(capture.path)) is not None:
        return text, str(beside(capture.path))
    if rules is None and (text := table_text(capture)) is not None:
        return text, f"{capture.path} (the table in it)"
    path = find_table(rules or capture.table, base)
    return read_table_text(path), str(path)


@lru_cache(TABLES_KEPT)
def _matcher(text: str, file: str) -> Matcher:
    return Matcher(load_text(text, file))


def new_pipeline(capture: Capture, text: str, file: str) -> Pipeline:
    """Return a pipeline for a capture's machine that judges by the table in `text`."""
    anchor = Anchor(capture.wall_ns, capture.mono_ns)
    return Pipeline(capture.machine, capture.links, _matcher(text, file), anchor)


def readable(capture: Capture, records: Iterable[Placed], problems: list[str]) -> Iterator[Placed]:
    """Yield the records without learned limits that cannot be read, and without any whose time cannot be true.

    These are told, with their offset. A time that is changed in a sound block would carry all that follows with it.
    """
    source, ahead, last_ns = iter(records), deque[Placed](), 1 << 63
    while (placed := ahead.popleft() if ahead else next(source, None)) is not None:
        offset, record = placed
        if record.t_ns - last_ns > LEAP_NS and _strays(record.t_ns, ahead, source):
            problems.append(f"{capture.path}: at offset {offset}: a time long after that of what follows, left out")
            yield offset, Annotation(last_ns, UNREAD, f"0 {ahead[0][0] - offset}")
            continue
        last_ns = record.t_ns
        if isinstance(record, Annotation) and record.key == "limit" and not _is_limit(record.value):
            problems.append(f"{capture.path}: at offset {offset}: a limit that is none, left out: {record.value!r:.60}")
        else:
            yield placed


def _strays(t_ns: int, ahead: deque[Placed], source: Iterator[Placed]) -> bool:
    """Whether all that stands behind a record of this time is of long before: a reader is late with one record at most.

    Annotations do not count: that of an absence is stamped with its beginning. What is looked at goes into `ahead`.
    """
    behind = [record.t_ns for _, record in ahead if not isinstance(record, Annotation)]
    while len(behind) < BEHIND and (placed := next(source, None)) is not None:
        ahead.append(placed)
        if not isinstance(placed[1], Annotation):
            behind.append(placed[1].t_ns)
    return len(behind) >= BEHIND and all(t_ns - other_ns > LEAP_NS for other_ns in behind)


def _is_limit(value: str) -> bool:
    try:
        _, limit = Limit.from_label(value)
    except ValueError:
        return False
    return math.isfinite(limit.seconds) and limit.seconds > 0


def last_records(events: Iterable[Event]) -> list[Boot]:
    """Return the last record of each boot that the events tell of, in order of start."""
    boots: dict[str, Boot] = {}
    for event in events:
        if isinstance(event, BOOT_EVENTS):
            boots[event.boot.id] = event.boot
    return sorted(boots.values(), key=lambda boot: (boot.started, boot.id))


def table_text(capture: Capture) -> str | None:
    """Return the rule table that a capture carries."""
    first = next(capture.records(), None)
    return first.value if isinstance(first, Annotation) and first.key == "table" else None


def news(capture: Capture) -> Iterator[Placed]:
    """Yield the records without those at the beginning that repeat what an earlier file of the run had."""
    repeated, at_ns = 0, 0
    for placed in capture.placed():
        record = placed[1]
        if repeated and record.t_ns == at_ns and not isinstance(record, Chunk):
            repeated -= 1
            continue
        repeated = 0
        if isinstance(record, Annotation) and record.key == "again" and record.value.isdecimal():
            repeated, at_ns = int(record.value), record.t_ns
        else:
            yield placed


def stands_alone(capture: Capture) -> bool:
    """Whether a file was begun between two boots, so that it can be judged without the files of its run before."""
    left = 2
    for record in capture.records():
        if not isinstance(record, Annotation) and left <= 0:
            break
        if isinstance(record, Annotation) and record.key == "phase":
            return True
        left -= 1
        if isinstance(record, Annotation) and record.key == "again" and record.value.isdecimal():
            left = int(record.value)
    return False


def run_files(paths: Iterable[Path]) -> list[Path]:
    """Return the files of the newest run among captures of one machine, oldest first; [] if none can be read."""
    captures = in_order(capture for capture in map(read_capture, paths) if capture.version)
    return [capture.path for capture in captures if run_of(capture) == run_of(captures[-1])]


def follows(before: Capture, capture: Capture, judged_again: bool = True) -> bool:
    """Whether a file goes on where the one before it ended, under the same table; `judged_again`: those beside too."""
    if run_of(before) != run_of(capture) or before.table != capture.table:
        return False
    if table_text(before) != table_text(capture):
        return False
    return not judged_again or text_beside(before.path) == text_beside(capture.path)


def run_of(capture: Capture) -> tuple[object, ...]:
    """Return what all files of one run share, and no others."""
    return capture.machine, capture.run, capture.wall_ns, capture.mono_ns, capture.links


def in_order(captures: Iterable[Capture]) -> list[Capture]:
    """Return captures by machine and run, and those of a run as they were written."""
    return sorted(captures, key=_place)


def _place(capture: Capture) -> tuple[str, int, int, int, int, str, int]:
    """Sort key: machine, run, file. Names and wall times will not do: that clock may have been set back.

    Captures of before 0.2 have no run number: they come first, by the wall time of their run. Those that do not tell
    which file of their run they are go by their first record, and by the number in their name where these fall
    together: `-10` comes after `-9`, and after the file without a number.
    """
    first = next(capture.records(), None)
    first_ns = first.t_ns if first is not None else 0
    found = _NAME.fullmatch(capture.path.stem)
    name, number = found.groups() if found else ("", None)
    return capture.machine, capture.run or 0, capture.wall_ns, capture.file or 0, first_ns, name, int(number or 0)
