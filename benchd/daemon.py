"""The daemon: wiring only. Machines, store, sinks and the server, in one event loop.

Readers put records into their machine's inbox, its keeper writes them to the capture, the loop judges them and hands
events to the sinks, each of which has its own queue. Nothing that follows a reader can make it wait.
"""

from __future__ import annotations

import asyncio
import logging
import os
from collections.abc import Awaitable, Callable
from contextlib import suppress
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

from benchd.clock import SYSTEM, Clock
from benchd.errors import BenchError, UsageError
from benchd.rules.files import load_table_text
from benchd.settings import LoadedSettings
from benchd.sinks.alerts.sink import AlertSink
from benchd.sinks.base import Sink
from benchd.sinks.metrics import Metrics
from benchd.sinks.page_feed import PageFeed
from benchd.sinks.store_sink import StoreSink
from benchd.store import Store, Trial
from benchd.upkeep.tidying import LOOK_S, Tidying
from benchd.vocabulary.events import AlarmSilenced, CodeSeen, Event, LineSeen
from benchd.vocabulary.measured import SetupDiffers
from benchd.vocabulary.models import Boot, GoalNow
from benchd.vocabulary.times import NS, Anchor
from benchd.watch.attention import Attention
from benchd.watch.figures import Figures
from benchd.watch.folder import lock_data
from benchd.watch.judging import Judging
from benchd.watch.keeping import REST_S, Writing
from benchd.watch.learning import Learner
from benchd.watch.recovering import Recovering
from benchd.watch.reloading import reload_tables
from benchd.watch.setups import SetupWatch
from benchd.watch.shared_limits import SharedLimits
from benchd.watch.telling import Telling
from benchd.watch.trials import TrialFollower
from benchd.watch.verdicts import VerdictWatch
from benchd.watch.watcher import MachineWatcher, MakeReader, port_reader, stop_all
from benchd.web.server import WebServer
from benchd.worker import Worker

log = logging.getLogger(__name__)

TICK_S = 0.05
FIGURES_S = 1.0
TRIAL_S = 0.25
READERS_S = 1.0
SINKS_S = 3.0
"""What ports, and then sinks and server, may take to end; a frozen store is left behind."""
MANY = (CodeSeen, LineSeen)
"""Most events are of these types, and are for sinks only."""


class Daemon:
    """One bench. `run` works until `stop` is called (from the loop's thread)."""

    def __init__(self, loaded: LoadedSettings, *, clock: Clock = SYSTEM, reader: MakeReader = port_reader) -> None:
        self.loaded, self.clock = loaded, clock
        settings = loaded.settings
        tables = [(part, *load_table_text(part.rules, loaded.base)) for part in settings.machine]
        self._lock = lock_data(loaded.data)
        self.store = Store.open(loaded.store_url, data=loaded.data, lazily=True)
        self.anchor = Anchor(clock.time_ns(), clock.monotonic_ns())
        self.now = PageFeed(clock)
        self.metrics = Metrics(trial_series=settings.metrics.trial_series)
        self.runs: dict[str, MachineWatcher] = {}
        self.reload_problem: str | None = None
        self._stopping = asyncio.Event()
        self.judging = Judging(self.runs, clock, self._dispatch, self.metrics.observed)
        # A clock that is turned by hand stands still meanwhile: there is nothing to wait for.
        writing = Writing(REST_S if clock is SYSTEM else 0.0)
        for part, table, text in tables:
            captures = loaded.data / "captures"
            run = MachineWatcher(
                part, table, text, captures, self.anchor, base=loaded.base, clock=clock, reader=reader,
                kept=partial(self.judging.kept, part.name), writing=writing,
                limit_bytes=settings.bench.capture_size_mb << 20,
            )  # fmt: skip
            self._add(run)
        self.telling = Telling()
        self._saving, self._ending = Worker("store"), Worker("end")
        self.shared = SharedLimits(
            lambda: loaded.archive_url, self.runs, lambda name: self.learner.at_once(name), clock
        )
        self.learner = Learner(
            self.store, self.runs, lambda name, ls: self.now.describe(name, limits=ls), clock, self.shared.of
        )
        self.trials = TrialFollower(self.store, self.runs, self._trial, clock, _trial_left)
        self.verdicts = VerdictWatch(
            self.store, self.runs, lambda name: self.now.live[name].boot, self.now.remember, self._goal, _goal_now
        )
        self.setups = SetupWatch(self.store, self.runs, _setup_differs)
        self.storing = StoreSink(self.store, self._capture_of, self._saved, self._saving.run)
        self.recovering = Recovering(self.store, self.runs, self._tell, self.storing.settled)
        self.figures = Figures(self.runs, self.metrics)
        self.tidying = Tidying(loaded, self.store, self._written_now, self.metrics, clock)
        self.attention = Attention([run.inbox for run in self.runs.values()], clock)
        self.sinks: list[Sink] = [self.metrics, self.now, self.storing]
        if settings.mqtt is not None:
            from benchd.sinks.mqtt.sink import MqttSink  # here: most benches have no broker

            mqtt = settings.mqtt.relative_to(loaded.base)
            outbox = loaded.data / "outbox.db"
            self.sinks.append(
                MqttSink(
                    mqtt, settings.bench.name, outbox, machines=list(self.runs), store=self.store,
                    unsaved=self.storing.unsaved,
                )
            )  # fmt: skip
        if settings.alert.wanted:
            urls = loaded.resolve(settings.alert.notify_file)
            alert = settings.alert.model_copy(update={"notify_file": urls})
            self.sinks.append(
                AlertSink(alert, settings.bench.name, loaded.data / "alerts.json", clock=clock.monotonic_ns)
            )
        for sink in self.sinks[1:]:
            self.metrics.follow(sink.status)
        self.server = WebServer(self)

    def _add(self, run: MachineWatcher) -> None:
        self.runs[run.name] = run
        self.now.add(run.name, run.table.name, [s.name for s in run.table.stage], [info.name for info in run.links])
        self.now.follow(run.name, run.due)
        for info in run.links:
            self.metrics.link_up(run.name, info.name, False)
            self.metrics.received(run.name, info.name, 0)

    @property
    def learned(self) -> dict[str, dict[str, Any]]:
        return self.learner.learned

    @property
    def disk(self) -> dict[str, object]:
        return self.tidying.health()

    @property
    def behind(self) -> dict[str, float]:
        return self.figures.behind

    def _saved(self, boot: Boot) -> None:
        self.learner.saved(boot)
        self.setups.saved(boot)

    def _written_now(self) -> set[Path]:
        return {path for run in self.runs.values() if (path := run.keeper.path) is not None}

    def _capture_of(self, machine: str) -> str | None:
        path = self.runs[machine].keeper.path
        return str(path) if path else None

    # ------------------------------------------------------------------ running

    async def run(self, ready: Callable[[], None] | None = None) -> None:
        """Work until stopped. Raises ExternalError where the server's address cannot be taken."""
        try:
            self.server.bind()
            await self._work(ready)
        except BaseExceptionGroup as group:
            told, _ = group.split(BenchError)
            while told is not None:
                first = told.exceptions[0]
                if not isinstance(first, BaseExceptionGroup):
                    raise first from None
                told = first
            raise
        finally:
            stop_all(list(self.runs.values()), 0.0)
            self.close()

    def close(self) -> None:
        """Give up store and data directory; `run` does it at its end."""
        for part in (
            self.attention,
            self.recovering,
            self.shared,
            self.learner,
            self.trials,
            self.verdicts,
            self.setups,
            self.tidying,
            self._saving,
            self._ending,
        ):
            part.stop() if isinstance(part, Attention) else part.close()
        self.store.close()
        if self._lock >= 0:
            os.close(self._lock)
            self._lock = -1

    async def _work(self, ready: Callable[[], None] | None) -> None:
        async with asyncio.TaskGroup() as group:
            for run in self.runs.values():
                run.start()
            if self.clock is SYSTEM:  # a clock that is turned by hand tells nothing of our attention
                self.attention.start()
            if ready is not None:
                ready()
            recovery = group.create_task(self._guard("recovery", self.recovering.work), name="recovery")
            tasks = [recovery, group.create_task(self.judging.work(), name="records")]
            tasks += [
                group.create_task(self._every(seconds, work), name=work.__name__)
                for seconds, work in (
                    (TICK_S, self._tick), (FIGURES_S, self._figure), (TRIAL_S, self.trials.work),
                    (TRIAL_S, self.learner.work), (TRIAL_S, self.setups.work), (FIGURES_S, self.recovering.remember),
                    (FIGURES_S, self.verdicts.work), (LOOK_S, self.tidying.work),
                    (FIGURES_S, self.shared.work),
                )
            ]  # fmt: skip
            sinks = [group.create_task(self._guard(sink.name, sink.run), name=sink.name) for sink in self.sinks]
            web = group.create_task(self.server.serve(), name="server")
            await self._stopping.wait()
            for task in tasks:  # first of all: a loop that is behind would come to the rest late
                task.cancel()
            await self._ending.run(stop_all, list(self.runs.values()), READERS_S)
            self.judging.drain()
            self.server.stop()
            closing = [group.create_task(sink.close(), name=f"end of {sink.name}") for sink in self.sinks]
            await asyncio.wait([*closing, *sinks, web], timeout=SINKS_S)
            with suppress(TimeoutError):
                await asyncio.wait_for(self.recovering.remember(ended=True), 1.0)
            for task in (*closing, *sinks, web):
                task.cancel()

    def stop(self) -> None:
        """Ask `run` to end: readers first, then what they brought, then the sinks."""
        for run in self.runs.values():
            run.inbox.closing_ns = self.clock.monotonic_ns()
        self.recovering.stop()
        self.tidying.stop()
        self._stopping.set()

    async def _guard(self, name: str, work: Callable[[], Awaitable[None]]) -> None:
        """Run a part; one that fails is told of and started again, and never takes the others with it."""
        while not self._stopping.is_set():
            try:
                await work()
                return
            except Exception:
                log.exception("%s failed; starting it again", name)
                await asyncio.sleep(1.0)

    async def _every(self, seconds: float, work: Callable[[], Awaitable[None]]) -> None:
        while True:
            await self._guard(work.__name__, work)
            await asyncio.sleep(seconds)

    # ------------------------------------------------------------------ what is done again and again

    async def _tick(self) -> None:
        for run in self.judging.tick():
            self.now.describe(run.name, table=run.table.name, ladder=[s.name for s in run.table.stage])
            self.learner.soon(run.name)

    async def _figure(self) -> None:
        self.figures.look()
        for run in self.runs.values():
            run.check_wall()

    def _dispatch(self, run: MachineWatcher, events: list[Event]) -> None:
        for event in events:
            if not isinstance(event, MANY):
                self.telling.event(event, run.table.table.judges)
                self.recovering.notice(run, event)
            for sink in self.sinks:
                sink.offer(event)

    def _tell(self, run: MachineWatcher, events: list[Event], stored: bool) -> None:
        for event in events:
            for sink in self.sinks:
                if not (stored and sink is self.storing):
                    sink.offer(event)

    def _trial(self, machine: str, facts: dict[str, str | None]) -> None:
        self.telling.trial(machine, facts)
        self.now.describe(machine, **facts)

    def _goal(self, machine: str, goal: GoalNow | None) -> None:
        # A stall may pass: what it means for the goal is said when the boot is over.
        if goal is not None and goal.ok is not None and goal.over:
            self.telling.goal(machine, goal)
        self.now.describe(machine, goal=goal)

    def silence(self, machine: str, kind: str, rule: str, for_s: float) -> None:
        """Let nothing be heard of what stands on a machine for so long; 0: let it be heard again.

        Raises UsageError where it does not stand.
        """
        if (machine, kind, rule) not in self.now.live[machine].standing:
            raise UsageError(f"{kind} {rule!r} does not stand on {machine} any more: there is nothing to silence")
        now_ns = self.clock.monotonic_ns()
        self._tell(self.runs[machine], [AlarmSilenced(machine, now_ns, kind, rule, now_ns + round(for_s * NS))], True)

    # ------------------------------------------------------------------ reload

    def reload(self) -> None:
        """Read the rule tables again (SIGHUP). A table that is wrong is told of and the old one kept."""
        self.reload_problem = reload_tables(self.runs.values(), self.loaded.base)


def _trial_left(trial: Trial, now: datetime) -> str | None:
    """Says of a running trial that it was left running since an earlier day."""
    from benchd.studies.undo import forgotten

    return forgotten(trial, now)


def _setup_differs(store: Store, boot: Boot) -> tuple[SetupDiffers, ...]:
    """What a boot's report contradicts of its trial's setup; studies are needed only where there is one."""
    from benchd.studies.loaded import boot_differs

    return boot_differs(store, boot)


def _goal_now(store: Store, trial: Trial, boot: Boot | None) -> GoalNow:
    """What a running trial is for, and whether its newest boot reached it; studies are needed only then."""
    from benchd.studies.goalnow import goal_now

    return goal_now(store, trial, boot)
