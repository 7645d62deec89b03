"""Boots from captures into the store, on demand: what it lacks, what people entered stays."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import pytest
from live.by_capture import GOOD, NS, codes, write
from support.story import TABLE
from typer.testing import CliRunner

from benchd.cli.main import build
from benchd.store import Result, Store
from benchd.vocabulary.records import Annotation
from benchd.watch.rebuild import captures_under, rebuild
from benchd.watch.replay import Replay

END = [Annotation(900 * NS, "end", "stopped")]


@pytest.fixture
def data(tmp_path: Path) -> Iterator[Path]:
    """Two machines: one with a killed run, an ended one and one that may go on; the other's table is gone."""
    folder = tmp_path / "data"
    a = folder / "captures/pc"
    write(a / "1.pcapng", codes(1, GOOD[:3]), text=TABLE)
    write(a / "2.pcapng", [*codes(1001), *codes(1100, GOOD[:2]), Annotation(1900 * NS, "end", "")], run=1, text=TABLE)
    write(a / "3.pcapng", [*codes(2001), *codes(2100, GOOD[:3])], run=2, text=TABLE)
    write(folder / "captures/xt/1.pcapng", codes(1), machine="xt", table="gone")
    (folder / "captures/xt/2.pcapng").write_text("nothing of ours")
    yield folder


def test_what_the_store_lacks_is_put_in(data: Path) -> None:
    """All boots of all runs, as a replay tells them; the open one of a killed run is cut short; then nothing."""
    with Store.open(data / "b.db", data=data) as store:
        lines: list[str] = []
        done = rebuild(store, captures_under(data), data, told=lines.append)
        assert (done.found, done.stored) == (5, 5)
        assert [line.split(",")[0] for line in lines[:3]] == [f"pc: 1 files from {n}.pcapng on" for n in (1, 2, 3)]
        assert len(done.problems) == 2
        assert "no rule table 'gone'" in "".join(done.problems) and "not a capture" in "".join(done.problems)
        found = store.boots(newest_first=False)
        assert [(boot.outcome, boot.codes) for boot in found] == [
            ("cut-short", 3), ("finished", 5), ("stalled", 2), ("finished", 5), ("running", 3)
        ]  # fmt: skip
        assert found[0].ended is not None and found[4].ended is None
        assert store.capture_of(found[3].id) == str(data / "captures/pc/3.pcapng")
        expected = Replay(sorted((data / "captures/pc").iterdir())).boots()
        assert [boot for boot in found if boot.outcome == "finished"] == [
            b for b in expected if b.outcome == "finished"
        ]
        assert rebuild(store, captures_under(data), data).stored == 0


def test_what_people_entered_stays(data: Path) -> None:
    """A boot moved to a trial keeps it, a result stays with it, whether boots are lacking or all are asked for."""
    paths = captures_under(data)[:3]
    with Store.open(data / "b.db", data=data) as store:
        rebuild(store, paths, data)
        first = store.boots(newest_first=False)[0]
        store.save_boot(first.model_copy(update={"trial": "T9", "codes": 99}))
        store.add_result(Result(boot=first.id, check="video", passed=True, entered="2026-03-01T20:00:00+00:00"))
        assert rebuild(store, paths, data).stored == 0
        assert store.boot(first.id).codes == 99
        assert rebuild(store, paths, data, everything=True).stored == 4  # not the one that may go on
        assert (store.boot(first.id).codes, store.boot(first.id).trial) == (3, "T9")
        assert [one.check for one in store.results(boot=first.id)] == ["video"]


def test_a_range(data: Path) -> None:
    """Only boots that began since a moment."""
    with Store.open(data / "b.db", data=data) as store:
        later = Replay([data / "captures/pc/3.pcapng"]).boots()[0].started
        assert rebuild(store, captures_under(data)[:3], data, since=datetime.fromisoformat(later)).stored == 2
        assert [boot.started >= later for boot in store.boots()] == [True, True]


def test_the_command(data: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Into a new store; problems are told and exit 1; a range, a file; a time that is none is refused."""
    monkeypatch.chdir(data.parent)
    (data.parent / "bench.toml").write_text("")
    done = CliRunner().invoke(build(), ["boots", "rebuild"])
    assert done.exit_code == 1 and "5 boots in 5 captures, 5 of them put into the store" in done.stdout
    listed = CliRunner().invoke(build(), ["boots", "--json"])
    assert listed.exit_code == 0 and len(json.loads(listed.stdout)) == 5
    one = str(data / "captures/pc/2.pcapng")
    done = CliRunner().invoke(build(), ["boots", "rebuild", "--from", one, "--all", "--json"])
    assert done.exit_code == 0 and json.loads(done.stdout) == {"found": 2, "stored": 2, "problems": []}
    done = CliRunner().invoke(build(), ["boots", "rebuild", "--from", one, "--since", "2030-01-01"])
    assert done.exit_code == 0 and "0 boots in 1 capture, 0 of them" in done.stdout
    done = CliRunner().invoke(build(), ["boots", "rebuild", "--since", "soon"])
    assert done.exit_code != 0 and "write a day or a time" in str(done.exception)
