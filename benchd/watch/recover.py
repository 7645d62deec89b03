"""At a start, beside the reading: what earlier runs captured and the store lacks is judged again and stored.

Each earlier run that is not done (see `progress`) is replayed from the last place up to which the store had it; for
a run that was killed that is where its open boot began. Boots that the store has as over stay as they are. The last
boot, if a finding stood on it when its run ended, is taken to stand still: a restart of ours moves no machine.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

from benchd.capture import Capture, captures_in, read_capture
from benchd.capture.packed import file_of
from benchd.errors import BenchError, UsageError
from benchd.live_state import STUCK
from benchd.store import Store
from benchd.vocabulary.events import (
    BOOT_EVENTS,
    BootOver,
    BootStarted,
    Event,
    FindingCleared,
    FindingRaised,
    StageEntered,
)
from benchd.vocabulary.models import Boot
from benchd.vocabulary.times import NS, Anchor
from benchd.watch.progress import Progress, RunEntry, run_key
from benchd.watch.replay import Replay, in_order
from benchd.watch.tail import tail_of

log = logging.getLogger(__name__)

REASON = "the daemon ended while this boot was under way"
OPEN_BOOTS = 64
"""Boots looked at at a time: passes of a loop are marked as such a while after they ended."""
TURN_S = 0.01
"""Judging old records goes on for this long, then rests as long: what comes in now goes before."""


class Abandoned(Exception):
    """The recovery was asked to stop."""


@dataclass(slots=True)
class SeenBoot:
    """One boot as its captures tell it: its record, the file it began in, and what stood on it in the end."""

    boot: Boot
    capture: Path
    stage: StageEntered | None = None
    standing: FindingRaised | None = None
    over: bool = False
    """Whether its end was told as final, by its run or at a start. One cut short by the next may wait for that."""


@dataclass(slots=True)
class Recovered:
    """What recovering found: boots that are over now and were not known to be, and the one that stands still."""

    over: list[Boot] = field(default_factory=list)
    standing: SeenBoot | None = None
    runs: list[str] = field(default_factory=list)
    """Keys of the runs that are done, once nothing stands any more."""
    ends: list[str] = field(default_factory=list)
    """Ids of boots in `over` whose end their run did not tell: not to be told again while their run is not done."""


class Recovery:
    """Recovers one machine; `run` is for a thread of its own, `stop` for any other.

    `own` holds ids of boots of the present run, which are left alone; it may grow meanwhile.
    """

    def __init__(self, store: Store, machine: str, folder: Path, base: Path, own: Collection[str] = ()) -> None:
        self.store, self.machine, self.folder, self.base = store, machine, folder, base
        self.own = own
        self.stopped = False
        self._unread: set[str] = set()

    def stop(self) -> None:
        self.stopped = True

    def find(self, progress: Progress, present: str = "") -> list[tuple[str, list[Capture]]]:
        """Return the earlier runs that are not done, in their order, each with its files; enter the `present` one."""
        runs: dict[str, list[Capture]] = {}
        touched: dict[str, tuple[int, int]] = {}
        """By run: its number (0 in captures of before 0.2), and when it was written last."""
        for path in captures_in(self.folder):
            try:
                capture = read_capture(path)
                if not capture.version:
                    raise UsageError(f"{path}: {capture.problem}")
                key = run_key(Anchor(capture.wall_ns, capture.mono_ns))
                touched[key] = max(
                    touched.get(key, (0, 0)), (capture.run or 0, (file_of(path) or path).stat().st_mtime_ns)
                )
            except (BenchError, OSError) as error:
                log.warning("%s", error)
                continue
            if key != present:
                runs.setdefault(key, []).append(capture)
        entries = progress.entries = {key: entry for key, entry in progress.entries.items() if key in runs}
        for key in sorted(runs.keys() - entries.keys(), key=lambda key: touched[key]):
            progress.begin(key)
        if not progress.known:  # captures from before this was remembered: all but the last run are in the store
            for key in sorted(entries, key=lambda key: entries[key].number)[:-1]:
                entries[key].done = True
        if present:
            progress.begin(present)
        left = [(key, files) for key, files in runs.items() if not entries[key].done]
        return sorted(left, key=lambda one: entries[one[0]].number)

    def run(self, progress: Progress, runs: list[tuple[str, list[Capture]]]) -> Recovered:
        """Bring the store up to date with `runs`. Raises BenchError, Abandoned."""
        outcome = Recovered()
        last: SeenBoot | None = None
        for key, files in runs:
            for seen in self._boots(key, files, progress.entries[key]):
                seen.over = seen.over or seen.boot.id in progress.entries[key].told
                if last is not None:
                    self._settle(last, outcome)
                last = seen
            if key not in self._unread:
                outcome.runs.append(key)
        if last is not None:
            self._settle(last, outcome, last=True)
        for boot_id in self.store.close_running(self.machine, REASON, but=self.own):
            log.warning("%s: boot %s was under way when the daemon ended; marked cut-short", self.machine, boot_id)
            outcome.over = [boot for boot in outcome.over if boot.id != boot_id] + [self.store.boot(boot_id)]
        for key, _ in runs:  # at last: what was raised before is tried again, and nothing is told yet
            progress.entries[key].told += outcome.ends
        return outcome

    def _boots(self, key: str, files: list[Capture], entry: RunEntry) -> Iterator[SeenBoot]:
        """Yield the boots of one run, each some boots after it ended, judged by the tables in force then."""
        # A kill right after a file's header leaves one without a record, and so without its table: it holds no boot.
        files = [capture for capture in files if next(capture.records(), None) is not None]
        replay = Replay([], base=self.base)
        replay.captures = self._from_place(in_order(files), entry)
        boots: dict[str, SeenBoot] = {}
        try:
            for event in self._unhurried(replay.events()):
                if isinstance(event, BootStarted):
                    boots[event.boot.id] = SeenBoot(event.boot, replay.reading or files[0].path)
                    if len(boots) > OPEN_BOOTS and (oldest := next(iter(boots.values()))).boot.ended:
                        yield boots.pop(oldest.boot.id)
                else:
                    _note(boots, event)
        except (BenchError, ValueError) as error:
            log.error("%s: earlier captures could not be read again: %s", self.machine, error)
            self._unread.add(key)
        for problem in replay.problems:
            log.warning("%s", problem)
        yield from boots.values()

    def _unhurried(self, events: Iterator[Event]) -> Iterator[Event]:
        turn = time.monotonic() + TURN_S
        for event in events:
            if self.stopped:
                raise Abandoned
            if time.monotonic() >= turn:
                time.sleep(TURN_S)
                turn = time.monotonic() + TURN_S
            yield event

    def _from_place(self, files: list[Capture], entry: RunEntry) -> list[Capture]:
        place = entry.place
        names = [capture.path.name for capture in files]
        if place is None or place.file not in names:
            return files
        at = names.index(place.file)
        return [tail_of(files[at].path, place), *files[at + 1 :]]

    def _settle(self, seen: SeenBoot, outcome: Recovered, last: bool = False) -> None:
        """Store a boot that the store lacks; a boot that is not over becomes so, unless it stands still."""
        boot = seen.boot
        if last and boot.ended is None and seen.standing is not None and not self.own:
            outcome.standing = seen
        elif boot.ended is None and boot.outcome != "running":
            until = datetime.fromisoformat(boot.started) + timedelta(seconds=boot.duration_s)
            boot = boot.model_copy(update={"ended": until.isoformat(timespec="milliseconds")})
        known = self.store.told_boot(boot.id)
        if known is None or (known.ended is None and known != boot):
            self.store.save_boot(boot, capture=str(seen.capture))
        if (known is None or known.ended is None or not seen.over) and outcome.standing is not seen:
            outcome.over.append(boot)
            outcome.ends += [] if seen.over else [boot.id]


def _note(boots: dict[str, SeenBoot], event: Event) -> None:
    """Take into the record of its boot what an event says of it."""
    if isinstance(event, BOOT_EVENTS):
        if (seen := boots.get(event.boot.id)) is not None:
            seen.boot, seen.over = event.boot, seen.over or isinstance(event, BootOver)
    elif isinstance(event, StageEntered | FindingRaised | FindingCleared) and (seen := boots.get(event.boot)):
        if isinstance(event, StageEntered):
            seen.stage = event
        elif isinstance(event, FindingRaised):
            seen.standing = event if event.finding.kind in STUCK else seen.standing
        elif seen.standing is not None and seen.standing.finding.rule == event.finding.rule:
            seen.standing = None


class Held:
    """A machine that stood still when the run before ended and is taken to stand until it shows life.

    `events` tell sinks what stands, marked as recovered so that nobody is alarmed twice; `released` tells them that
    it is over, and is asked at the first boot of the present run.
    """

    def __init__(self, seen: SeenBoot, anchor: Anchor) -> None:
        assert seen.standing is not None
        self.boot, self._standing = seen.boot, seen.standing
        start_ns = anchor.mono(datetime.fromisoformat(seen.boot.started))
        self._start_ns = start_ns
        self._since_ns = start_ns + round(seen.standing.finding.t * NS)
        self._stage = seen.stage

    def events(self) -> list[Event]:
        boot, finding = self.boot, self._standing.finding
        out: list[Event] = [BootStarted(boot.machine, self._start_ns, boot, recovered=True)]
        if (stage := self._stage) is not None:
            t_ns = self._start_ns + round(stage.t * NS)
            out.append(
                StageEntered(
                    boot.machine, t_ns, boot.id, stage.stage, stage.index, stage.t, stage.u, stage.previous,
                    stage.previous_s, recovered=True,
                )
            )  # fmt: skip
        out.append(FindingRaised(boot.machine, self._since_ns, boot.id, finding, self._standing.alert, recovered=True))
        return out

    def released(self, t_ns: int, when: str) -> list[Event]:
        """Return what ends it at `t_ns`, an instant with the wall time `when`."""
        boot, finding = self.boot, self._standing.finding
        stood_s = max(0.0, (t_ns - self._since_ns) / NS)
        cleared = finding.model_copy(update={"cleared_t": round(finding.t + stood_s, 6)})
        over = boot.model_copy(update={"ended": when})
        return [
            FindingCleared(boot.machine, t_ns, boot.id, cleared, stood_s),
            BootOver(boot.machine, t_ns, over),
        ]
