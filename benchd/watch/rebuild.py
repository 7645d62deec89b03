"""Boots put into the store from captures: those it lacks, or all. What people entered by hand is not touched."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from benchd.capture import Capture, captures_in, read_capture
from benchd.errors import BenchError, UsageError
from benchd.store import Store
from benchd.store.boots import IMPORTED, IMPORTED_OTHER, IMPORTED_SAME
from benchd.vocabulary.events import BootChanged, BootOver, BootSettled, BootStarted
from benchd.vocabulary.models import Boot
from benchd.watch.archive import About
from benchd.watch.replay import Replay, in_order, run_of


@dataclass(slots=True)
class Rebuilt:
    """How many boots the captures hold, how many of them were put into the store, and what could not be read.

    `before`: how many boots of these captures the store had.
    """

    found: int
    stored: int
    problems: list[str]
    before: int = 0


def captures_under(folder: Path, imported: bool = False) -> list[Path]:
    """Return this bench's own captures in a data folder, with `imported` those from other benches too."""
    folders = [*(folder / "captures").glob("*"), *((folder / IMPORTED).glob("*/*") if imported else ())]
    return [path for one in sorted(folders) for path in captures_in(one)]


def is_imported(path: Path) -> bool:
    """Whether a capture lies where captures from other benches do."""
    return path.parts[-4:-2] in (tuple(IMPORTED_OTHER.split("/"))[:2], tuple(IMPORTED_SAME.split("/"))[:2])


def rebuild(
    store: Store,
    paths: Iterable[Path],
    base: Path,
    *,
    everything: bool = False,
    since: datetime | None = None,
    told: Callable[[str], None] = lambda text: None,
) -> Rebuilt:
    """Put the boots in captures into the store: those that are not in it or not over there, or `everything`.

    `since` leaves out boots that began before. Tables that captures only name are looked for from `base`; `told` gets
    a line for each run. The open boot of a machine's newest run is left to the daemon; a boot that was moved to
    another trial by hand stays so. Raises ExternalError where the store fails; files that cannot be read are told in
    the answer.
    """
    out, paths = Rebuilt(0, 0, []), list(paths)
    runs = runs_of([path for path in paths if not is_imported(path)], out.problems)
    newest = {run[0].machine: run for run in runs}
    for path in paths:  # each for itself: on no other bench did they go on from one of another file
        runs += runs_of([path], out.problems) if is_imported(path) else []
    for run in runs:
        files, before = [capture.path for capture in run], out.stored
        try:
            for boot, capture in _meant(run, boots_of(files, base, out.problems)):
                if since is not None and datetime.fromisoformat(boot.started) < since:
                    continue
                out.found += 1
                out.stored += _put(store, boot, capture, everything, under_way=newest.get(run[0].machine) is run)
        except UsageError as error:  # its table is gone, or is wrong
            out.problems.append(f"{files[0].parent}: {error}")
        told(f"{run[0].machine}: {len(files)} files from {files[0].name} on, {out.stored - before} boots stored")
    return out


def runs_of(paths: Iterable[Path], problems: list[str]) -> list[list[Capture]]:
    """Return the files of each run, machine by machine, in order; files that cannot be read are told."""
    captures: list[Capture] = []
    for path in paths:
        try:
            captures.append(capture := read_capture(path))
        except BenchError as error:
            problems.append(str(error))
        else:
            if not capture.version:
                problems.append(f"{path}: {captures.pop().problem}")
    runs: dict[tuple[object, ...], list[Capture]] = {}
    for capture in in_order(captures):
        runs.setdefault(run_of(capture), []).append(capture)
    return list(runs.values())


def boots_of(files: list[Path], base: Path, problems: list[str]) -> list[tuple[Boot, Path]]:
    """Return the boots of one run's captures, with the file each began in, judged by the tables in force now."""
    return boots_in(Replay(files, base=base), problems)


def boots_in(replay: Replay, problems: list[str]) -> list[tuple[Boot, Path]]:
    """Return the boots that a replay of one run tells, with the file each began in."""
    boots: dict[str, Boot] = {}
    began: dict[str, Path] = {}
    for event in replay.events(shows=False):
        if isinstance(event, BootStarted | BootChanged | BootSettled | BootOver):
            began.setdefault(event.boot.id, replay.reading or replay.captures[0].path)
            boots[event.boot.id] = event.boot
    problems += replay.problems
    return [(boot, began[boot_id]) for boot_id, boot in boots.items()]


def _meant(run: list[Capture], found: list[tuple[Boot, Path]]) -> list[tuple[Boot, Path]]:
    """Leave out boots that a capture which was cut out holds only because the one it is of needs them.

    It names that by the id that it had where it was cut out, where the machine may have had another name.
    """
    about = About.of(run[0]) if len(run) == 1 else None
    if about is None:
        return found
    return [one for one in found if any(its.endswith(one[0].id.removeprefix(one[0].machine)) for its in about.boots)]


def as_ended(boot: Boot) -> Boot:
    """Return a boot of a run that is over: one that still ran then was cut short when it was last seen."""
    if boot.outcome != "running":
        return boot
    ended = datetime.fromisoformat(boot.started) + timedelta(seconds=boot.duration_s)
    return boot.model_copy(update={"outcome": "cut-short", "ended": ended.isoformat(timespec="milliseconds")})


def _put(store: Store, boot: Boot, capture: Path, everything: bool, *, under_way: bool) -> bool:
    """Store a boot if it is wanted. `under_way`: of the newest run, which may go on: its open boot is left as it is."""
    known = store.told_boot(boot.id)
    if not under_way:
        boot = as_ended(boot)
    if known is not None:
        if boot.outcome == "running" or (known.ended is not None and not everything):
            return False
        boot = boot.model_copy(update={"trial": known.trial})
        if boot == known and not everything:
            return False
    store.save_boot(boot, capture=str(capture))
    return True
