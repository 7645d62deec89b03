"""What lies in a data folder: captures with their size and age, which belong together, and what holds them."""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from benchd.capture import Capture, captures_in, read_capture
from benchd.capture.packed import SUFFIX, file_of
from benchd.errors import BenchError
from benchd.store.boots import IMPORTED
from benchd.store.holding import CaptureBoots
from benchd.upkeep.retention import Unit
from benchd.vocabulary.times import Anchor
from benchd.watch.progress import Progress, RunEntry, run_key
from benchd.watch.replay import in_order, stands_alone

IN_TRIAL = "boots of trials, or noted, labelled or left out"
NOT_STORED = "not known to be in the store whole"
UNREAD = "cannot be read"
FROM_OTHERS = "imported"
AHEAD_S = 86_400.0
"""A file that says it was written further ahead than this was written while the clock was wrong."""


@dataclass(frozen=True, slots=True)
class Lying:
    """A capture as it lies on the disk: bytes, when it was written last (s), whether compressed, imported."""

    capture: Path
    size: int
    written_s: float
    packed: bool
    imported: bool


def lying(data: Path) -> list[Lying]:
    """Return all captures of a data folder, own and imported ones, machine by machine."""
    out = []
    for imported, folders in ((False, (data / "captures").glob("*")), (True, (data / IMPORTED).glob("*/*"))):
        for capture in (one for folder in sorted(folders) for one in captures_in(folder)):
            file = file_of(capture)
            try:
                facts = os.stat(file) if file else None
            except OSError:  # compressed just now, or taken away
                facts = None
            if file and facts:
                out.append(Lying(capture, facts.st_size, facts.st_mtime, file.suffix == SUFFIX, imported))
    return out


class Holdings:
    """The captures of one data folder. What was read of a capture's beginning is remembered."""

    def __init__(self, data: Path) -> None:
        self._data = data
        self._alone: dict[Path, bool] = {}

    def units(self, captures: list[Lying], boots: Mapping[str, CaptureBoots], now_s: float) -> list[Unit]:
        """Return what goes or stays together; `boots` as the store tells them."""
        by_folder: dict[Path, list[Lying]] = defaultdict(list)
        out = []
        for one in captures:
            if one.imported:  # taken in by hand, and taken out by hand
                out.append(self._unit([one], one.written_s, boots, FROM_OTHERS))
            else:
                by_folder[one.capture.parent].append(one)
        for folder, own in by_folder.items():
            out += self._of_machine(folder, own, boots, now_s)
        self._alone = {one.capture: self._alone[one.capture] for one in captures if one.capture in self._alone}
        return out

    def _of_machine(
        self, folder: Path, own: list[Lying], boots: Mapping[str, CaptureBoots], now_s: float
    ) -> Iterator[Unit]:
        entries = Progress(folder).entries
        facts = {one.capture: one for one in own}
        readable = list(filter(None, (_read(one.capture) for one in own)))
        for path in facts.keys() - {capture.path for capture in readable}:
            yield self._unit([facts[path]], facts[path].written_s, boots, UNREAD)
        units = self._together(readable)
        runs: dict[str, list[Path]] = defaultdict(list)
        for key, paths in units:
            runs[key] += paths
        newest_s = 0.0
        for key, paths in units:
            # A clock without a battery: no capture is older than those of earlier runs, whatever its file says.
            told = [facts[path].written_s for path in paths if facts[path].written_s <= now_s + AHEAD_S]
            newest_s = max([newest_s, *told])
            held = "" if _stored(entries.get(key), runs[key], paths[-1]) else NOT_STORED
            yield self._unit([facts[path] for path in paths], newest_s if told else now_s, boots, held)

    def _together(self, captures: list[Capture]) -> list[tuple[str, list[Path]]]:
        """Return a machine's captures in order, those together that can only be judged so, each with its run's key."""
        units: list[tuple[str, list[Path]]] = []
        for capture in in_order(captures):
            key = run_key(Anchor(capture.wall_ns, capture.mono_ns))
            if capture.path not in self._alone:
                self._alone[capture.path] = stands_alone(capture)
            if not units or units[-1][0] != key or self._alone[capture.path]:
                units.append((key, []))
            units[-1][1].append(capture.path)
        return units

    def _unit(self, own: list[Lying], written_s: float, boots: Mapping[str, CaptureBoots], held: str) -> Unit:
        names = [one.capture.relative_to(self._data).as_posix() for one in own]
        found = [boots[name] for name in names if name in boots]
        if any(one.running for one in found):
            held = held or NOT_STORED
        if any(one.held for one in found):
            held = IN_TRIAL
        size, count = sum(one.size for one in own), sum(one.boots for one in found)
        return Unit(tuple(one.capture for one in own), size, written_s, count, held)


def _read(path: Path) -> Capture | None:
    try:
        capture = read_capture(path)
    except BenchError:
        return None
    return capture if capture.version else None


def _stored(entry: RunEntry | None, run: list[Path], last: Path) -> bool:
    """Whether the store has what a file of a run, and those before it, hold."""
    if entry is None or entry.done or entry.place is None:
        return entry is not None and entry.done
    names = [path.name for path in run]
    return entry.place.file in names and names.index(entry.place.file) > run.index(last)
