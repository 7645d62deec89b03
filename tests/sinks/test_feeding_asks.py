"""What an archive asks to be told again: answered exactly, one ask at a time, also over a kill."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest
from sinks.archive_peer import Bench, box_of, rebuilt, stored
from sinks.test_feeding import boot, study

from benchd.sinks.mqtt import feeding
from benchd.store import Store
from benchd.vocabulary.events import BootStarted


def test_asks_about_missing_numbers(tmp_path: Path) -> None:
    """Exactly what was told last by events with those numbers is told again, and the answer says how much."""
    with Store.open(tmp_path / "b.db") as store:
        bench = Bench(tmp_path, store)

        async def go() -> None:
            async with bench.up():
                for n in range(6):
                    store.save_boot(boot(f"b{n}"))
                    await bench.drain()
                store.save_study(study())
                store.save_boot(boot("b1", codes=5))
                await bench.drain()
                own = box_of(bench).id
                seqs = {event.get("boot", "study"): event["seq"] for event in bench.wire}
                assert bench.ask(outbox=own, missing=[[2, 3], [seqs["study"], seqs["study"]]])
                sent = await bench.drain()
                # 2 told of b1, which a later event told again; 3 of b2
                assert [event.get("boot", "study") for event in sent[:-1]] == ["b2", "study"]
                answer = sent[-1]
                assert (answer["ask"], answer["outbox"], answer["missing"]) == ("a0", own, [[2, 3], [7, 7]])
                assert (answer["boots"], answer["entries"]) == (1, 1) and answer["whole_from"] is None
                assert answer["words"] == "told again: 1 boot, 1 entry"
                assert answer["seq"] > max(event["seq"] for event in sent[:-1])
                # A row that is gone, and numbers that are nobody's any more.
                store.replace_boots({"b4": None})
                gone = await bench.drain()
                assert bench.ask(outbox=own, missing=[[gone[0]["seq"], gone[0]["seq"]], [1000, 2000]])
                sent = await bench.drain()
                assert [event.get("state") for event in sent] == ["removed", None]
                assert bench.ask(outbox="0" * 24, missing=[[1, 5]])
                (answer,) = await bench.drain()
                assert (answer["boots"], answer["entries"]) == (0, 0)
                assert answer["words"] == "nothing had to be told again: the store has nothing else to say of it"

        asyncio.run(go())


def test_asks_for_all_and_for_all_since(tmp_path: Path) -> None:
    """Everything, with boots under way; or boots since a time, with all entries."""
    with Store.open(tmp_path / "b.db") as store:
        bench = Bench(tmp_path, store)

        async def go() -> None:
            async with bench.up():
                for n in range(4):
                    store.save_boot(boot(f"b{n}", started=f"2026-03-0{n + 1}T20:00:00+01:00"))
                store.save_study(study())
                bench.tell(BootStarted("at286", 0, boot("b9", "running", started="2026-03-09T20:00:00+01:00")))
                bench.save()
                await bench.drain()
                assert bench.ask(since="2026-03-03T00:00:00+00:00")
                sent = await bench.drain()
                assert {event.get("boot", "study") for event in sent[:-1]} == {"b2", "b3", "study"}
                assert (sent[-1]["boots"], sent[-1]["entries"]) == (2, 1)
                assert bench.ask()
                sent = await bench.drain()
                assert rebuilt(sent) == stored(store) and ("boot", "b9") in rebuilt(sent)
                assert sent[-1]["whole_from"] <= min(event["seq"] for event in sent)

        asyncio.run(go())


def test_one_ask_at_a_time_and_none_twice(tmp_path: Path) -> None:
    """The second waits for the first; a doubled delivery of one is no other."""
    with Store.open(tmp_path / "b.db") as store:
        store.save_boot(boot("b1"))
        bench = Bench(tmp_path, store)

        async def go() -> None:
            async with bench.up():
                await bench.drain()
                assert bench.ask(ask="x") and bench.ask(ask="y") and not bench.ask(ask="x")
                answers = [event["ask"] for event in await bench.drain() if "ask" in event]
                assert answers == ["x", "y"] and bench.asks.answered == 2 and bench.asks.refused == 0

        asyncio.run(go())


def test_an_ask_that_breaks_off(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Killed in the middle: the rows are told after the next start, and the same ask, said again, is answered."""
    monkeypatch.setattr(feeding, "SLICE", 5)
    with Store.open(tmp_path / "b.db") as store:
        for n in range(20):
            store.save_boot(boot(f"b{n:02}"))
        bench = Bench(tmp_path, store)

        async def go() -> None:
            async with bench.up():
                await bench.drain()
                first = len(bench.wire)
                assert bench.ask(ask="x")
                await bench.feeder.turn()
                await bench.feeder.turn()
            bench.asks = type(bench.asks)()
            async with bench.up():
                await bench.drain()
                told = [event["boot"] for event in bench.wire[first:]]
                assert sorted(told) == [f"b{n:02}" for n in range(20)]
                assert bench.ask(ask="x")
                sent = await bench.drain()
                assert len(sent) == 21 and sent[-1]["ask"] == "x"

        asyncio.run(go())
