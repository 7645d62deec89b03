"""What bench and archive do by themselves, on a virtual clock: how often the status is told, when is asked for what."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import json
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from archive.telling import Bench, as_read, summed
from sinks.story import Teller
from support.wire import Wire
from web.rig import stored_boot

from benchd.archive.database import ArchiveStore
from benchd.archive.running import FILL_S, LOOK_S, Archive
from benchd.archive.settings import load_archive
from benchd.clock import Backoff
from benchd.sinks.mqtt.session import STATUS_S
from benchd.sinks.mqtt.settings import MqttSettings
from benchd.sinks.mqtt.sink import MqttSink
from benchd.store import Store

QUIET_S = 150.0
START = datetime(2026, 3, 1, tzinfo=UTC)


@pytest.fixture
def wire(monkeypatch: pytest.MonkeyPatch) -> Wire:
    return Wire(monkeypatch)


@contextlib.asynccontextmanager
async def bench(folder: Path, store: Store, *, archive: bool = True) -> AsyncIterator[MqttSink]:
    settings = MqttSettings.model_validate({"url": "mqtt://x", "archive": archive})
    sink = MqttSink(
        settings, "bench1", folder / "outbox.db", machines=["at286"], store=store, backoff=Backoff(cap_s=1.0)
    )
    run = asyncio.create_task(sink.run())
    try:
        yield sink
    finally:
        await sink.close()
        await run


@contextlib.asynccontextmanager
async def archived(folder: Path, more: str = "") -> AsyncIterator[Archive]:
    path = folder / "archive.toml"
    path.write_text(
        f'[archive]\nstore = "archive.db"\n{more}[mqtt]\nurl = "mqtt://x"\n[http]\nlisten = "127.0.0.1:0"\n'
    )
    archive = Archive(load_archive(path))
    run = asyncio.create_task(archive.run())
    try:
        yield archive
    finally:
        archive.stop()
        await run


def seqs(wire: Wire) -> list[tuple[float, int]]:
    """When the status was told while the bench was there, and up to which number."""
    told = [(one.at_s, json.loads(one.payload)) for one in wire.on("status")]
    return [(at_s, status["seq"]) for at_s, status in told if status["online"]]


def test_the_status_says_how_far_numbers_are_while_they_go_on(wire: Wire, tmp_path: Path) -> None:
    """Every ten seconds while there is news, once more after it, and not at all in a quiet time."""

    async def story() -> None:
        with Store.open(tmp_path / "b.db") as store:
            async with bench(tmp_path, store) as sink:
                await asyncio.sleep(QUIET_S)
                assert [seq for _, seq in seqs(wire)] == [0]
                t = Teller(ns=wire.clock.now_ns)
                began = wire.clock.now_ns / 1e9
                for n in range(45):
                    sink.offer(t.stage(float(n), f"s{n}", n))
                    await asyncio.sleep(1)
                await asyncio.sleep(QUIET_S)
                told = seqs(wire)[1:]
                assert told[0][1] <= 1 and told[0][0] - began < 0.5  # the first news after a quiet time: at once
                gaps = [later[0] - one[0] for one, later in itertools.pairwise(told)]
                assert len(told) == 6 and all(STATUS_S <= gap < STATUS_S + 1.5 for gap in gaps), told
                numbers = [seq for _, seq in told]
                assert numbers == sorted(set(numbers)) and numbers[-1] == 45

    wire.run(story)


def test_without_an_archive_it_is_told_at_the_start_only(wire: Wire, tmp_path: Path) -> None:
    """Nobody counts its events then."""

    async def story() -> None:
        with Store.open(tmp_path / "b.db") as store:
            async with bench(tmp_path, store, archive=False) as sink:
                for n in range(30):
                    sink.offer(Teller(ns=wire.clock.now_ns).stage(0.0, f"s{n}", n))
                    await asyncio.sleep(1)
                await asyncio.sleep(60)
                assert len(seqs(wire)) == 1 and len(wire.on("stage")) == 30

    wire.run(story)


def numbered(payload: bytes) -> int | None:
    told: dict[str, Any] = json.loads(payload)
    return told["seq"] if "id" in told else None


@pytest.mark.parametrize("how", ["asked", "late", "off", "away"])
def test_what_has_been_missing_for_a_minute_is_asked_for(wire: Wire, tmp_path: Path, how: str) -> None:
    """Asked for once, exactly, by the second look at it; not where it came late, `archive.fill` is off, or the bench
    went. The answer makes the archive whole."""
    lost: dict[int, tuple[str, bytes]] = {}

    def loses(topic: str, payload: bytes) -> bool:
        if (seq := numbered(payload)) in (2, 4, 5) and seq not in lost and not topic.endswith("status"):
            lost[seq] = (topic, payload)
            return True
        return False

    async def story() -> None:
        wire.loses = loses
        with Store.open(tmp_path / "b.db") as store:
            async with archived(tmp_path, "fill = false\n" if how == "off" else "") as archive:
                async with bench(tmp_path, store) as sink:
                    for n in range(7):
                        store.save_boot(stored_boot(n, "ready", START + timedelta(minutes=n)))
                    while len(lost) < 3 or sink.status()["outbox"] or sink.status()["feed_left"]:
                        await asyncio.sleep(0.5)
                    known_s = wire.clock.now_ns / 1e9
                    if how != "away":
                        await asyncio.sleep(FILL_S)
                        if how == "late":
                            for message in lost.values():
                                wire.say(*message)
                        await asyncio.sleep(FILL_S + 2 * STATUS_S)
                        assert archive.found is not None and archive.found.missing == (3 if how == "off" else 0)
                        await asyncio.sleep(QUIET_S)
                if how == "away":
                    await asyncio.sleep(QUIET_S)
                    assert archive.found is not None
                    assert (archive.found.missing, archive.found.silent) == (3, ["bench1"])
            asks = [(one.at_s, json.loads(one.payload)) for one in wire.on("ask")]
            if how != "asked":
                assert asks == []
                return
            ((at_s, ask),) = asks
            assert FILL_S - LOOK_S <= at_s - known_s <= 2 * FILL_S + STATUS_S
            assert (ask["missing"], ask["archive"]) == ([[2, 2], [4, 5]], "benchd-archive")
            with ArchiveStore.at(tmp_path / "archive.db") as there:
                assert as_read(there) == summed([Bench("bench1", store)])
                assert len(there.boots()) == 7

    wire.run(story)
