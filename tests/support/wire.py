"""A broker in memory on a virtual clock: what a bench's sink and an archive say to each other, and when; some is lost.

It stands for the network only: `Broker` and `Subscriber` are replaced, all above them is the real thing. How a real
broker does it is tried by the tests that have one.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from types import ModuleType, SimpleNamespace
from typing import Any, NamedTuple, Self

import pytest
from support.pipelines import HandClock
from support.virtual import VirtualLoop, count_workers

from benchd.archive import filling, listening, running
from benchd.archive.subscriber import Delivery
from benchd.sinks.mqtt import session, sink
from benchd.vocabulary.times import NS


class Said(NamedTuple):
    at_s: float
    topic: str
    payload: bytes


class Wire:
    """`said` is all that was said, with the time; `loses(topic, payload)` decides what nobody hears."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, now_s: float = 1000.0) -> None:
        self.clock = HandClock(round(now_s * NS))
        self.said: list[Said] = []
        self.loses: Callable[[str, bytes], bool] = lambda topic, payload: False
        self.kept: dict[str, bytes] = {}
        self._ears: list[tuple[Callable[[str], bool], asyncio.Queue[Any]]] = []
        wire = self

        class Broker:
            def __init__(self, settings: Any, *_: Any) -> None:
                self.in_flight = settings.in_flight
                self._heard: asyncio.Queue[Any] = asyncio.Queue()

            async def __aenter__(self) -> Self:
                return self

            async def __aexit__(self, *_: object) -> None:
                return

            async def send(
                self, topic: str, payload: bytes, *, retain: bool = False, expiry_s: int | None = None
            ) -> None:
                await asyncio.sleep(0)
                wire.say(topic, payload, retain)

            async def hear(self, topic: str) -> None:
                wire._ears.append((topic.__eq__, self._heard))

            async def lost(self, heard: Callable[[Any], None]) -> None:
                while True:
                    topic, payload = await self._heard.get()
                    heard(SimpleNamespace(topic=topic, payload=payload, retain=False))

        class Subscriber(Broker):
            def __init__(self, settings: Any, *_: Any, in_flight: int, session_s: float) -> None:
                super().__init__(settings)

            async def subscribe(self, wanted: Sequence[str]) -> None:
                wire._ears.append((lambda topic: not topic.endswith("/ask"), self._heard))
                for kept in wire.kept.items():
                    self._heard.put_nowait(kept)

            async def deliveries(self) -> AsyncIterator[Delivery]:
                number = 0
                while True:
                    topic, payload = await self._heard.get()
                    number += 1
                    yield Delivery(topic, payload, 1, number)

            def acknowledge(self, taken: Sequence[Delivery]) -> None:
                return

        monkeypatch.setattr(session, "Broker", Broker)
        monkeypatch.setattr(filling, "Broker", Broker)
        monkeypatch.setattr(listening, "Subscriber", Subscriber)
        clock = SimpleNamespace(monotonic=lambda: self.clock.now_ns / NS, monotonic_ns=self.clock.monotonic_ns)
        module: ModuleType
        for module in (session, sink, filling, listening, running):
            monkeypatch.setattr(module, "time", clock)
        count_workers(monkeypatch)

    def say(self, topic: str, payload: bytes, retain: bool = False) -> None:
        self.said.append(Said(self.clock.now_ns / NS, topic, payload))
        if self.loses(topic, payload):
            return
        if retain:
            self.kept[topic] = payload
        for wants, ear in self._ears:
            if wants(topic):
                ear.put_nowait((topic, payload))

    def on(self, leaf: str) -> list[Said]:
        """What was said on topics that end in `/leaf`."""
        return [one for one in self.said if one.topic.endswith(f"/{leaf}")]

    def run(self, story: Callable[[], Awaitable[None]]) -> None:
        """Tell a story on the virtual clock, which stands while a thread works."""
        with asyncio.Runner(loop_factory=lambda: VirtualLoop(self.clock, lambda: False)) as runner:
            runner.run(story())  # type: ignore[arg-type]
