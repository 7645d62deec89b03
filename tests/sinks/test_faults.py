"""Each write of a scenario goes wrong in turn, on the disk and on the wire: nothing is lost, and nothing twice."""

from __future__ import annotations

import asyncio
import json
import logging
import subprocess
import sys
import textwrap
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any, TypeVar

import pytest
from sinks.broker_peer import Listener, Mosquitto, first_seen, make, offer_numbered, running, until
from sinks.faults import Fault, Relay, under_sqlite
from sinks.test_outbox import entry

from benchd.errors import ExternalError
from benchd.sinks.mqtt import outbox as outbox_module
from benchd.sinks.mqtt.outbox import Outbox

T = TypeVar("T")


def outbox_story(folder: Path) -> tuple[list[dict[str, Any]], Outbox]:
    """Use an outbox in all ways, each step tried until it works; return the events left in it."""

    def insist(step: Callable[[], T]) -> T:
        while True:
            try:
                return step()
            except ExternalError as error:
                assert "disk I/O error" in str(error)

    box = insist(lambda: Outbox(folder / "o", codes_kept=100))
    insist(lambda: box.append([entry(n) for n in range(5)]))
    insist(lambda: box.append([entry(n, "code") for n in range(5, 130)]))
    flying = insist(lambda: box.peek(8))
    insist(lambda: box.append([entry(n, "code", "b", 2) for n in range(130, 230)]))
    insist(lambda: box.sent([w.seq for w in flying[1:]]))
    insist(lambda: box.refuse(flying[0].seq, "too large"))
    insist(lambda: box.append([entry(n) for n in range(230, 235)]))
    box.close()
    box = insist(lambda: Outbox(folder / "o", codes_kept=100))
    left = [json.loads(w.payload) for w in insist(lambda: box.peek(1000))]
    box.close()
    return left, box


@pytest.mark.parametrize("mode", ["fail", "short"])
def test_each_write_of_the_outbox_fails_once(tmp_path: Path, mode: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whichever write fails, alone or after half of its rows: tried again, all is as if it had not."""
    good = Fault()
    under_sqlite(good, outbox_module, monkeypatch)
    (tmp_path / "good").mkdir()
    want, sound = outbox_story(tmp_path / "good")
    assert good.seen > 20 and any(e.get("thinned") for e in want)
    for at in range(good.seen):
        folder = tmp_path / f"{at}"
        folder.mkdir()
        under_sqlite(Fault(at, mode), outbox_module, monkeypatch)
        left, box = outbox_story(folder)
        assert [e | {"id": ""} for e in left] == [e | {"id": ""} for e in want], f"write {at}"
        assert (box.count, box.thinned, box.refused) == (sound.count, sound.thinned, sound.refused), f"write {at}"


async def through(port: int, ear: Listener, folder: Path, bench: str) -> dict[str, Any]:
    """Send numbered stages in three bursts; return the status once all is well again. Nothing lost, nothing twice."""
    folder.mkdir()
    peer = SimpleNamespace(port=port)
    async with running(make(peer, folder, bench=bench)) as sink:  # type: ignore[arg-type]
        want = []
        for burst in range(3):
            want += offer_numbered(sink, burst * 4, 4)
            await asyncio.sleep(0.02)

        def well() -> bool:
            status = sink.status()
            return status["sent"] >= len(want) and (status["queued"], status["outbox"], status["reason"]) == (0, 0, "")

        await until(well, f"all sent: {bench}")
    await until(lambda: [s["online"] for s in ear.of("status") if s["bench"] == bench][-1:] == [False], "goodbye")
    events = [e for e in ear.events() if e["bench"] == bench]
    assert [e["stage"] for e in first_seen(events)] == want, bench
    return sink.status() | {"arrived": len(events)}


@pytest.mark.peer("mosquitto")
@pytest.mark.parametrize("mode", ["fail", "slow"])
def test_each_write_of_the_disk_goes_wrong_under_way(
    broker: Mosquitto, tmp_path: Path, mode: str, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Whichever write of the outbox goes wrong between card and broker: told once, caught up, no event twice, and the
    connection stays, for the disk is not its concern."""

    async def go() -> None:
        async with Listener(broker.port) as ear:
            good = Fault()
            under_sqlite(good, outbox_module, monkeypatch)
            await through(broker.port, ear, tmp_path / "good", "good")
            for at in range(good.seen - 2):
                caplog.clear()
                fault = Fault(at, mode, times=1 if mode == "slow" else 2)
                under_sqlite(fault, outbox_module, monkeypatch)
                greetings = sum(s["online"] for s in ear.of("status"))
                status = await through(broker.port, ear, tmp_path / f"{at}", f"b{at}")
                assert status["arrived"] == status["sent"] == 12, f"write {at}"
                assert sum(s["online"] for s in ear.of("status")) == greetings + 1, f"write {at}"
                told = [r.message for r in caplog.records if "disk I/O error" in r.message]
                assert bool(told) == (mode != "slow" and fault.seen > at) and len(told) == len(set(told)), told
                assert "client id" not in caplog.text

    caplog.set_level(logging.WARNING)
    asyncio.run(go())


@pytest.mark.peer("mosquitto")
@pytest.mark.parametrize("mode", ["fail", "short", "slow"])
def test_each_write_of_the_wire_goes_wrong(
    broker: Mosquitto, tmp_path: Path, mode: str, caplog: pytest.LogCaptureFixture
) -> None:
    """Whichever packet between sink and broker is lost with the connection, cut in half or late: all events arrive,
    in order, doubles with the same id and content; the trouble is told once."""

    async def go() -> None:
        async with Listener(broker.port) as ear:
            good = Fault()
            async with Relay(broker.port, good).running() as relay:
                await through(relay.port, ear, tmp_path / "good", "good")
            for at in range(good.seen):
                caplog.clear()
                fault = Fault(at, mode)
                async with Relay(broker.port, fault).running() as relay:
                    await through(relay.port, ear, tmp_path / f"{at}", f"b{at}")
                    told = [r.message for r in caplog.records if r.levelno >= logging.WARNING]
                    assert len(told) <= 1, told
                    if mode == "slow":
                        assert relay.connections == 1 and not told

    caplog.set_level(logging.WARNING)
    asyncio.run(go())


KERNEL = """
    import json, resource, sys
    from pathlib import Path
    from benchd.errors import ExternalError
    from benchd.sinks.mqtt.outbox import Entry, Outbox

    none = resource.RLIM_INFINITY
    told = set()
    for limit in range(20_000, 200_000, 15_000):
        box = Outbox(Path(sys.argv[1]) / f"{limit}.sqlite")
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, none))
        for n in range(30):
            group = [Entry("stage", "t", {"n": n * 10 + i, "pad": "x" * 200}, 1) for i in range(10)]
            try:
                box.append(group)
            except ExternalError as error:
                told.add(str(error).partition(": cannot ")[2])
                resource.setrlimit(resource.RLIMIT_FSIZE, (none, none))
                box.append(group)
        resource.setrlimit(resource.RLIMIT_FSIZE, (none, none))
        left = [json.loads(w.payload) for w in box.peek(1000)]
        assert [e["n"] for e in left] == list(range(300)), limit
        assert [e["seq"] for e in left] == list(range(1, 301)) and box.count == 300, limit
        box.close()
    print(json.dumps(sorted(told)))
"""


def test_writes_cut_short_by_the_kernel(tmp_path: Path) -> None:
    """A file that may not grow beyond a size (setrlimit(2), RLIMIT_FSIZE) cuts a write in the middle of its pages, at
    many places of the run: the append is told to have failed, is repeated, and nothing is missing or twice."""
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(KERNEL), str(tmp_path)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert told and all("check the disk's room" in text for text in told)
