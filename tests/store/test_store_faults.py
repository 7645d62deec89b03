"""Each statement of a store under the sink that saves boots goes wrong in turn: all boots get in, told once."""

from __future__ import annotations

import asyncio
import logging
import sqlite3
import time
from pathlib import Path
from typing import Any

import pytest
from sinks.broker_peer import until
from sinks.faults import Fault
from sinks.story import Teller

from benchd.clock import Backoff
from benchd.sinks.store_sink import StoreSink
from benchd.store import Store, database
from benchd.vocabulary.events import BootChanged
from benchd.vocabulary.models import Boot


def under_store(fault: Fault, patch: pytest.MonkeyPatch) -> None:
    """Put the fault under every connection of stores opened from now on: each statement and commit is counted.

    "fail" before it is done; "late" after it, so that a commit is told to have failed and has not; "slow".
    """

    def through(work: Any, *args: Any) -> Any:
        mode = fault.due()
        if mode == "slow":
            time.sleep(0.05)
        if mode != "fail":
            done = work(*args)
        if mode in ("fail", "late"):
            raise sqlite3.OperationalError("disk I/O error")
        return done

    class Cursor(sqlite3.Cursor):
        def execute(self, *args: Any) -> Any:
            return through(super().execute, *args)

        def executemany(self, *args: Any) -> Any:
            return through(super().executemany, *args)

    class Disk(sqlite3.Connection):
        def cursor(self, *args: Any) -> Any:
            return super().cursor(Cursor)

        def commit(self) -> None:
            through(super().commit)

    connect = sqlite3.connect

    class Module:
        def __getattr__(self, name: str) -> Any:
            return getattr(sqlite3, name)

        @staticmethod
        def connect(*args: Any, **more: Any) -> sqlite3.Connection:
            return connect(*args, **more, factory=Disk)

    patch.setattr(database, "sqlite3", Module())


def story(path: Path, fault: Fault) -> tuple[list[Boot], list[str], StoreSink, int]:
    """Two boots, each step in the store before the next is told; return what is stored and which saves were told.

    The last is how many statements that took, without the look at the end.
    """
    told: list[str] = []
    t = Teller()
    stages = [{"name": "early", "t": 0.1, "u": 0.001}, {"name": "memory", "t": 0.5, "u": 0.001}]

    async def go() -> StoreSink:
        sink = StoreSink(
            store, lambda machine: f"{machine}.pcapng", lambda boot: told.append(f"{boot.id} {boot.outcome}")
        )
        sink._backoff = Backoff(first_s=0.001, cap_s=0.002)
        task = asyncio.create_task(sink.run())
        steps = [
            t.started(),
            BootChanged("at286", 0, t.boot(stages=stages[:1])),
            t.ended(3.0, stages=stages),
            t.started(5.0, "b2"),
            t.ended(9.0, "stalled", "b2", stages=stages, findings=[t.finding().model_dump(by_alias=True)]),
        ]
        for step in steps:
            sink.offer(step)
            await until(lambda: sink.settled("at286"))
        await sink.close()
        await asyncio.wait_for(task, 30)
        return sink

    with Store.open(path, lazily=True) as store:
        sink = asyncio.run(go())
    calls = fault.seen
    with Store.open(path, create=False) as whole:
        return whole.boots(newest_first=False), told, sink, calls


def sweep(tmp_path: Path, patch: pytest.MonkeyPatch, log: pytest.LogCaptureFixture, mode: str, step: int) -> int:
    log.set_level(logging.WARNING)
    fault = Fault()
    under_store(fault, patch)
    want, saves, _, calls = story(tmp_path / "sound.db", fault)
    assert [boot.outcome for boot in want] == ["finished", "stalled"] and len(want[1].findings) == 1
    for at in range(0, calls, step):
        log.clear()
        fault = Fault(at, mode)
        under_store(fault, patch)
        boots, told, sink, _ = story(tmp_path / f"{at}.db", fault)
        assert fault.seen > at and boots == want and told == saves, f"statement {at}"
        status = sink.status()
        assert (status["state"], status["reason"], status["queued"], status["dropped"]) == ("running", "", 0, {})
        words = [record.message for record in log.records]
        assert len(words) == (mode != "slow"), f"statement {at}: {words}"
        assert all("disk I/O error" in word and word.endswith("trying again") for word in words)
    return calls


@pytest.mark.parametrize("mode", ["fail", "late", "slow"])
def test_statements_go_wrong(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture, mode: str
) -> None:
    """Every 17th, from the making of the tables to the last save."""
    assert sweep(tmp_path, monkeypatch, caplog, mode, 17) > 60


@pytest.mark.long
@pytest.mark.parametrize("mode", ["fail", "late", "slow"])
def test_each_statement_goes_wrong(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture, mode: str
) -> None:
    """Each in turn."""
    assert sweep(tmp_path, monkeypatch, caplog, mode, 1) > 60
