"""A machine as the daemon watches it, without its threads: its time and its turns are told by hand; and random lives.

`Live` drives a real `MachineWatcher` with real files. `invariants` states what must be true of any event stream.
"""

from __future__ import annotations

import functools
import shutil
import tempfile
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from benchd.boots.loops import PASSES_IRREGULAR
from benchd.capture import read_capture
from benchd.rules import Matcher, load_text
from benchd.settings import LinkPart, MachinePart
from benchd.vocabulary.events import (
    BootChanged,
    BootOver,
    BootSettled,
    BootStarted,
    Event,
    FindingCleared,
    FindingRaised,
    StageEntered,
)
from benchd.vocabulary.models import Boot
from benchd.vocabulary.records import Annotation, LinkInfo, Record
from benchd.vocabulary.times import NS, Anchor
from benchd.watch.pipeline import Pipeline
from benchd.watch.watcher import MachineWatcher

ANCHOR = Anchor(1_750_000_000 * NS, 0)
MS = 1_000_000
SHM = Path("/dev/shm")


class HandClock:
    """Both clocks, turned by hand; `set_ns` is by how much the wall clock was set since the anchor."""

    def __init__(self, now_ns: int = 0) -> None:
        self.now_ns = now_ns
        self.set_ns = 0

    def monotonic_ns(self) -> int:
        return self.now_ns

    def time_ns(self) -> int:
        return ANCHOR.wall_ns + self.now_ns - ANCHOR.mono_ns + self.set_ns


class Source:
    """A link without a port: what `send` is told has been read, with its stamp."""

    def __init__(self, info: LinkInfo, link: LinkPart, deliver: Callable[[Record], None]) -> None:
        self.name, self.send = info.name, deliver
        self.started = False

    def start(self) -> None:
        self.started = True

    def stop(self, timeout_s: float = 0.0) -> bool:
        return True


def part_of(links: Sequence[LinkInfo]) -> MachinePart:
    """Settings of a machine with links like these."""
    return MachinePart(
        name="at286",
        rules="story",
        link=[
            LinkPart(
                kind=i.kind, name=i.name, port=f"/dev/ttyS{n + 90}", framing=None if i.kind == "console" else i.framing
            )  # type: ignore[arg-type]
            for n, i in enumerate(links)
        ],
    )


@functools.cache
def matcher(table: str) -> Matcher:
    return Matcher(load_text(table, "story.toml"))


def new_pipeline(table: str, links: Sequence[LinkInfo]) -> Pipeline:
    return Pipeline("at286", links, matcher(table), ANCHOR)


class Live:
    """`take` a record when it comes in, `tick` at any moment, then `finish`.

    `turns` says after each of these how far the machine's own work goes: 0 nothing, 1 all is kept, 2 one record is
    judged as well, else all of it. Without them all is done at once.
    """

    def __init__(self, table: str, links: Sequence[LinkInfo], turns: Iterable[int] = ()) -> None:
        self.clock = HandClock()
        self.events: list[Event] = []
        self.kept: list[Record] = []
        self.late = 0
        self._turns = iter(turns)
        self._folder = Path(tempfile.mkdtemp(dir=SHM if SHM.is_dir() else None))
        rules = matcher(table).table
        self.run = MachineWatcher(part_of(links), rules, table, self._folder, ANCHOR, clock=self.clock, reader=Source)
        self.links = self.run.links
        self.pipeline = self.run.pipeline

    def take(self, record: Record) -> None:
        self.late += record.t_ns < self.run.inbox.told_ns and not isinstance(record, Annotation)
        self.run.inbox.deliver(record)
        self._work()

    def tick(self, now_ns: int) -> None:
        self.clock.now_ns = now_ns
        self.events += self.run.tick()
        self._work()

    def _work(self) -> None:
        turn = next(self._turns, 3)
        if turn:
            while self.run.keeping.keep():
                pass
        if turn == 2:
            self.events += self.run.judge(1)[1]
        elif turn > 2:
            self.events += self.run.catch_up()

    def finish(self, now_ns: int) -> Live:
        """End the run; `kept` is then what its capture holds."""
        self.clock.now_ns = now_ns
        self.events += self.run.finish()
        (path,) = self._folder.rglob("*.pcapng")
        self.kept = [r for r in read_capture(path).records() if getattr(r, "key", "") not in ("table", "again")]
        shutil.rmtree(self._folder)
        return self

    @classmethod
    def of(cls, table: str, links: Sequence[LinkInfo], comings: Iterable[tuple[int, Record]], ticks: Iterable[int],
           end_ns: int, turns: Iterable[int] = ()) -> Live:  # fmt: skip
        """Run `(when it came in, record)` with ticks at the given instants, in order of these."""
        live = cls(table, links, turns)
        todo: list[tuple[int, int, Record | None]] = [(t, 1, record) for t, record in comings]
        todo += [(t, 0, None) for t in ticks]
        for when, _, record in sorted(todo, key=lambda one: one[:2]):
            live.tick(when) if record is None else live.take(record)
        return live.finish(end_ns)


def replayed(table: str, links: Sequence[LinkInfo], records: Iterable[Record]) -> list[Event]:
    pipeline = new_pipeline(table, links)
    events = [event for record in records for event in pipeline.feed(record)]
    return events + pipeline.drain()


def boots_of(events: Iterable[Event]) -> list[Boot]:
    """Return the last record of each boot, in order of its first."""
    boots: dict[str, Boot] = {}
    for event in events:
        if isinstance(event, BootStarted | BootChanged | BootSettled | BootOver):
            boots[event.boot.id] = event.boot
    return list(boots.values())


def invariants(events: Sequence[Event], settled: bool = True) -> None:
    """Assert what is true of every event stream; `settled` says that silence was let pass at its end."""
    started: set[str] = set()
    settled_as: dict[str, Boot] = {}
    over: dict[str, Boot] = {}
    raised: set[tuple[str, str, str]] = set()
    stages: set[tuple[str, str]] = set()
    for event in events:
        match event:
            case BootStarted(boot=boot):
                assert boot.id not in started, f"{boot.id} started twice"
                started.add(boot.id)
            case BootOver(boot=boot):
                assert boot.id in started and boot.id not in over, f"{boot.id} over without start or twice"
                assert boot.outcome != "running" and boot.ended is not None
                over[boot.id] = boot
            case BootSettled(boot=boot):
                assert boot.id in started and boot.id not in over, f"{boot.id} settled without start or after its end"
                assert boot.outcome != "running"
                settled_as[boot.id] = boot
            case BootChanged(boot=boot):
                assert boot.id in started
                if (last := over.get(boot.id)) is not None:
                    same = ("outcome", "ended", "stages", "passes_of", "duration_s")
                    assert all(getattr(boot, key) == getattr(last, key) for key in same), "changed after its end"
            case StageEntered(boot=boot_id, stage=stage):
                assert boot_id in started and (boot_id, stage) not in stages, f"{stage} entered twice"
                stages.add((boot_id, stage))
                assert event.t >= 0 and event.u >= 0 and (event.previous_s is None or event.previous_s >= 0)
            case FindingRaised(boot=boot_id, finding=finding):
                key = (boot_id, finding.kind, finding.rule)
                assert boot_id in started and key not in raised, f"{key} raised while it stood"
                assert finding.cleared_t is None and finding.t >= 0
                raised.add(key)
            case FindingCleared(boot=boot_id, finding=finding):
                key = (boot_id, finding.kind, finding.rule)
                assert key in raised, f"{key} cleared and had not been raised"
                raised.discard(key)
                assert event.stood_s >= 0 and finding.cleared_t is not None and finding.cleared_t >= finding.t
    for boot in boots_of(events):
        consistent(boot)
        assert boot.id not in over or boot.ended is not None
    held = [boot for boot in boots_of(events) if boot.ended is not None and boot.id not in over]
    for boot in held:
        assert boot.outcome == "cut-short" and settled_as[boot.id].outcome == "cut-short", "ended, and never said so"
    assert len(held) < PASSES_IRREGULAR, "boots wait for a loop that is none"
    if settled:
        standing = [b for b in boots_of(events) if b.ended is None and b.outcome != "running"]
        assert all(b.id in settled_as for b in standing)
    running = [boot.id for boot in boots_of(events) if boot.outcome == "running"]
    assert len(running) <= 1, "two boots of one machine at once"


def consistent(boot: Boot) -> None:
    """Assert that one record does not contradict itself."""
    times = [stage.t for stage in boot.stages]
    assert times == sorted(times) and all(t >= 0 for t in times), boot
    assert boot.last_stage == (boot.stages[-1].name if boot.stages else None)
    assert len({stage.name for stage in boot.stages}) == len(boot.stages)
    standing = [f for f in boot.findings if f.kind in ("stall", "quiet") and f.cleared_t is None]
    full = len(boot.findings) >= 200
    match boot.outcome:
        case "running":
            assert boot.ended is None and not standing
        case "finished":
            assert boot.ended is not None and boot.stages
        case "stalled":
            assert standing or full
        case "looped":
            assert boot.passes_of or any(f.kind == "loop" for f in boot.findings) or full
        case "cut-short":
            assert boot.ended is not None
    assert len(standing) <= 1 and boot.duration_s >= 0 and min(boot.codes, boot.lines, boot.lost) >= 0
    for finding in boot.findings:
        assert finding.cleared_t is None or finding.cleared_t >= finding.t
