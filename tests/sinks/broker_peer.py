"""A real Mosquitto on a free loopback port, with settings and directory of its own, ended by its process id."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import socket
import subprocess
import time
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import aiomqtt
from sinks.story import Teller

from benchd.clock import Backoff
from benchd.sinks.mqtt.settings import MqttSettings
from benchd.sinks.mqtt.sink import MqttSink


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])


class Mosquitto:
    """One broker; `extra` are lines of its settings file. Keeps its port over restarts."""

    def __init__(self, folder: Path, extra: list[str] | None = None) -> None:
        folder.mkdir(exist_ok=True)
        self.folder = folder
        self.port = free_port()
        self.extra = ["allow_anonymous true"] if extra is None else extra
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        lines = [f"listener {self.port} 127.0.0.1", *self.extra, "persistence true"]
        # A listener that is slow, or not back yet, must not lose what waits for it.
        lines += [f"persistence_location {self.folder}/", "log_type all", "max_queued_messages 0"]
        if os.getuid() == 0:
            lines.append("user root")
        (self.folder / "broker.conf").write_text("\n".join(lines) + "\n")
        with open(self.folder / "broker.log", "ab") as log:
            args = ["mosquitto", "-c", str(self.folder / "broker.conf")]
            self.process = subprocess.Popen(args, stdout=log, stderr=log)
        end = time.monotonic() + 10
        while True:
            try:
                socket.create_connection(("127.0.0.1", self.port), 1).close()
                return
            except OSError:
                if time.monotonic() > end or self.process.poll() is not None:
                    raise AssertionError((self.folder / "broker.log").read_text()) from None
                time.sleep(0.02)

    def stop(self) -> None:
        if self.process is not None:
            self.process.send_signal(signal.SIGCONT)
            self.process.terminate()
            self.process.wait(10)
            self.process = None

    def freeze(self) -> None:
        assert self.process is not None
        self.process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        assert self.process is not None
        self.process.send_signal(signal.SIGCONT)


class Listener:
    """A subscriber of its own session: keeps every message, reconnects when the broker comes back.

    Its session lives in the broker only while the broker does; `gaps` of the broker are the sink's to bridge.
    """

    def __init__(self, port: int, **login: Any) -> None:
        self.port, self.login = port, login
        self.messages: list[aiomqtt.Message] = []
        self.ready = asyncio.Event()
        self._task: asyncio.Task[None] | None = None

    async def __aenter__(self) -> Listener:
        self._task = asyncio.create_task(self._run())
        await asyncio.wait_for(self.ready.wait(), 30)
        return self

    async def __aexit__(self, *_: object) -> None:
        assert self._task is not None
        self._task.cancel()
        await asyncio.wait([self._task])

    async def _run(self) -> None:
        while True:
            try:
                async with aiomqtt.Client(
                    "127.0.0.1",
                    self.port,
                    protocol=aiomqtt.ProtocolVersion.V5,
                    identifier="listener",
                    clean_start=False,
                    properties=long_session(),
                    **self.login,
                ) as client:
                    await client.subscribe("#", qos=1)
                    self.ready.set()
                    async for message in client.messages:
                        if not str(message.topic).endswith("/ask"):  # what a bench hears, not what it says
                            self.messages.append(message)
            except aiomqtt.MqttError:
                await asyncio.sleep(0.05)

    def of(self, leaf: str) -> list[dict[str, Any]]:
        """Return the payloads on topics ending in `/leaf`, in order of arrival."""
        return [json.loads(m.payload) for m in self.messages if str(m.topic).endswith("/" + leaf)]

    def events(self) -> list[dict[str, Any]]:
        """Return all event payloads in order of arrival, doubles included."""
        return [p for m in self.messages if "id" in (p := json.loads(m.payload))]


def long_session() -> Any:
    from paho.mqtt.packettypes import PacketTypes
    from paho.mqtt.properties import Properties

    properties = Properties(PacketTypes.CONNECT)
    properties.SessionExpiryInterval = 600
    return properties


async def until(condition: Callable[[], Any], what: str = "", seconds: float = 60) -> None:
    """Wait for a condition; fail saying what it was."""
    end = time.monotonic() + seconds
    while not condition():
        if time.monotonic() > end:
            raise AssertionError(f"not within {seconds} s: {what}")
        await asyncio.sleep(0.01)


def first_seen(events: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Drop doubles as a receiver would: by id. Doubles must be equal to the first."""
    seen: dict[str, dict[str, Any]] = {}
    for event in events:
        assert seen.setdefault(event["id"], event) == event
    return list(seen.values())


def make(broker: Mosquitto, tmp_path: Path, bench: str = "bench1", **more: Any) -> MqttSink:
    more = {"url": f"mqtt://127.0.0.1:{broker.port}", "timeout": 5.0} | more
    machines = more.pop("machines", ["at286"])
    settings = MqttSettings.model_validate(more)
    backoff = Backoff(first_s=0.05, cap_s=0.2)
    return MqttSink(settings, bench, tmp_path / "outbox.sqlite", machines=machines, backoff=backoff)


@contextlib.asynccontextmanager
async def running(sink: MqttSink) -> AsyncIterator[MqttSink]:
    task = asyncio.create_task(sink.run())
    try:
        yield sink
    finally:
        await sink.close()
        await asyncio.wait_for(task, 30)


def offer_numbered(sink: MqttSink, start: int, count: int) -> list[str]:
    """Offer `count` stages named by number; return their names."""
    t = Teller()
    for n in range(start, start + count):
        sink.offer(t.stage(float(n), f"s{n}", n))
    return [f"s{n}" for n in range(start, start + count)]
