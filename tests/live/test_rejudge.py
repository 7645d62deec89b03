"""Old boots judged again by another table: the store follows, and the captures stay as they are."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from live.by_capture import GOOD, NS, codes, write
from support.story import TABLE
from typer.testing import CliRunner
from typer.testing import Result as Done

from benchd.cli.main import build
from benchd.inference.study import Factor, Goal, Study
from benchd.rules.files import beside
from benchd.store import Result, Store
from benchd.studies.loaded import judged
from benchd.studies.tables import table_of
from benchd.vocabulary.events import CodeSeen
from benchd.vocabulary.models import Boot
from benchd.vocabulary.records import Annotation
from benchd.watch.folder import lock_data
from benchd.watch.rebuild import captures_under, rebuild
from benchd.watch.rejudge import rejudge
from benchd.watch.replay import Replay
from benchd.watch.trace import TraceReader

WRONG = (
    '[table]\nname = "wrong"\nsource = "invented"\n[boot]\nstarts = [{ code = "EE" }]\nquiet = "2h"\n'
    '[[stage]]\nname = "x"\nenter = [{ code = "77" }]\nfinal = true\n'
)
STUDY = Study("s", (Factor("card", ("a", "b")),), goal=Goal("stage-reached", "hand-over"))


def run(*words: str) -> Done:
    return CliRunner().invoke(build(), ["boots", "judge", *words])


@pytest.fixture
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """An evening of four power-ups in two trials, judged by a table of another family: one boot for all of them."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "bench.toml").write_text("")
    (tmp_path / "rules").mkdir()
    (tmp_path / "rules/right.toml").write_text(TABLE.replace('"story"', '"right"', 1))
    folder = tmp_path / "data"
    records = [Annotation(NS, "trial", "T1"), *codes(10), *codes(60, GOOD[:3]), Annotation(100 * NS, "trial", "T2")]
    records += [*codes(110), *codes(160), Annotation(900 * NS, "end", "")]
    write(folder / "captures/pc/1.pcapng", records, text=WRONG)
    with Store.open(folder / "benchd.db", data=folder) as store:
        rebuild(store, captures_under(folder), tmp_path)
        assert len(store.boots()) == 1
    yield folder


def stored(data: Path) -> list[Boot]:
    with Store.open(data / "benchd.db", data=data) as store:
        return store.boots(newest_first=False)


def digest(data: Path) -> str:
    return hashlib.sha256((data / "captures/pc/1.pcapng").read_bytes()).hexdigest()


def test_a_wrong_table_does_not_keep_a_draft_from_being_made(data: Path) -> None:
    """Four power-ups are one boot by the wrong table; the draft finds four, and the one that ended early among them."""
    words = ["rules", "draft", "--name", "mine", "--out", "rules/mine.toml", str(data / "captures/pc/1.pcapng")]
    done = CliRunner().invoke(build(), words)
    assert done.exit_code == 0 and "3 of 3 boots run through it without a finding" in done.output, done.output
    text = (data.parent / "rules/mine.toml").read_text()
    assert "# 4 boots told apart in 1 capture" in text and "# 1 boot that did not get as far as most left out" in text
    assert run("--rules", "rules/mine.toml").exit_code == 0
    assert [boot.outcome for boot in stored(data)] == ["finished", "stalled", "finished", "finished"]
    assert [boot.findings for boot in stored(data) if boot.outcome == "finished"] == [[], [], []]


def test_records_and_verdicts_follow(data: Path) -> None:
    """Four boots, each in its trial, with verdicts; the capture is the same to the byte."""
    before = digest(data)
    done = run("--rules", "right")
    assert done.exit_code == 0 and "4 boots judged again: 3 more than before" in done.output, done.output
    boots = stored(data)
    told = [("finished", "T1"), ("stalled", "T1"), ("finished", "T2"), ("finished", "T2")]
    assert [(b.outcome, b.trial) for b in boots] == told and {b.table for b in boots} == {"right"}
    assert [verdict.ok for verdict in judged(STUDY, boots, [])[0]] == [True, False, True, True]
    assert digest(data) == before


def test_who_reads_the_captures_follows_too(data: Path) -> None:
    """Codes and lines of each new boot, a replay, a rebuild, and the table that a study looks at."""
    run("--rules", "right")
    boots, path = stored(data), data / "captures/pc/1.pcapng"
    reader = TraceReader(data.parent)
    seen = [[e.code for e in reader.events(boot.id, path) if isinstance(e, CodeSeen)] for boot in boots]
    assert seen == [["01", "05", "20", "40", "AA"], ["01", "05", "20"], *[["01", "05", "20", "40", "AA"]] * 2]
    assert [boot.id for boot in Replay([path]).boots()] == [boot.id for boot in boots]
    with Store.open(data / "benchd.db", data=data) as store:
        assert rebuild(store, [path], data.parent).stored == 0 and len(store.boots()) == 4
        table = table_of(store, boots[0])
        assert table is not None and table.name == "right"


def test_what_people_entered_follows(data: Path) -> None:
    """A result goes to the boot that covers the old one's start; back again it goes back; a trial by hand stays."""
    (old,) = stored(data)
    with Store.open(data / "benchd.db", data=data) as store:
        store.add_result(Result(boot=old.id, check="video", passed=True, entered="2026-03-01T20:00:00+00:00"))
    run("--rules", "right")
    first, *_, last = stored(data)
    with Store.open(data / "benchd.db", data=data) as store:
        assert [one.check for one in store.results(boot=first.id)] == ["video"]
        store.save_boot(last.model_copy(update={"trial": "T9"}))
    run("--rules", "right")
    assert [boot.trial for boot in stored(data)] == ["T1", "T1", "T2", "T9"]
    assert run("--as-recorded").exit_code == 0
    (again,) = stored(data)
    assert (again.table, again.id) == ("wrong", old.id)
    assert not list((data / "captures/pc").glob("*.rules.toml"))
    with Store.open(data / "benchd.db", data=data) as store:
        assert [one.boot for one in store.results()] == [old.id]


def test_what_was_entered_for_one_of_several_boots_goes_back_to_it(data: Path) -> None:
    """A table is tried that takes four boots for one; by the right one again, the result is the third boot's again."""
    run("--rules", "right")
    third = stored(data)[2]
    with Store.open(data / "benchd.db", data=data) as store:
        store.add_result(Result(boot=third.id, check="late", passed=True, entered="2026-03-01T20:00:00+00:00"))
    assert run("--as-recorded").exit_code == 0
    (one,) = stored(data)
    with Store.open(data / "benchd.db", data=data) as store:
        assert [result.boot for result in store.results()] == [one.id]
    run("--rules", "right")
    with Store.open(data / "benchd.db", data=data) as store:
        assert [result.boot for result in store.results()] == [third.id]
        assert stored(data)[2].id == third.id


def test_it_can_be_cut_off_anywhere_and_done_again(data: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Killed after the second boot was stored, then done again: all four are there, and no other."""
    saved = Store.save_boot
    left = [2]

    def dies(self: Store, boot: Boot, *, capture: str | None = None) -> None:
        if not left[0]:
            raise KeyboardInterrupt
        left[0] -= 1
        saved(self, boot, capture=capture)

    with monkeypatch.context() as patch:
        patch.setattr(Store, "save_boot", dies)
        run("--rules", "right")
    assert len(stored(data)) == 2
    assert run("--rules", "right").exit_code == 0
    assert [boot.table for boot in stored(data)] == ["right"] * 4


def test_wrong_use_and_a_running_daemon(data: Path) -> None:
    """Neither or both of the options; no such table; a machine that is none; the data directory of a running benchd."""
    assert "either --rules TABLE or --as-recorded" in str(run().exception)
    assert "either" in str(run("--rules", "right", "--as-recorded").exception)
    assert "no rule table 'none'" in str(run("--rules", "none").exception)
    assert "no machine is called" in str(run("--rules", "right", "--machine", "nobody").exception)
    lock = lock_data(data)
    try:
        assert "is in use by another benchd" in str(run("--rules", "right").exception)
    finally:
        os.close(lock)
    assert [boot.table for boot in stored(data)] == ["wrong"]


@pytest.mark.parametrize("table", ["[broken", None])
def test_a_table_that_cannot_judge_leaves_captures_and_store_as_they_are(tmp_path: Path, table: str | None) -> None:
    """The table is broken; or (None) the one in the capture is, beside which a good one lies since."""
    path = write(
        tmp_path / "captures/pc/1.pcapng", [*codes(10), *codes(60)], text="[broken" if table is None else TABLE
    )
    if table is None:
        beside(path).write_text(TABLE)
    before = sorted((one.name, one.read_bytes()) for one in path.parent.iterdir())
    with Store.open(tmp_path / "benchd.db", data=tmp_path) as store:
        rebuild(store, [path], tmp_path)
        boots = store.boots()
        done = rejudge(store, [path], tmp_path, table)
        assert len(boots) == 2 and store.boots() == boots
        assert not done.stored and len(done.problems) == 1 and "table" in done.problems[0]
    assert sorted((one.name, one.read_bytes()) for one in path.parent.iterdir()) == before
