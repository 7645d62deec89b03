"""What an archive asks: floods and nonsense are refused and told; over a real broker it is heard and answered."""

from __future__ import annotations

import asyncio
import json
import logging
from pathlib import Path

import aiomqtt
import pytest
from sinks.archive_peer import rebuilt, stored
from sinks.broker_peer import Listener, Mosquitto, running, until

from benchd.clock import Backoff
from benchd.sinks.mqtt.asks import MOST, MOST_BYTES, WAITING, Asks
from benchd.sinks.mqtt.settings import MqttSettings
from benchd.sinks.mqtt.sink import MqttSink
from benchd.store import Store
from benchd.vocabulary.models import Boot


def ask(name: str) -> bytes:
    return json.dumps({"archive": "club", "ask": name}).encode()


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"\xff\xfe",
        b"[" * 60_000,
        b"{}",
        b'{"archive": "\x1b[31m", "ask": 1}',
        ask("x" * 65),
        b" " * (MOST_BYTES + 1),
    ],
)
def test_nonsense_is_refused_and_told_once(payload: bytes, caplog: pytest.LogCaptureFixture) -> None:
    """However often it comes; what is said of it can be shown on a terminal."""
    asks = Asks()
    for n in range(50):
        assert not asks.hear(payload, False, n / 100)
    assert asks.refused == 50 and asks.next() is None
    (said,) = [record.getMessage() for record in caplog.records if record.levelno == logging.WARNING]
    assert said.startswith("mqtt: an ask was refused (1 so far): ") and said.isprintable()


def test_a_flood_is_refused_and_told(caplog: pytest.LogCaptureFixture) -> None:
    """Some wait, the others are refused; in a minute only so many are taken, however fast they are answered."""
    asks = Asks()
    assert [asks.hear(ask(f"a{n}"), False, 0.0) for n in range(WAITING + 3)] == [True] * WAITING + [False] * 3
    assert f"{WAITING} others wait to be answered" in caplog.text
    taken = WAITING
    for n in range(100, 200):
        asks.next()
        taken += asks.hear(ask(f"a{n}"), False, 1.0)
    assert taken == MOST
    assert asks.hear(ask("later"), False, 62.0)


def test_a_retained_ask_is_refused(caplog: pytest.LogCaptureFixture) -> None:
    """It would be answered at each start."""
    assert not Asks().hear(ask("x"), True, 0.0)
    assert "it is retained" in caplog.text


@pytest.mark.peer("mosquitto")
def test_over_a_broker(broker: Mosquitto, tmp_path: Path) -> None:
    """The status says what is there; what is stored is sent; an ask is heard, and hostile ones harm nothing."""

    async def go(store: Store) -> None:
        settings = MqttSettings.model_validate({"url": f"mqtt://127.0.0.1:{broker.port}", "archive": True})
        sink = MqttSink(
            settings, "bench1", tmp_path / "outbox.db", machines=["at286"], store=store, backoff=Backoff(0.05, 0.2)
        )
        async with Listener(broker.port) as ear, running(sink):
            await until(lambda: len(ear.events()) == 3, "what is stored")
            status = ear.of("status")[0]
            assert status["archive"] is True and len(status["outbox"]) == 24 and status["made"]
            async with aiomqtt.Client("127.0.0.1", broker.port, protocol=aiomqtt.ProtocolVersion.V5) as archive:
                await archive.publish("benchd/bench1/ask", b"{" * 500, qos=1)
                await archive.publish("benchd/bench1/ask", b" " * 200_000, qos=1)
                wanted = {"archive": "club", "ask": "x", "outbox": status["outbox"], "missing": [[2, 2]]}
                await archive.publish("benchd/bench1/ask", json.dumps(wanted), qos=1)
            await until(lambda: ear.of("answer"), "the answer")
            assert ear.of("answer")[0]["boots"] == 1
            assert sink.status()["asks_refused"] == 1 and sink.status()["asks_answered"] == 1
            assert rebuilt(ear.events()) == stored(store)
            seq = ear.events()[-1]["seq"]
        async with Listener(broker.port, username="late") as late:
            await until(lambda: any(not one["online"] for one in late.of("status")), "goodbye")
            assert late.of("status")[-1]["seq"] == seq

    with Store.open(tmp_path / "b.db") as store:
        for n in range(3):
            at = f"2026-03-01T20:0{n}:00+01:00"
            store.save_boot(Boot(id=f"b{n}", machine="at286", started=at, outcome="finished"))
        asyncio.run(go(store))
