"""Replay: captures become boots again, by the same street as live, with any rule table."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from benchd.boots.state import Anchor
from benchd.capture import Capture, read_capture
from benchd.events import BootChanged, BootEnded, BootStarted, Event
from benchd.models import Boot
from benchd.rulefiles import load_table
from benchd.records import Note
from benchd.rules import Matcher, RuleTable, load_text
from benchd.street import Street


class Replay:
    """The captures of one or more machines. `problems` says which files break off, and where.

    Files of one machine and one run are read on in one go, in order of time; `rules` replaces the table that
    each capture names (a path or a name, looked up from `base`).
    """

    def __init__(self, files: Sequence[Path], rules: str | None = None, base: Path = Path()) -> None:
        self.captures = sorted((read_capture(path) for path in files), key=lambda c: (c.machine, c.path.name))
        self.problems: list[str] = []
        self._rules, self._base = rules, base

    def table_of(self, capture: Capture) -> RuleTable:
        """Return the table to judge by: the one asked for, else the capture's own, else the one it names."""
        if self._rules is None:
            first = next(capture.records(), None)
            if isinstance(first, Note) and first.key == "table":
                return load_text(first.value, f"{capture.path} (the table in it)")
        return load_table(self._rules or capture.table, self._base)

    def events(self) -> Iterator[Event]:
        """Yield every event, machine by machine."""
        street: Street | None = None
        run: tuple[object, ...] | None = None
        for capture in self.captures:
            if not capture.version:
                self.problems.append(f"{capture.path}: {capture.problem}")
                continue
            key = (capture.machine, capture.wall_ns, capture.mono_ns, capture.table, capture.links)
            if street is None or key != run:
                if street is not None:
                    yield from street.drain()
                anchor = Anchor(capture.wall_ns, capture.mono_ns)
                street, run = (
                    Street(capture.machine, capture.links, Matcher(self.table_of(capture)), anchor),
                    key,
                )
            for record in capture.records():
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
        if isinstance(event, BootStarted | BootChanged | BootEnded):
            boots[event.boot.id] = event.boot
    return sorted(boots.values(), key=lambda boot: (boot.started, boot.id))
