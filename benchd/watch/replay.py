"""Replay: captures become boots again, by the same street as live, with any rule table."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from benchd.capture import Capture, read_capture
from benchd.rules import Matcher, RuleTable, load_text
from benchd.rules.files import load_table
from benchd.vocabulary.events import BOOT_EVENTS, Event
from benchd.vocabulary.models import Boot
from benchd.vocabulary.records import Annotation, Record
from benchd.vocabulary.times import Anchor
from benchd.watch.pipeline import Pipeline


class Replay:
    """The captures of one or more machines. `problems` says which files break off, and where.

    Files of one machine and one run are read on in one go, in order of time; `rules` replaces the table that
    each capture names (a path or a name, looked up from `base`).
    """

    def __init__(self, files: Sequence[Path], rules: str | None = None, base: Path = Path()) -> None:
        self.captures = sorted((read_capture(path) for path in files), key=_place)
        self.problems: list[str] = []
        self.reading: Path | None = None
        """The file that the last event came from."""
        self._rules, self._base = rules, base

    def table_of(self, capture: Capture) -> RuleTable:
        """Return the table to judge by: the one asked for, else the capture's own, else the one it names."""
        if self._rules is None and (text := table_text(capture)) is not None:
            return load_text(text, f"{capture.path} (the table in it)")
        return load_table(self._rules or capture.table, self._base)

    def events(self) -> Iterator[Event]:
        """Yield every event, machine by machine."""
        street: Pipeline | None = None
        run: tuple[object, ...] | None = None
        for capture in self.captures:
            if not capture.version:
                self.problems.append(f"{capture.path}: {capture.problem}")
                continue
            key = (*_run_of(capture), capture.table, table_text(capture))
            if further := street is not None and key == run:
                assert street is not None
            else:
                if street is not None:
                    yield from street.drain()
                anchor = Anchor(capture.wall_ns, capture.mono_ns)
                matcher = Matcher(self.table_of(capture))
                street, run = Pipeline(capture.machine, capture.links, matcher, anchor), key
            self.reading = capture.path
            for record in news(capture) if further else capture.records():
                yield from street.feed(record)
            if capture.problem:
                self.problems.append(f"{capture.path}: {capture.problem}")
        if street is not None:
            yield from street.drain()

    def boots(self) -> list[Boot]:
        """Return every boot, in order of start."""
        return last_records(self.events())


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


def news(capture: Capture) -> Iterator[Record]:
    """Yield the records without those at the beginning that repeat what an earlier file of the run had."""
    repeated = 0
    for record in capture.records():
        if repeated:
            repeated -= 1
        elif isinstance(record, Annotation) and record.key == "again" and record.value.isdecimal():
            repeated = int(record.value)
        else:
            yield record


def run_files(paths: Iterable[Path]) -> list[Path]:
    """Return the files of the newest run among captures of one machine, oldest first; [] if none can be read."""
    captures = [capture for capture in map(read_capture, paths) if capture.version]
    if not captures:
        return []
    newest = _run_of(max(captures, key=lambda capture: capture.wall_ns))
    return [capture.path for capture in sorted(captures, key=_place) if _run_of(capture) == newest]


def _run_of(capture: Capture) -> tuple[object, ...]:
    return capture.machine, capture.wall_ns, capture.mono_ns, capture.links


def _place(capture: Capture) -> tuple[str, int, int, str]:
    """Sort key: machine, run, first record. Names will not do: the wall clock may have been set back."""
    first = next(capture.records(), None)
    return capture.machine, capture.wall_ns, first.t_ns if first is not None else 0, capture.path.name
