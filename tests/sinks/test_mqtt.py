"""The MQTT sink against a real Mosquitto: order, retained state, Last Will, outages, freezes, logins, names."""

from __future__ import annotations

import asyncio
import json
import logging
import os
import signal
import subprocess
import sys
import textwrap
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import unquote

import jsonschema
import pytest
from sinks.broker_peer import Listener, Mosquitto, first_seen, make, offer_numbered, running, until
from sinks.story import Teller
from typer.testing import CliRunner

from benchd.cli.main import build

pytestmark = pytest.mark.peer("mosquitto")


def test_story_in_order(broker: Mosquitto, tmp_path: Path) -> None:
    """Every event arrives once, in order, on its topic; status, state and alert are retained and end right."""

    async def go() -> None:
        t = Teller()
        story = [t.link(0.0, True), *t.good_boot()[:-1], t.raised(9.0), t.cleared(11.0, 2.0), t.ended(12.0)]
        async with Listener(broker.port) as ear:
            async with running(make(broker, tmp_path)) as sink:
                for event in story:
                    sink.offer(event)
                await until(lambda: len(ear.events()) == len(story), "all events")
                await until(lambda: sink.status()["outbox"] == 0, "acknowledged")
                assert sink.status()["sent"] == len(story)
            await until(lambda: not ear.of("status")[-1]["online"], "goodbye")
            events = ear.events()
            assert [e["seq"] for e in events] == list(range(1, len(story) + 1))
            topics = [str(m.topic) for m in ear.messages if "id" in json.loads(m.payload)]
            kinds = ["link", "boot", "code", "stage", "code", "stage", "finding", "finding", "boot"]
            assert topics == [f"benchd/bench1/machine/at286/{k}" for k in kinds]
            assert all(m.qos == 1 for m in ear.messages)
            assert [s["online"] for s in ear.of("status")] == [True, False]
            assert ear.of("status")[-1]["reason"] == "stopped"
        async with Listener(broker.port, username="late") as late:
            await until(lambda: len(late.messages) >= 3, "retained")
            kept = {str(m.topic).rpartition("/")[2]: m for m in late.messages}
            assert set(kept) == {"status", "state", "alert"} and all(m.retain for m in kept.values())
            state = json.loads(kept["state"].payload)
            assert (state["outcome"], state["code"], state["links"]) == ("finished", "2F", {"post": True})
            assert json.loads(kept["alert"].payload)["standing"] == []

    asyncio.run(go())


def test_alert_topic_tells_what_stands(broker: Mosquitto, tmp_path: Path) -> None:
    """While a stall stands the retained alert names it: rule, stage, last code; afterwards it is empty."""

    async def go() -> None:
        t = Teller()
        async with Listener(broker.port) as ear, running(make(broker, tmp_path)) as sink:
            sink.offer(t.started())
            sink.offer(t.raised(9.0))
            await until(lambda: ear.of("alert") and ear.of("alert")[-1]["standing"], "alert")
            (stands,) = ear.of("alert")[-1]["standing"]
            got = {k: stands[k] for k in ("kind", "rule", "stage", "code")}
            assert got == {"kind": "stall", "rule": "rom-never-returns", "stage": "rom-scan", "code": "40"}
            await until(lambda: ear.of("state")[-1]["stuck"], "stuck")
            sink.offer(t.cleared(11.0, 2.0))
            await until(lambda: not ear.of("alert")[-1]["standing"], "alert over")

    asyncio.run(go())


def test_broker_restarted_mid_stream(broker: Mosquitto, tmp_path: Path) -> None:
    """A broker restarted while events flow: none missing, first arrivals in order, doubles same id."""

    async def go() -> None:
        async with Listener(broker.port) as ear, running(make(broker, tmp_path)) as sink:
            want = []
            for part in range(20):
                want += offer_numbered(sink, part * 50, 50)
                if part in (5, 12):
                    await until(lambda: len(ear.events()) > 20, "flow")
                    await asyncio.to_thread(broker.stop)
                    await asyncio.to_thread(broker.start)
                await asyncio.sleep(0)
            await until(lambda: sink.status()["outbox"] == 0 and sink.status()["queued"] == 0, "sent")
            await until(lambda: len(first_seen(ear.events())) == len(want), "all there")
            assert [e["stage"] for e in first_seen(ear.events())] == want

    asyncio.run(go())


def test_outage_is_caught_up_in_order(broker: Mosquitto, tmp_path: Path) -> None:
    """A broker away: the sink says so, keeps all stages on disk, sends them in order afterwards."""

    async def go() -> None:
        async with Listener(broker.port) as ear, running(make(broker, tmp_path)) as sink:
            want = offer_numbered(sink, 0, 10)
            await until(lambda: len(ear.events()) == 10 and sink.status()["outbox"] == 0, "first ten")
            broker.stop()
            want += offer_numbered(sink, 10, 3000)
            await until(lambda: sink.status()["outbox"] == 3000, "on disk")
            await until(lambda: "nothing listens there" in sink.status()["reason"], "reason")
            assert sink.status()["state"] == "waiting" and sink.status()["outbox_age_s"] >= 0
            broker.start()
            await until(lambda: len(first_seen(ear.events())) == len(want), "caught up")
            assert [e["stage"] for e in first_seen(ear.events())] == want
            assert [s["online"] for s in ear.of("status")][-1] is True

    asyncio.run(go())


def test_outage_thins_codes_and_says_so(broker: Mosquitto, tmp_path: Path) -> None:
    """Codes beyond the bound are thinned in an outage: sent + thinned = offered; stages between all arrive."""

    async def go() -> None:
        broker.stop()
        t = Teller()
        async with running(make(broker, tmp_path, codes_kept=100)) as sink:
            for n in range(2000):
                sink.offer(t.code(n * 0.01, f"{n % 256:02X}"))
                if n % 100 == 0:
                    sink.offer(t.stage(n * 0.01, f"s{n}", n))
                    await asyncio.sleep(0.002)
            await until(lambda: sink.status()["queued"] == 0, "on disk")
            assert sink.status()["outbox"] <= 121
            broker.start()
            async with Listener(broker.port) as ear:
                await until(lambda: len(ear.of("code")) and sink.status()["outbox"] == 0, "caught up")
                await until(lambda: len(ear.events()) == sink.status()["sent"], "arrived")
                codes = ear.of("code")
                assert sum(1 + c["thinned"] for c in codes) == 2000
                assert sink.status()["thinned"] == 2000 - len(codes) > 0
                assert [s["stage"] for s in ear.of("stage")] == [f"s{n}" for n in range(0, 2000, 100)]
                assert codes[-1]["code"] == f"{1999 % 256:02X}"

    asyncio.run(go())


def test_frozen_broker(broker: Mosquitto, tmp_path: Path) -> None:
    """A broker that is stopped (SIGSTOP) and goes on: the sink notices, says so, loses nothing, keeps order."""

    async def go() -> None:
        async with Listener(broker.port) as ear, running(make(broker, tmp_path, timeout=1)) as sink:
            want = offer_numbered(sink, 0, 5)
            await until(lambda: len(ear.events()) == 5, "flow")
            broker.freeze()
            want += offer_numbered(sink, 5, 200)
            await until(lambda: "does not answer" in sink.status()["reason"], "noticed")
            broker.thaw()
            await until(lambda: len(first_seen(ear.events())) == len(want), "caught up")
            await until(lambda: sink.status()["state"] == "online" and sink.status()["outbox"] == 0, "online")
            assert [e["stage"] for e in first_seen(ear.events())] == want
            await until(lambda: ear.of("status")[-1]["online"], "retained status is true again")

    asyncio.run(go())


CHILD = """
    import asyncio, sys
    sys.path.insert(0, {tests!r})
    from pathlib import Path
    from sinks.story import Teller
    from benchd.sinks.mqtt.sink import MqttSink
    from benchd.sinks.mqtt.settings import MqttSettings

    async def go():
        settings = MqttSettings(url="mqtt://127.0.0.1:{port}", timeout=1)
        sink = MqttSink(settings, "bench1", Path({outbox!r}), machines=["at286"])
        task = asyncio.create_task(sink.run())
        loop, t = asyncio.get_running_loop(), Teller()
        for n in range(100000):
            sink.offer(t.stage(float(n), f"s{{n}}", n))
            print(n, loop.time(), flush=True)
            await asyncio.sleep(0.002)

    asyncio.run(go())
"""


def child(broker: Mosquitto, outbox: Path) -> subprocess.Popen[str]:
    script = textwrap.dedent(CHILD).format(tests=str(Path(__file__).parents[1]), port=broker.port, outbox=str(outbox))
    return subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True)


def kill_after(process: subprocess.Popen[str], lines: int) -> list[float]:
    """Let the child offer `lines` events, kill -9 it, return when each event it told of was offered."""
    assert process.stdout is not None
    told = [process.stdout.readline() for _ in range(lines)]
    os.kill(process.pid, signal.SIGKILL)
    told += process.stdout.readlines()
    process.wait()
    process.stdout.close()
    return [float(line.split()[1]) for line in told if line.endswith("\n") and len(line.split()) == 2]


def test_last_will_after_a_kill(broker: Mosquitto, tmp_path: Path) -> None:
    """kill -9 of the sink: the broker itself says `online: false`, retained (MQTT 5.0 section 3.1.2.5)."""

    async def go() -> None:
        async with Listener(broker.port) as ear:
            process = child(broker, tmp_path / "outbox.sqlite")
            await until(lambda: ear.of("status") and ear.of("status")[-1]["online"], "online")
            await asyncio.to_thread(kill_after, process, 5)
            await until(lambda: not ear.of("status")[-1]["online"], "will")
            assert ear.of("status")[-1]["reason"] == "connection lost"

    asyncio.run(go())


@pytest.mark.alone  # a quarter of a second is a promise for a machine that has time
def test_kill_in_an_outage(broker: Mosquitto, tmp_path: Path) -> None:
    """kill -9, broker away: all offered more than 0.25 s before (the promise) arrives after a restart."""
    broker.stop()
    offered = kill_after(child(broker, tmp_path / "outbox.sqlite"), 400)
    promised = sum(1 for at in offered if at < offered[-1] - 0.25)
    assert promised > 100
    broker.start()

    async def go() -> None:
        async with Listener(broker.port) as ear, running(make(broker, tmp_path)) as sink:
            await until(lambda: sink.status()["state"] == "online" and sink.status()["outbox"] == 0, "sent")
            last = offer_numbered(sink, 100_000, 1)
            await until(lambda: ear.of("stage") and ear.of("stage")[-1]["stage"] == last[0], "the new one last")
            stages = ear.of("stage")
            assert [s["stage"] for s in stages[:-1]] == [f"s{n}" for n in range(len(stages) - 1)]
            assert len(stages) - 1 >= promised
            assert len({s["id"] for s in stages}) == len(stages)

    asyncio.run(go())


SECRET = "s3cret-w0rd-of-the-test"


@pytest.fixture
def guarded(tmp_path: Path) -> Iterator[Mosquitto]:
    passwords = tmp_path / "passwords"
    passwords.touch(mode=0o600)
    subprocess.run(["mosquitto_passwd", "-b", str(passwords), "bench", SECRET], check=True, capture_output=True)
    peer = Mosquitto(tmp_path / "broker", ["allow_anonymous false", f"password_file {passwords}"])
    peer.start()
    yield peer
    peer.stop()


def test_wrong_password_then_right(guarded: Mosquitto, tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """A wrong password is told with what to check, never itself; corrected in the file, everything is sent."""
    caplog.set_level(logging.DEBUG)
    file = tmp_path / "password"
    file.write_text(SECRET + "-wrong\n")

    async def go() -> None:
        sink = make(guarded, tmp_path, user="bench", password_file=file)
        async with running(sink):
            want = offer_numbered(sink, 0, 3)
            await until(lambda: "mqtt.password_file" in sink.status()["reason"], "told")
            assert "user or password is wrong" in sink.status()["reason"]
            assert SECRET not in json.dumps(sink.status()) + repr(sink.settings)
            file.write_text(SECRET + "\n")
            async with Listener(guarded.port, username="bench", password=SECRET) as ear:
                await until(lambda: len(ear.events()) == 3, "sent")
                assert [e["stage"] for e in ear.events()] == want
                assert all(SECRET.encode() not in m.payload for m in ear.messages)

    asyncio.run(go())
    assert SECRET not in caplog.text
    assert caplog.text.count("user or password is wrong") == 1, "told once, not at every try"


HOSTILE = [
    "a/b",
    "#",
    "+",
    "../x",
    "$SYS",
    "nul\0nul",
    "na\u00efve \U0001f4a5",
    "% 2F%2f",
    "x\n\x1b[31m",
    "a" * 300,
]


def test_hostile_names(broker: Mosquitto, tmp_path: Path) -> None:
    """Machine and bench names with wildcards, slashes, NUL: each keeps to its level and reads back."""

    async def go() -> None:
        async with Listener(broker.port) as ear:
            async with running(make(broker, tmp_path, bench="be/n#ch+", machines=HOSTILE)) as sink:
                for name in HOSTILE:
                    sink.offer(Teller(name).stage(1.0, "memory"))
                await until(lambda: len(ear.events()) == len(HOSTILE), "all")
            for message in ear.messages:
                levels = str(message.topic).split("/")
                assert levels[0] == "benchd" and unquote(levels[1]) == "be/n#ch+"
                if levels[2] != "status":
                    assert len(levels) == 5
                    assert unquote(levels[3]) == json.loads(message.payload)["machine"]
            assert [e["machine"] for e in ear.events()] == HOSTILE

    asyncio.run(go())


SCHEMA_OF = {
    "status": "bench-status",
    "state": "machine-state",
    "alert": "machine-alert",
    "code": "code-event",
    "stage": "stage-event",
    "finding": "finding-event",
    "boot": "boot-event",
    "link": "link-event",
}


def test_payloads_follow_the_published_schemas(broker: Mosquitto, tmp_path: Path) -> None:
    """Every message on the wire validates (jsonschema library) against what `benchd schema` prints."""
    schemas = {}
    for leaf, name in SCHEMA_OF.items():
        done = CliRunner().invoke(build(), ["schema", name])
        assert done.exit_code == 0
        schemas[leaf] = json.loads(done.stdout)
        jsonschema.Draft202012Validator.check_schema(schemas[leaf])

    async def go() -> None:
        t = Teller(trial="study/1")
        story = [t.link(0.0, False, reason="un\x1bplugged"), *t.good_boot(), t.started(20, "b2"), t.raised(30)]
        story += [t.cleared(31, 1.0), t.link(32, True), t.raised(33, "fault"), t.code(34, "FF", None, None)]
        async with Listener(broker.port) as ear:
            async with running(make(broker, tmp_path)) as sink:
                for event in story:
                    sink.offer(event)
                await until(lambda: len(ear.events()) == len(story), "all events")
            await until(lambda: not ear.of("status")[-1]["online"], "goodbye")
            leaves = set()
            for message in ear.messages:
                leaf = str(message.topic).rpartition("/")[2]
                leaves.add(leaf)
                jsonschema.validate(json.loads(message.payload), schemas[leaf])
            assert leaves == set(SCHEMA_OF)
            boots = ear.of("boot")
            boot_schema = json.loads(CliRunner().invoke(build(), ["schema", "boot"]).stdout)
            for boot in boots:
                jsonschema.validate(boot["record"], boot_schema)

    asyncio.run(go())
