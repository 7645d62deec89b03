"""What the store's state tells those who ask again and again: it differs after every commit, whoever made it."""

from __future__ import annotations

import asyncio
import sqlite3
import time
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest
from support.pipelines import ANCHOR, HandClock

from benchd.store import Store, StoredStudy
from benchd.store import database as databases
from benchd.vocabulary.models import Boot
from benchd.watch.trials import TrialFollower
from benchd.watch.verdicts import VerdictWatch

AT = "2025-01-01T00:00:00+00:00"


@pytest.fixture
def settled(monkeypatch: pytest.MonkeyPatch) -> None:
    """The clock as it stands an hour later: whatever was written is old."""
    real = time.time_ns
    monkeypatch.setattr(databases, "time", SimpleNamespace(time_ns=lambda: real() + 3_600 * 10**9))


def test_it_says_nothing_while_the_store_is_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two commits within one step of a file's time look alike: the state is not told until that is over."""
    with Store.open(tmp_path / "b.db") as store:
        written_ns = max((tmp_path / name).stat().st_mtime_ns for name in ("b.db", "b.db-wal"))
        for later_ns, told in ((0, False), (10**9 - 1, False), (10**9, True), (-(10**9) + 1, False)):
            monkeypatch.setattr(databases, "time", SimpleNamespace(time_ns=lambda t=written_ns + later_ns: t))
            assert (store.state() is not None) is told, later_ns


@pytest.mark.usefixtures("settled")
def test_it_differs_after_each_commit(tmp_path: Path) -> None:
    """Through this store, another one, and another program; and not by reading."""
    with Store.open(tmp_path / "b.db") as store, Store.open(tmp_path / "b.db") as other:
        seen = [store.state()]

        def commit(work: Any) -> None:
            time.sleep(0.02)  # a file's time moves by steps
            work()
            assert store.state() is not None and store.state() not in seen
            seen.append(store.state())
            store.boots(limit=5)
            other.current_trial("pc")
            assert store.state() == seen[-1]

        for n in range(20):
            commit(lambda n=n: store.save_boot(Boot(id=f"b{n}", machine="pc", started=AT, outcome="finished")))
            commit(lambda n=n: other.save_study(StoredStudy(name=f"s{n}", created=AT, edited=AT)))
        third = sqlite3.connect(tmp_path / "b.db")
        commit(lambda: (third.execute("DELETE FROM boot WHERE id = 'b0'"), third.commit()))
        commit(lambda: third.execute("PRAGMA wal_checkpoint(TRUNCATE)"))
        commit(lambda: store.save_boot(Boot(id="last", machine="pc", started=AT, outcome="finished")))
        third.close()


def test_a_store_that_is_not_open_tells_none(tmp_path: Path) -> None:
    with Store.open(tmp_path / "b.db", lazily=True) as store:
        assert store.state() is None


@pytest.mark.usefixtures("settled")
def test_a_store_that_stands_still_is_not_asked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Trials and verdicts are looked up after a change, and not between; a change is never missed."""
    asked = 0
    real = Store.current_trial

    def counted(store: Store, machine: str) -> Any:
        nonlocal asked
        asked += 1
        return real(store, machine)

    monkeypatch.setattr(Store, "current_trial", counted)
    noted: list[str] = []
    goals: list[Any] = []
    runs = cast(Any, {"pc": SimpleNamespace(anchor=ANCHOR, note=lambda key, value, t_ns: noted.append(value))})
    with Store.open(tmp_path / "b.db") as store:
        store.save_study(StoredStudy(name="s", created=AT, edited=AT))
        trials = TrialFollower(store, runs, lambda name, facts: None, HandClock(ANCHOR.mono_ns))
        judged = cast(Any, lambda store, trial, boot: (trial.id, boot and boot.id))
        newest = [Boot(id="b1", machine="pc", started=AT, outcome="finished")]
        verdicts = VerdictWatch(
            store, ["pc"], lambda name: newest[0], lambda boot: None, lambda name, goal: goals.append(goal), judged
        )

        def look() -> int:
            nonlocal asked
            asked = 0
            for _ in range(5):
                asyncio.run(trials.work())
                asyncio.run(verdicts.work())
            return asked

        assert look() == 2
        assert look() == 0 and noted == [] and goals == []
        time.sleep(0.02)
        trial = store.start_trial(study="s", machine="pc", setup={}, changed={}, started=AT).id
        assert look() == 2
        assert noted == [trial] and goals == [(trial, None)]
        newest[0] = Boot(id="b2", machine="pc", started=AT, outcome="finished", trial=trial)
        assert look() == 1 and goals[-1] == (trial, "b2"), "a new boot is judged though the store has not changed"
        trials.close()
        verdicts.close()
