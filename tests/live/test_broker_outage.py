"""A real broker goes away during a run and comes back: each stage, finding and boot event arrives once, in order."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from typing import Any

import pytest
from live.trouble_rig import GOOD, STAGES, machine_toml, put_table, stored
from sinks.broker_peer import Listener, Mosquitto, first_seen, until
from support.asyncapi import Topics
from support.daemon import DaemonProcess, benchd, wait_for

from benchd.demo.line import PtyLine

pytestmark = pytest.mark.peer("mosquitto")


async def play(card: PtyLine, codes: bytes) -> None:
    for code in codes:
        assert card.send(bytes([code])) == 1
        await asyncio.sleep(0.01)


def test_outage_in_mid_run(tmp_path: Path) -> None:
    """Stopped in mid-boot, away for two boots and a stall; afterwards everything is there, and states are right."""
    asyncio.run(outage(tmp_path))


async def outage(folder: Path) -> None:
    broker = Mosquitto(folder / "broker")
    broker.start()
    put_table(folder)
    mqtt = f'[mqtt]\nurl = "mqtt://127.0.0.1:{broker.port}"\ntimeout = "2s"\nretry_cap = "1s"\n'
    with PtyLine() as card:
        daemon = DaemonProcess(folder, machine_toml(card.path, "pc/1"), mqtt)
        try:
            async with Listener(
                broker.port
            ) as listener:  # first: that a link is up is told within moments of the start
                await asyncio.to_thread(daemon.start)
                await asyncio.to_thread(wait_for, daemon.links_up)
                await until(lambda: any(s["online"] for s in listener.of("status")), "online")
                await play(card, GOOD)
                await until(lambda: "finished" in [b["record"]["outcome"] for b in listener.of("boot")], "boot 1")
                await play(card, b"\x01\x20")
                await until(lambda: [s["stage"] for s in listener.of("stage")][-1:] == ["memory"], "mid-boot")
                await asyncio.to_thread(broker.stop)
                await play(card, b"\x40\x60")
                await asyncio.to_thread(stored, daemon, 2, "finished")
                await until(lambda: daemon.metric("benchd_mqtt_up") == 0, "the outage is known")
                assert daemon.metric("benchd_mqtt_outbox_events") > 0
                await play(card, b"\x01\x20\x40")
                await asyncio.to_thread(stored, daemon, 1, "stalled")
                await play(card, b"\x60")
                await asyncio.to_thread(stored, daemon, 3, "finished")
                await asyncio.to_thread(broker.start)
                await until(lambda: "cleared" in [f["state"] for f in listener.of("finding")], "the stall's end")
                await until(lambda: len(ended(first_seen(listener.of("boot")))) == 3, "the end of three boots")
                boots = await asyncio.to_thread(daemon.boots)
                check(first_seen(listener.events()), boots)
                await until(lambda: daemon.metric("benchd_mqtt_outbox_events") == 0, "an empty outbox")
                # Retained states come a moment after the events that they follow.
                want = ("pc/1", "finished", False)
                await until(lambda: want == tuple(map(listener.of("state")[-1].get, ("machine", "outcome", "stuck"))),
                            "the last state")  # fmt: skip
                await until(lambda: listener.of("alert")[-1]["standing"] == [], "all clear")
                assert await asyncio.to_thread(daemon.end) == 0
                await until(lambda: listener.of("status")[-1]["online"] is False, "the goodbye")
                validate(listener)
        finally:
            await asyncio.to_thread(daemon.__exit__)
            await asyncio.to_thread(broker.stop)


def ended(events: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [event for event in events if event["state"] == "ended"]


def check(events: list[dict[str, Any]], boots: list[dict[str, Any]]) -> None:
    """The story by MQTT is that of the store, in order, with numbers that grow."""
    numbers = [e["seq"] for e in events]
    assert numbers == sorted(numbers) and len(set(numbers)) == len(numbers)
    for boot in boots:
        own = [e for e in events if e["boot"] == boot["id"]]
        assert [e["stage"] for e in own if "stage" in e and "index" in e] == STAGES
        # On a slow machine the stall stands long enough to be settled before the test goes on.
        assert [e["state"] for e in own if "record" in e and e["state"] != "settled"] == ["started", "ended"]
        kinds = [(e["finding"]["kind"], e["state"]) for e in own if "finding" in e]
        assert kinds == ([("stall", "raised"), ("stall", "cleared")] if boot is boots[-1] else [])


def validate(listener: Listener) -> None:
    """Each payload fits what `benchd schema` prints for its form, and for its topic with --asyncapi."""
    from jsonschema import Draft202012Validator

    topics = Topics(json.loads(benchd("schema", "--asyncapi")))
    seen = {}
    for message in listener.messages:
        payload = json.loads(message.payload)
        form = topics.check(str(message.topic), payload)
        leaf = str(message.topic).rsplit("/", 1)[1]
        if leaf not in seen:
            seen[leaf] = Draft202012Validator(json.loads(benchd("schema", form)))
        seen[leaf].validate(payload)
        assert str(message.topic) in ("benchd/bench1/status", f"benchd/bench1/machine/pc%2F1/{leaf}")
    assert {"status", "state", "alert", "code", "stage", "finding", "boot", "link"} == set(seen)
