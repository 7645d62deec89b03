"""The loop's turns: who waits longest comes first, one wake for many records, and a fault of ours ends the work."""

from __future__ import annotations

import asyncio
import os
from collections import Counter, deque
from types import SimpleNamespace
from typing import Any, cast

import pytest
from support.pipelines import HandClock

from benchd.vocabulary.records import Chunk, Record
from benchd.watch.judging import TURN_NS, Judging


class Machine:
    """A machine of which so many records wait; judging one takes `cost_ns` of the clock."""

    def __init__(self, name: str, clock: HandClock, cost_ns: int) -> None:
        self.name, self.clock, self.cost_ns = name, clock, cost_ns
        self.waiting: deque[Record] = deque()

    def put(self, count: int) -> None:
        self.waiting += [Chunk("post", self.clock.now_ns, b"\x01")] * count

    def judge(self) -> tuple[list[Record], list[Any]]:
        if not self.waiting:
            return [], []
        self.clock.now_ns += self.cost_ns
        return [self.waiting.popleft()], []


class Bench:
    def __init__(self, names: str, cost_ns: int) -> None:
        self.clock = HandClock(1)
        self.machines = {name: Machine(name, self.clock, cost_ns) for name in names}
        self.order: list[str] = []
        self.judging = Judging(
            cast(Any, self.machines), self.clock, lambda run, events: self.order.append(run.name), lambda name, s: None
        )

    async def settle(self) -> None:
        while any(machine.waiting for machine in self.machines.values()):
            await asyncio.sleep(0)


def test_a_flood_leaves_the_others_their_turn() -> None:
    """While a has records for a hundred turns, each record of b and c is judged after one turn of a's at most."""
    bench = Bench("abc", TURN_NS // 10)

    async def play() -> None:
        work = asyncio.create_task(bench.judging.work())
        await asyncio.sleep(0)
        bench.machines["a"].put(1_000)
        bench.judging.kept("a")
        while bench.machines["a"].waiting:
            for name in "bc":
                bench.machines[name].put(1)
                bench.judging.kept(name)
            await asyncio.sleep(0)
        work.cancel()

    asyncio.run(play())
    runs = "".join(bench.order).replace("b", " ").replace("c", " ").split()
    assert max(map(len, runs)) <= 20, "two turns of ten records, where others came between them"
    assert Counter(bench.order)["b"] >= 99


def test_a_turn_is_not_longer_than_promised_to_the_server() -> None:
    """However many machines have records, others get the loop after one turn and a record."""
    bench = Bench("abcdefgh", TURN_NS // 4)
    longest = 0

    async def play() -> None:
        nonlocal longest
        for name, machine in bench.machines.items():
            machine.put(20)
            bench.judging.kept(name)
        work = asyncio.create_task(bench.judging.work())
        while any(machine.waiting for machine in bench.machines.values()):
            before = bench.clock.now_ns
            await asyncio.sleep(0)
            longest = max(longest, bench.clock.now_ns - before)
        work.cancel()

    asyncio.run(play())
    assert Counter(bench.order) == dict.fromkeys("abcdefgh", 20)
    assert 0 < longest <= TURN_NS + TURN_NS // 4


def test_many_batches_wake_the_loop_once(monkeypatch: pytest.MonkeyPatch) -> None:
    bench, calls = Bench("ab", 1), []

    async def play() -> None:
        work = asyncio.create_task(bench.judging.work())
        await asyncio.sleep(0)
        real = os.eventfd_write

        def counted(fd: int, value: int) -> None:
            calls.append(fd)
            real(fd, value)

        monkeypatch.setattr(os, "eventfd_write", counted)
        for _ in range(50):
            for name in "ab":
                bench.machines[name].put(1)
                bench.judging.kept(name)
        await bench.settle()
        work.cancel()

    asyncio.run(play())
    assert len(calls) == 1 and len(bench.order) == 100


def test_a_fault_of_ours_ends_the_work() -> None:
    """It is not lost in a callback: whoever waits for the work gets it."""

    def judge() -> tuple[list[Record], list[Any]]:
        raise RuntimeError("a fault")

    runs = cast(Any, {"a": SimpleNamespace(name="a", judge=judge)})
    judging = Judging(runs, HandClock(1), lambda run, events: None, lambda name, s: None)
    with pytest.raises(RuntimeError, match="a fault"):
        asyncio.run(judging.work())
