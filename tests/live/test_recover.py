"""After a kill: the store gets what the captures have, what had ended stays as it was, nothing stays running."""

from __future__ import annotations

import logging
import os
from collections.abc import Iterator
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import pytest
from live.by_capture import GOOD, NS, WALL_NS, codes, write
from store.test_store_boots import boot as stored_boot
from support.pipelines import HandClock, Source
from support.story import TABLE

from benchd.capture.keeper import folder_name
from benchd.rules import load_text
from benchd.settings import LinkPart, MachinePart
from benchd.store import Store
from benchd.vocabulary.events import BootOver
from benchd.vocabulary.records import Annotation, Chunk, ClockMark, LinkState
from benchd.vocabulary.times import Anchor
from benchd.watch.progress import Progress, run_key
from benchd.watch.recover import REASON, Recovered, Recovery
from benchd.watch.replay import Replay
from benchd.watch.watcher import MachineWatcher

END = [Annotation(500 * NS, "end", "stopped")]


class Bench:
    """A store and the captures' folder of one machine; `recover` is what a start does with them."""

    def __init__(self, folder: Path) -> None:
        self.store = Store.open(str(folder / "benchd.db"))
        self.base = folder
        self.folder = folder / "captures" / folder_name("pc/1")

    def file(self, name: str) -> Path:
        return self.folder / name

    def recover(self, present: str = "") -> Recovered:
        progress = Progress(self.folder)
        recovery = Recovery(self.store, "pc/1", self.folder, self.base)
        outcome = recovery.run(progress, recovery.find(progress, present))
        for key in outcome.runs if outcome.standing is None else ():
            progress.entries[key].done = True
        if progress.entries:
            progress.write(progress.to_json())
        return outcome


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    bench = Bench(tmp_path)
    yield bench
    bench.store.close()


def test_a_boot_under_way_is_rebuilt_and_closed(bench: Bench) -> None:
    """The store had heard of two codes; the capture has three: cut-short, with three, and why."""
    path = write(bench.file("a.pcapng"), codes(1, GOOD[:3]), machine="pc/1", text=TABLE)
    (whole,) = Replay([path]).boots()
    bench.store.save_boot(whole.model_copy(update={"codes": 2, "stages": whole.stages[:1]}), capture=None)
    bench.recover()
    (boot,) = bench.store.boots()
    assert (boot.outcome, boot.codes, len(boot.stages)) == ("cut-short", 3, 2)
    assert bench.store.capture_of(boot.id) == str(path) and bench.store.closed_reason(boot.id) == REASON
    bench.recover()
    assert bench.store.boots()[0].outcome == "cut-short"


def test_a_boot_that_the_store_never_heard_of(bench: Bench) -> None:
    """Killed before the first save: the boots are made from the captures alone, over several files of the run."""
    whole = codes(1) + codes(20, GOOD[:3])
    write(bench.file("20250101-000000.pcapng"), whole[:3], machine="pc/1", text=TABLE)
    second = write(bench.file("20250101-000000-2.pcapng"), whole[3:], machine="pc/1", text=TABLE)
    bench.recover()
    good, cut = bench.store.boots(newest_first=False)
    assert (good.outcome, good.codes, cut.outcome, cut.codes) == ("finished", 5, "cut-short", 3)
    assert bench.store.capture_of(cut.id) == str(second)


def test_what_had_ended_is_not_judged_again(bench: Bench) -> None:
    """The table may have changed since, a person may have moved the boot to another trial: it stays."""
    path = write(bench.file("a.pcapng"), codes(1) + codes(20, GOOD[:1]), machine="pc/1", text=TABLE)
    first = Replay([path]).boots()[0]
    bench.store.save_boot(first.model_copy(update={"trial": "moved"}), capture=str(path))
    bench.recover()
    assert [b.trial for b in bench.store.boots(newest_first=False)] == ["moved", None]


def test_what_the_store_lacks_is_found_whatever_the_run_said(bench: Bench) -> None:
    """A run that ended on request while the store refused: its boots are found as those of a killed one are."""
    path = write(bench.file("a.pcapng"), [*codes(1), *codes(20), *END], machine="pc/1", text=TABLE)
    first, second = Replay([path]).boots()
    bench.store.save_boot(first, capture=str(path))
    assert [boot.id for boot in bench.recover().over] == [second.id]
    assert bench.store.boots(newest_first=False) == [first, second]
    assert bench.recover().runs == []


def test_captures_from_before_progress_was_remembered(bench: Bench) -> None:
    """Without a word on what is stored, the last run is compared with the store, as ever; from then on every one."""
    write(bench.file("b.pcapng"), codes(1001, GOOD[:2]), machine="pc/1", run=1, text=TABLE)
    write(bench.file("a.pcapng"), codes(1, GOOD[:3]), machine="pc/1", text=TABLE)
    os.utime(bench.file("b.pcapng"), (1, 1))  # captures without a run's number go by when they were written last
    bench.recover("present")
    assert [boot.codes for boot in bench.store.boots()] == [3]
    write(bench.file("c.pcapng"), codes(2001, GOOD[:4]), machine="pc/1", run=2, text=TABLE)
    write(bench.file("d.pcapng"), codes(3001), machine="pc/1", run=3, text=TABLE)
    bench.recover("another")
    assert sorted(boot.codes for boot in bench.store.boots()) == [3, 4, 5]


def test_a_run_killed_in_its_header_is_done(bench: Bench) -> None:
    """It has no record, not even its table: nothing is to be judged, and no later start looks again."""
    write(bench.file("a.pcapng"), [], machine="pc/1")
    outcome = bench.recover("x")
    assert outcome.over == [] and len(outcome.runs) == 1


def test_runs_go_by_their_number_not_by_the_wall_clock(bench: Bench) -> None:
    """The later run has the earlier wall time (no clock battery): what stands is what stood in it."""
    write(bench.file("a.pcapng"), [*codes(1001, GOOD[:3]), ClockMark(1200 * NS)], machine="pc/1", run=1, text=TABLE)
    bench.recover("x")
    write(bench.file("b.pcapng"), [*codes(1, GOOD[:4]), ClockMark(100 * NS)], machine="pc/1", text=TABLE)
    outcome = bench.recover("y")
    assert outcome.standing is not None and outcome.standing.boot.codes == 4
    assert [(boot.codes, boot.ended is None) for boot in outcome.over] == [(3, False)]


def test_a_start_begins_at_the_place_that_was_remembered(bench: Bench) -> None:
    """Only what came after is judged, under the limits, trial and link states in force there."""
    clock = HandClock(NS)
    run = MachineWatcher(
        MachinePart(name="pc/1", rules="story", link=[LinkPart(kind="post", port="/dev/ttyS98")]),
        load_text(TABLE, "t"), TABLE, bench.base / "captures", Anchor(WALL_NS, 0), clock=clock, reader=Source,
    )  # fmt: skip
    run.note("trial", "T7")
    run.take(LinkState("post", NS, True, "open"))
    for t_s, code in GOOD:
        clock.now_ns = NS + round(t_s * NS)
        run.take(Chunk("post", clock.now_ns, bytes([code])))
    clock.now_ns += 2 * NS
    run.tick()
    run.catch_up()
    progress = Progress(bench.folder)
    progress.begin(run_key(run.starting))
    progress.entries[run_key(run.starting)].place = run.place()
    progress.write(progress.to_json())
    run.take(*codes(20, GOOD[:3]))
    assert run.place() is None, "in mid-boot is no place to begin"
    run.leave()
    outcome = bench.recover()
    (cut,) = outcome.over
    assert (cut.codes, cut.trial, cut.outcome, cut.start_reason) == (3, "T7", "cut-short", "code 01")
    assert [boot.id for boot in bench.store.boots()] == [cut.id], "the boot before was not judged again"


def test_captures_that_cannot_be_read(bench: Bench, caplog: pytest.LogCaptureFixture) -> None:
    """A file that is no capture, one that breaks off, a table that is gone: told, and the daemon starts."""
    path = write(bench.file("a.pcapng"), codes(1), machine="pc/1", text=TABLE)
    path.write_bytes(path.read_bytes()[:-6])
    bench.file("b.pcapng").write_text("no capture at all")
    bench.file("c.pcapng").write_bytes(b"")
    with caplog.at_level(logging.WARNING):
        bench.recover()
    (boot,) = bench.store.boots()
    assert boot.codes == 4 and boot.outcome == "cut-short"
    assert "b.pcapng is not a capture" in caplog.text and "a.pcapng" in caplog.text and "offset" in caplog.text
    write(bench.file("d.pcapng"), codes(1001), machine="pc/1", run=1, table="gone")
    with caplog.at_level(logging.ERROR):
        bench.recover()
    assert "no rule table 'gone'" in caplog.text


def test_a_boot_that_begins_while_the_store_is_made_ready_runs_on(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Making a store takes a while at a first start; the machine may be switched on in that time."""
    own: list[str] = []
    write = bench.store._database.write

    def late() -> AbstractContextManager[Any]:
        monkeypatch.undo()
        own.append(stored_boot(1, machine="pc/1").id)
        bench.store.save_boot(stored_boot(1, machine="pc/1", outcome="running"))
        return write()

    monkeypatch.setattr(bench.store._database, "write", late)
    recovery = Recovery(bench.store, "pc/1", bench.folder, bench.base, own)
    assert recovery.run(Progress(bench.folder), []).over == []
    assert bench.store.boot(own[0]).outcome == "running"


def test_nothing_there(bench: Bench) -> None:
    """The first start of all."""
    bench.recover()
    assert bench.store.boots() == []


@pytest.mark.parametrize("stands", [False, True])
def test_an_end_that_nobody_was_told_is_told_once(bench: Bench, stands: bool) -> None:
    """A boot cut short by the next one's start: stored so, and its end not told, since it might have been a pass of a
    loop; then a kill. It is over at the next start, once, also where the boot after it stands still for longer."""
    bench.recover("a run before")
    records = [*codes(1, GOOD[:3]), *codes(10, GOOD[:3]), ClockMark((200 if stands else 11) * NS)]
    path = write(bench.file("a.pcapng"), records, machine="pc/1", text=TABLE)
    events = list(Replay([path]).events())
    assert not any(isinstance(event, BootOver) for event in events), "its end waits for what it was"
    first, second = Replay([path]).boots()
    assert (first.outcome, first.ended is None) == ("cut-short", False)
    assert second.outcome == ("stalled" if stands else "running")
    for boot in (first, second):
        bench.store.save_boot(boot, capture=str(path))
    starts = [bench.recover(f"run {n}") for n in range(3)]
    told = [[boot.id for boot in outcome.over] for outcome in starts]
    assert told == [[first.id, *([] if stands else [second.id])], [], []]
    assert [outcome.standing is not None for outcome in starts] == [stands] * 3
    assert bench.store.boot(first.id) == first
