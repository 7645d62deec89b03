"""What went before each boot: rests without power and openings of the cover, from boots and from what people say."""

from __future__ import annotations

import csv
import io

import pytest
from studies.conftest import Commands

from benchd.store import Store
from benchd.studies.csvfile import export_table
from benchd.studies.loaded import gather, open_study
from benchd.studies.sequence import SHORT_S, in_order, rest_before
from benchd.vocabulary.models import Boot, Stage

STUDY = """\
machine = "at286"
[goal]
kind = "stage-reached"
target = "storage-rom"
[[factor]]
name = "rom-base"
kind = "jumper"
levels = ["C800", "D000"]
[[factor]]
name = "boot-device"
kind = "bios-setting"
levels = ["adapter", "floppy"]
"""
START = "2026-03-01T20:{:02d}:00+00:00"


def boot(number: int, trial: str | None = None, *, ok: bool = True, reason: str = "power-on", **more) -> Boot:
    """A boot at minute `number` that took 30 s."""
    stages = [Stage(name="storage-rom", t=4.0, u=0.01)] if ok else []
    facts = {"duration_s": 30.0, "outcome": "finished"} | more
    return Boot(
        id=f"b{number}", machine="at286", trial=trial, started=START.format(number), start_reason=reason,
        stages=stages, **facts,
    )  # fmt: skip


@pytest.fixture
def study(benchd: Commands) -> Commands:
    benchd("study", "new", "s", "--from", benchd.file("s.toml", STUDY))
    return benchd


def told(store: Store) -> list[list[tuple[bool, float | None, bool]]]:
    views = gather(store, open_study(store, "s"))
    return [[(one.ok, one.rest_s, one.opened) for one in results] for _, results in in_order(views)]


def test_the_rest_is_what_the_boot_itself_shows() -> None:
    """Its own time without power, none after a reset, no longer than the gap, the work that was done, else unknown."""
    first, soon, late = boot(0), boot(1), boot(20)
    assert rest_before(boot(20, off_s=300.0), first) == 300.0
    assert rest_before(boot(20, reason="reset"), first) == 0.0
    assert rest_before(soon, first) == 30.0 <= SHORT_S
    assert rest_before(late, first) is None, "it may have stood there switched on"
    assert rest_before(first, None) is None
    assert rest_before(late, first, 360.0) == 360.0 and rest_before(late, first, 7200.0) == 1170.0
    assert rest_before(soon, first, 360.0) == 30.0


def test_boots_come_with_what_went_before_them(study: Commands) -> None:
    """Hardware moved and `--reseated` open the cover for one boot, `--rested` is a rest before one boot."""
    study("trial", "start", "--end-running", "--study", "s")
    with study.store() as store:
        store.save_boot(boot(0, "T1", ok=False))
        store.save_boot(boot(1, "T1", ok=False, reason="reset"))
    study("trial", "start", "--end-running", "rom-base=D000")
    with study.store() as store:
        store.save_boot(boot(10, "T2", off_s=400.5))
        store.save_boot(boot(11, "T2"))
    out = study("trial", "start", "--end-running", "--reseated", "--rested", "20min")
    assert "taken out and put back" in out and "without power for 20 min" in out and "CAUTION: Power off" in out
    with study.store() as store:
        store.save_boot(boot(40, "T3"))
        store.save_boot(boot(41, "T3"))
    study("trial", "start", "--end-running", "boot-device=floppy")
    with study.store() as store:
        store.save_boot(boot(50, "T4"))
        assert told(store) == [
            [(False, None, False), (False, 0.0, False)],
            [(True, 400.5, True), (True, 30.0, False)],
            [(True, 1200.0, True), (True, 30.0, False)],
            [(True, None, False)],
        ]
    assert "reseated, rested 20 min" in study("trial", "list")
    assert "reseated" in study("trial", "show", "T3")


def test_an_opening_without_a_boot_that_counts_is_handed_on(study: Commands) -> None:
    study("trial", "start", "--end-running", "--study", "s")
    with study.store() as store:
        store.save_boot(boot(0, "T1", ok=False))
    study("trial", "start", "--end-running", "--reseated")
    with study.store() as store:
        store.save_boot(boot(5, "T2", ok=False, outcome="cut-short"))
    study("trial", "start", "--end-running", "boot-device=floppy")
    with study.store() as store:
        store.save_boot(boot(6, "T3"))
        assert told(store) == [[(False, None, False)], [], [(True, 30.0, True)]]


def test_another_machine_was_not_alive_a_minute_ago(study: Commands) -> None:
    """The gap is counted from the last boot of the same machine."""
    study("trial", "start", "--end-running", "--study", "s")
    with study.store() as store:
        store.save_boot(boot(0, "T1", ok=False))
        store.save_boot(boot(1, "T1").model_copy(update={"machine": "other"}))
        assert [one[1] for one in told(store)[0]] == [None, None]


def test_a_table_carries_what_was_done_before_a_boot(benchd: Commands) -> None:
    """Out and in again it is the same; a row that was reseated or rested begins a trial."""
    text = "rom-base,reseated,rested,result\nC800,,,fail\nC800,,,fail\nC800,yes,,ok\nC800,no,,ok\nC800,,90s,ok\n"
    benchd("study", "import", benchd.file("w.csv", text), "--name", "w")
    with benchd.store() as store:
        known = open_study(store, "w")
        views = gather(store, known)
        assert [(view.fail, view.ok, view.reseated, view.rested_s) for view in views] == [
            (2, 0, False, None),
            (0, 2, True, None),
            (0, 1, False, 90.0),
        ]
        again = export_table(known, views)
    assert [row[1:3] for row in csv.reader(io.StringIO(again))][1:] == [
        ["", ""], ["", ""], ["yes", ""], ["", ""], ["", "90s"]
    ]  # fmt: skip
    benchd("study", "import", benchd.file("v.csv", again), "--name", "v")
    with benchd.store() as store:
        assert export_table(open_study(store, "v"), gather(store, open_study(store, "v"))) == again


@pytest.mark.parametrize(
    ("cells", "message"),
    [("maybe,", "w.csv:2: reseated: 'maybe' is neither yes nor no"), (",soon", "w.csv:2: rested: 'soon' is not")],
)
def test_what_no_one_can_read_is_refused_with_its_line(benchd: Commands, cells: str, message: str) -> None:
    text = f"rom-base,reseated,rested,result\nC800,{cells},fail\n"
    benchd("study", "import", benchd.file("w.csv", text), "--name", "w", code=2)
    assert message in benchd.err


def test_a_rest_is_a_time(study: Commands) -> None:
    study("trial", "start", "--end-running", "--study", "s", "--rested", "a while", code=2)
    assert "the rest without power: 'a while' is not a duration" in study.err


def test_a_study_of_before_is_weighed_as_ever(study: Commands) -> None:
    """Nothing was said of rests and openings, no boot shows its power: `why` still answers."""
    study("trial", "start", "--end-running", "--study", "s")
    study("trial", "result", "goal", "fail")
    with study.store() as store:
        assert told(store) == [[(False, None, False)]]
    assert study.json("why", "s")["failures"] == 1
