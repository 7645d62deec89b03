"""A whole daemon on a virtual clock: hours pass in seconds, and nothing waits for real time but its threads.

The event loop's time is a `HandClock`; when nothing is to be done it jumps to the next instant at which something is.
Links are `Source`s, so there are no ports. Threads are real: the clock stands while one of them has work.
"""

from __future__ import annotations

import asyncio
import selectors
from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path
from typing import Any

import pytest
from support.pipelines import HandClock, Source

from benchd.daemon import Daemon
from benchd.settings import LinkPart, load_settings
from benchd.vocabulary.records import Chunk, LinkInfo, LinkState, Record
from benchd.vocabulary.times import NS
from benchd.worker import Worker


class VirtualSelector(selectors.DefaultSelector):
    """Passes on what really happens; where nothing does and nobody works, moves the clock on instead of waiting."""

    def __init__(self, clock: HandClock, busy: Callable[[], bool]) -> None:
        super().__init__()
        self._clock, self._busy = clock, busy

    def select(self, timeout: float | None = None) -> list[Any]:
        events = super().select(0)
        if events or timeout == 0:
            return events
        if timeout is None or timeout <= 0 or self._busy():
            return super().select(0.001)
        self._clock.now_ns += round(timeout * 1e9) + 1
        return []


class VirtualLoop(asyncio.SelectorEventLoop):
    def __init__(self, clock: HandClock, busy: Callable[[], bool]) -> None:
        super().__init__(VirtualSelector(clock, lambda: self.jobs > 0 or busy()))
        self._clock, self._began_ns = clock, clock.now_ns
        self.jobs = 0
        """What threads work at for this loop: the clock stands meanwhile. Those of a `Worker` see `count_workers`."""

    def time(self) -> float:
        """Seconds since this loop began: from 2^24 s a float has no nanoseconds, and asyncio's timers spin."""
        return (self._clock.now_ns - self._began_ns) / 1e9

    def run_in_executor(self, executor: Any, func: Callable[..., Any], *args: Any) -> asyncio.Future[Any]:
        """As asyncio's. The clock stands while the thread works."""
        future = super().run_in_executor(executor, func, *args)
        self.jobs += 1
        future.add_done_callback(self._job_done)
        return future

    def _job_done(self, future: asyncio.Future[Any]) -> None:
        self.jobs -= 1


def count_workers(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the clock of a `VirtualLoop` stand while a `Worker` works for it."""
    run_job = Worker.run

    async def counted(worker: Worker, job: Callable[..., Any], *args: Any) -> Any:
        loop = asyncio.get_running_loop()
        assert isinstance(loop, VirtualLoop)
        loop.jobs += 1
        try:
            return await run_job(worker, job, *args)
        finally:
            loop.jobs -= 1

    monkeypatch.setattr(Worker, "run", counted)


class VirtualBench:
    """A daemon under test and its links: `links[machine, link]` is a `Source`."""

    def __init__(self, folder: Path, toml: str, monkeypatch: pytest.MonkeyPatch, now_s: float = 1000.0) -> None:
        self.clock = HandClock(round(now_s * NS))
        self.folder, self.toml = folder, toml
        self.links: dict[str, Source] = {}
        self._daemon: Daemon | None = None
        count_workers(monkeypatch)

    def _reader(self, info: LinkInfo, link: LinkPart, deliver: Callable[[Record], None]) -> Source:
        source = self.links[info.port] = Source(info, link, deliver)
        return source

    def _busy(self) -> bool:
        daemon = self._daemon
        return daemon is not None and any(len(run.inbox) for run in daemon.runs.values())

    def send(self, port: str, data: bytes) -> None:
        source = self.links[port]
        source.send(Chunk(source.name, self.clock.now_ns, data))

    def up(self) -> None:
        for source in self.links.values():
            source.send(LinkState(source.name, self.clock.now_ns, True, "open"))

    async def play(self, port: str, codes: tuple[tuple[float, int], ...]) -> None:
        """Send codes at given seconds from now."""
        at = 0.0
        for t_s, code in codes:
            await asyncio.sleep(t_s - at)
            at = t_s
            self.send(port, bytes([code]))

    def run(self, story: Callable[[Daemon], Awaitable[None]]) -> None:
        """Run a daemon while `story` is told, then stop it."""
        (self.folder / "bench.toml").write_text(f'[http]\nlisten = "127.0.0.1:0"\n{self.toml}')

        async def both() -> None:
            self._daemon = daemon = Daemon(
                load_settings(self.folder / "bench.toml"), clock=self.clock, reader=self._reader
            )
            ready = asyncio.Event()
            work = asyncio.create_task(daemon.run(ready.set))
            begun = asyncio.create_task(ready.wait())
            await asyncio.wait([begun, work], return_when=asyncio.FIRST_COMPLETED)
            if not ready.is_set():
                begun.cancel()
                return await work  # raises what kept it from beginning
            self.up()
            try:
                await story(daemon)
            finally:
                daemon.stop()
                await work

        with asyncio.Runner(loop_factory=lambda: VirtualLoop(self.clock, self._busy)) as runner:
            runner.run(both())


def machine_toml(name: str, port: str = "post", table: str = "t.toml", extra: Mapping[str, str] | None = None) -> str:
    return f'[[machine]]\nname = "{name}"\nrules = "{table}"\n[[machine.link]]\nkind = "post"\nport = "{port}"\n'
