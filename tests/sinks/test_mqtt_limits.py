"""The MQTT sink and what hinders it: refusals, small limits, a stuck disk, a twin, being closed, run again."""

from __future__ import annotations

import ast
import asyncio
import contextlib
import importlib.metadata
import json
import logging
import re
import signal
import sqlite3
import time
import tomllib
from collections.abc import AsyncIterator
from pathlib import Path
from types import SimpleNamespace

import aiomqtt
import pytest
from sinks.broker_peer import Listener, Mosquitto, first_seen, make, offer_numbered, running, until
from sinks.faults import Fault, under_sqlite
from sinks.story import Teller

from benchd.sinks.mqtt import broker as broker_module
from benchd.sinks.mqtt import outbox as outbox_module
from benchd.sinks.mqtt.outbox import Outbox

pytestmark = pytest.mark.peer("mosquitto")


def test_broker_that_refuses_events_loses_none(tmp_path: Path) -> None:
    """An access list that forbids writing (PUBACK 87h): told plainly, kept, and sent once it is allowed."""
    acl = tmp_path / "acl"
    acl.write_text("topic read #\ntopic write benchd/bench1/status\n")
    peer = Mosquitto(tmp_path / "broker", ["allow_anonymous true", f"acl_file {acl}"])
    peer.start()

    async def go() -> None:
        async with Listener(peer.port) as ear, running(make(peer, tmp_path)) as sink:
            want = offer_numbered(sink, 0, 20)
            await until(lambda: "not authorized" in sink.status()["reason"], "told")
            # A machine's state is refused as well, maybe before the events are on the disk.
            await until(lambda: sink.status()["outbox"] == 20, "kept")
            assert not ear.events()
            acl.write_text("topic readwrite #\n")
            assert peer.process is not None
            peer.process.send_signal(signal.SIGHUP)
            await until(lambda: len(ear.events()) >= 20, "sent")
            assert [e["stage"] for e in first_seen(ear.events())] == want

    try:
        asyncio.run(go())
    finally:
        peer.stop()


def test_disk_trouble_holds_events_and_catches_up(broker: Mosquitto, tmp_path: Path) -> None:
    """While the outbox cannot be written, the reason says so and nothing is sent; then all goes, in order."""

    async def go() -> None:
        async with Listener(broker.port) as ear, running(make(broker, tmp_path)) as sink:
            want = offer_numbered(sink, 0, 3)
            await until(lambda: len(ear.events()) == 3, "flow")
            blocker = sqlite3.connect(tmp_path / "outbox.sqlite", isolation_level=None)
            await until(lambda: sink.status()["outbox"] == 0, "acknowledged")
            blocker.execute("BEGIN IMMEDIATE")
            want += offer_numbered(sink, 3, 50)
            await until(lambda: "cannot write the outbox" in sink.status()["reason"], "told")
            assert len(ear.events()) == 3 and sink.status()["queued"] == 50
            blocker.execute("ROLLBACK")
            blocker.close()
            await until(lambda: len(ear.events()) == len(want), "caught up")
            assert [e["stage"] for e in ear.events()] == want
            await until(lambda: sink.status()["reason"] == "", "well again")

    asyncio.run(go())


def test_close_flushes_to_disk_without_a_broker(broker: Mosquitto, tmp_path: Path) -> None:
    """Closing in an outage takes no longer than the grace time, and what was offered just before is on disk."""
    broker.stop()

    async def go() -> None:
        async with running(make(broker, tmp_path)) as sink:
            await until(lambda: sink.status()["state"] == "waiting", "no broker")
            offer_numbered(sink, 0, 500)
            began = time.monotonic()
        assert time.monotonic() - began < 4
        assert sink.status()["state"] == "closed"

    asyncio.run(go())
    box = Outbox(tmp_path / "outbox.sqlite")
    assert [json.loads(w.payload)["stage"] for w in box.peek(1000)] == [f"s{n}" for n in range(500)]
    box.close()


def test_same_client_id_is_told(broker: Mosquitto, tmp_path: Path) -> None:
    """Two benches with one client id push each other out ([MQTT-3.1.4-3]); the reason names the setting."""

    async def go() -> None:
        one = make(broker, tmp_path, client_id="same")
        other = make(broker, tmp_path / "other", bench="bench2", client_id="same")
        reasons = []
        async with running(one), running(other):
            await until(
                lambda: (
                    reasons.append(one.status()["reason"] + other.status()["reason"]) or "mqtt.client_id" in reasons[-1]
                ),
                "told",
            )

    asyncio.run(go())


def test_can_be_run_again(broker: Mosquitto, tmp_path: Path) -> None:
    """A run that was cancelled (or failed) is started again by the daemon and goes on where it was."""

    async def go() -> None:
        sink = make(broker, tmp_path)
        async with Listener(broker.port) as ear:
            first = asyncio.create_task(sink.run())
            want = offer_numbered(sink, 0, 5)
            await until(lambda: len(ear.events()) == 5, "flow")
            first.cancel()
            await asyncio.wait([first])
            await until(lambda: not ear.of("status")[-1]["online"], "the broker tells of it")
            want += offer_numbered(sink, 5, 5)
            async with running(sink):
                await until(lambda: len(first_seen(ear.events())) == 10, "goes on")
                assert [e["stage"] for e in first_seen(ear.events())] == want

    asyncio.run(go())


def test_broker_with_small_limits(tmp_path: Path) -> None:
    """Limits told in CONNACK are kept (MQTT 5.0, 3.2.2.3.3, 3.2.2.3.6): one event too large is set aside, told,
    counted; the others go, with no more under way than the broker takes, on one connection."""
    peer = Mosquitto(tmp_path / "broker", ["allow_anonymous true", "max_packet_size 4000", "max_inflight_messages 2"])
    peer.start()

    async def go() -> None:
        async with Listener(peer.port) as ear, running(make(peer, tmp_path, in_flight=20)) as sink:
            want = offer_numbered(sink, 0, 50)
            sink.offer(Teller().raised(9.0, means="x" * 5000))
            want += offer_numbered(sink, 50, 50)
            await until(lambda: len(ear.events()) == len(want), "all that fit")
            assert [e["stage"] for e in ear.events()] == want
            await until(lambda: sink.status()["outbox"] == 0, "acknowledged")
            assert (sink.status()["refused"], sink.status()["sent"]) == (1, 100)
            assert len(ear.of("status")) == 1

    try:
        asyncio.run(go())
    finally:
        peer.stop()


def test_huge_boot_record_is_slimmed(broker: Mosquitto, tmp_path: Path) -> None:
    """A boot with 200 long findings is sent within 64 KiB and 200 findings, without their explanations."""
    t = Teller()
    many = [t.finding(rule=f"r{n}", means="m" * 500).model_dump(by_alias=True) for n in range(200)]

    async def go() -> None:
        async with Listener(broker.port) as ear, running(make(broker, tmp_path)) as sink:
            sink.offer(t.ended(9.0, "stalled", findings=many))
            sink.offer(t.ended(9.0, "stalled", findings=many[:2]))
            await until(lambda: len(ear.of("boot")) == 2, "sent")
            large, small = (e["record"]["findings"] for e in ear.of("boot"))
            assert len(large) == 200 and len(json.dumps(large)) < 65_536
            assert large[7]["rule"] == "r7" and small[1]["means"] == "m" * 500

    asyncio.run(go())


@contextlib.asynccontextmanager
async def mute() -> AsyncIterator[SimpleNamespace]:
    """Listen on a port, take every connection, and never say a word."""
    taken: list[asyncio.StreamWriter] = []
    server = await asyncio.start_server(lambda _, writer: taken.append(writer), "127.0.0.1", 0)
    try:
        yield SimpleNamespace(port=server.sockets[0].getsockname()[1], taken=taken)
    finally:
        server.close()
        for writer in taken:
            writer.close()


@pytest.mark.parametrize("scheme", ["mqtt", "mqtts"])
def test_stop_with_a_mute_broker(tmp_path: Path, scheme: str, caplog: pytest.LogCaptureFixture) -> None:
    """Something that takes the connection and says nothing delays a stop by no second and leaves no traceback."""

    async def go() -> float:
        async with mute() as peer:
            sink = make(peer, tmp_path, url=f"{scheme}://127.0.0.1:{peer.port}", timeout=10)
            task = asyncio.create_task(sink.run())
            offer_numbered(sink, 0, 3)
            await until(lambda: peer.taken and sink.status()["outbox"] == 3, "connecting")
            await asyncio.sleep(0.1)
            began = time.monotonic()
            await sink.close()
            await task
            took = time.monotonic() - began
            for writer in peer.taken:
                writer.close()
            await asyncio.sleep(0.1)  # what the closed socket may still call
            return took

    caplog.set_level(logging.WARNING)
    assert asyncio.run(go()) < 1
    assert not [r for r in caplog.records if r.name != "benchd.sinks.mqtt.session"]


def test_stop_with_a_frozen_broker(broker: Mosquitto, tmp_path: Path) -> None:
    """A broker that froze in mid-conversation is waited for while it answers, not the whole time it would be given."""

    async def go() -> None:
        async with running(make(broker, tmp_path, timeout=10)) as sink:
            await until(lambda: sink.status()["state"] == "online", "online")
            broker.freeze()
            offer_numbered(sink, 0, 300)
            await until(lambda: sink.status()["outbox"] == 300, "on disk")
            began = time.monotonic()
        assert time.monotonic() - began < 2.5
        broker.thaw()

    asyncio.run(go())


def test_a_run_cancelled_while_it_writes_does_not_write_twice(
    broker: Mosquitto, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Cancelled while the disk takes its time: the next run knows that these events are in the outbox."""
    fault = Fault()
    under_sqlite(fault, outbox_module, monkeypatch)

    async def go() -> None:
        sink = make(broker, tmp_path)
        async with Listener(broker.port) as ear:
            first = asyncio.create_task(sink.run())
            await until(lambda: sink.status()["state"] == "online", "online")
            fault.at, fault.mode = fault.seen, "slow"
            before = fault.seen
            want = offer_numbered(sink, 0, 5)
            await until(lambda: fault.seen > before, "writing")
            first.cancel()
            await asyncio.wait([first])
            want += offer_numbered(sink, 5, 1)
            async with running(sink):
                await until(lambda: sink.status()["sent"] == len(want) and sink.status()["outbox"] == 0, "all")
            assert [e["stage"] for e in ear.events()] == want

    asyncio.run(go())


def test_a_packet_for_a_connection_that_just_closed(
    broker: Mosquitto, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """A connection that ends between handing a packet over and writing it: nobody's socket is written to, and no
    traceback is left; the event counts as not taken."""

    async def go() -> None:
        settings = make(broker, tmp_path).settings
        will = aiomqtt.Will("t", b"gone", 1, False)
        with pytest.raises(aiomqtt.MqttError):
            async with broker_module.Broker(settings, "c", will, None, None) as link:
                sending = asyncio.create_task(link.send("t", b"{}"))
                await asyncio.sleep(0)  # handed over, not written yet
                link._protocol.connect_async(settings.host, settings.port)  # its way to close at once
                await sending

    async def soon() -> None:
        await asyncio.wait_for(go(), 30)

    asyncio.run(soon())
    assert "Traceback" not in caplog.text and "asyncio" not in {r.name for r in caplog.records}


def test_one_private_name_and_an_exact_pin() -> None:
    """What the library keeps to itself is reached by one name in one place, of the very release that was tried."""
    folder = Path(broker_module.__file__).parent
    private = [
        (path.name, node.attr)
        for path in folder.glob("*.py")
        for node in ast.walk(ast.parse(path.read_text()))
        if isinstance(node, ast.Attribute) and re.match(r"_[a-z]", node.attr)
        if not (isinstance(node.value, ast.Name) and node.value.id == "self")
    ]
    assert private == [("broker.py", "_client")]
    wanted = tomllib.loads((folder.parents[2] / "pyproject.toml").read_text())["project"]["dependencies"]
    assert f"aiomqtt=={importlib.metadata.version('aiomqtt')}" in wanted
