"""The daemon: wiring only. Links, streets, captures, store, sinks and the server, in one event loop.

Reader threads put records into one queue and wake the loop; the loop keeps and judges them and hands events
to the sinks, each of which has its own queue. Nothing that follows a reader can make it wait.
"""

from __future__ import annotations

import asyncio
import contextlib
import fcntl
import logging
import os
import time
from collections import Counter, deque
from collections.abc import Callable, Coroutine
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

from benchd.boots.deadlines import stage_limit
from benchd.boots.limits import Limit
from benchd.capture.keeper import RECORD_BYTES
from benchd.errors import BenchError, ExternalError
from benchd.inference.limits import learned_limit
from benchd.rules import RuleTable
from benchd.rules.files import load_table_text
from benchd.settings import LoadedSettings, MachinePart
from benchd.sinks.alerts.sink import AlertSink
from benchd.sinks.base import Sink
from benchd.sinks.metrics import Metrics
from benchd.sinks.mqtt.sink import MqttSink
from benchd.sinks.page_feed import PageFeed
from benchd.sinks.store_sink import StoreSink
from benchd.store import Store
from benchd.vocabulary.events import BootOver, Event, LinkChanged
from benchd.vocabulary.models import Boot
from benchd.vocabulary.records import Chunk, LinkState, Record
from benchd.vocabulary.times import Anchor
from benchd.watch.recover import recover
from benchd.watch.watcher import MachineWatcher
from benchd.web.server import WebServer

log = logging.getLogger(__name__)

LOCK = "benchd.lock"
TICK_S = 0.05
SYNC_S = 0.5
"""Captures are put on disk this often; the promise is 1 s."""
FIGURES_S = 1.0
TRIAL_S = 0.25
TRIAL_BACK_NS = 5_000_000_000
"""A boot that began this short before word of its trial came still gets it."""
TURN_S = 0.01
"""Records are handled for this long before other tasks (the server, the sinks) get their turn."""
WAITING_BYTES = 2 << 20
"""What one link may have waiting for the loop, `RECORD_BYTES` a record and its data: half a minute at least of a
full 115,200 baud line. Beyond it the newest are dropped, counted and told, and no other link suffers from it."""
OVERFLOW_S = 0.005
"""A reader that brings too much rests for this long: it still empties any serial line, but a flood over a network
leaves the loop the time to catch up."""
DRAIN_S = 1.0
"""What the readers brought is judged for this long after a request to stop; the rest is kept, for the next start."""


def lock_data(folder: Path) -> int:
    """Make the data directory this process's own; return the descriptor that holds it. Raises ExternalError."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        fd = os.open(folder / LOCK, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except OSError as error:
        raise ExternalError(f"data directory {folder} cannot be used: {error.strerror}; see bench.data") from None
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        owner = os.pread(fd, 20, 0).decode("ascii", "replace").strip() or "unknown"
        os.close(fd)
        raise ExternalError(
            f"data directory {folder} is in use by another benchd (process {owner}): end that one, or name "
            "another directory in bench.data"
        ) from None
    except OSError as error:  # a file system without locks
        log.warning("data directory %s cannot be locked: %s; mind that no other benchd uses it", folder, error.strerror)
    os.ftruncate(fd, 0)
    # On a full disk the number is missing, the lock holds all the same.
    with contextlib.suppress(OSError):
        os.pwrite(fd, f"{os.getpid()}\n".encode(), 0)
    return fd


class Daemon:
    """One bench. `run` works until `stop` is called (from the loop's thread)."""

    def __init__(self, loaded: LoadedSettings) -> None:
        self.loaded = loaded
        settings = loaded.settings
        tables = [(part, *load_table_text(part.rules, loaded.base)) for part in settings.machine]
        self._lock = lock_data(loaded.data)
        self.store = Store.open(loaded.store_url, data=loaded.data)
        self.anchor = Anchor(time.time_ns(), time.monotonic_ns())
        self.now = PageFeed()
        self.metrics = Metrics(trial_series=settings.metrics.trial_series)
        self.runs: dict[str, MachineWatcher] = {}
        self._overflowed: Counter[tuple[str, str]] = Counter()
        self._brought: Counter[tuple[str, str]] = Counter()
        self._fetched: Counter[tuple[str, str]] = Counter()
        self._records: deque[tuple[MachineWatcher, Record]] = deque()
        self._woken = False
        self.reload_problem: str | None = None
        for part, table, text in tables:
            self._add(part, table, text)
        self.storing = StoreSink(self.store, self._capture_of, self._saved)
        self.sinks: list[Sink] = [self.metrics, self.now, self.storing]
        if settings.mqtt is not None:
            names = [part.name for part in settings.machine]
            mqtt = settings.mqtt.relative_to(loaded.base)
            self.sinks.append(MqttSink(mqtt, settings.bench.name, loaded.data / "outbox.db", machines=names))
        if settings.alert.wanted:
            urls = loaded.resolve(settings.alert.notify_file)
            alert = settings.alert.model_copy(update={"notify_file": urls})
            self.sinks.append(AlertSink(alert, settings.bench.name, loaded.data / "alerts.json"))
        for sink in self.sinks:
            if sink is not self.metrics:
                self.metrics.follow(sink.status)
        self.server = WebServer(self)
        self._loop: asyncio.AbstractEventLoop | None = None
        self._wake = asyncio.Event()
        self._stopping = asyncio.Event()
        self._stop_ns = 0
        self._relearn: set[tuple[str, str]] = set()
        self._learning: set[asyncio.Task[None]] = set()
        self.learned: dict[str, dict[str, Limit]] = {}
        self._seen_counts: Counter[tuple[str, ...]] = Counter()
        self._trials: dict[str, tuple[str, str | None]] = {}
        self._trouble: dict[str, str | None] = {}

    def _add(self, part: MachinePart, table: RuleTable, text: str) -> None:
        run = MachineWatcher(
            part, table, text, self.loaded.data / "captures", self.anchor, self._deliver, self.loaded.base
        )
        self.runs[part.name] = run
        self.now.add(part.name, table.name, [s.name for s in table.stage], [info.name for info in run.links])
        self.now.follow(part.name, run.due)
        for info in run.links:
            self.metrics.link_up(part.name, info.name, False)
            self.metrics.received(part.name, info.name, 0)

    # ------------------------------------------------------------------ from the reader threads

    def _deliver(self, run: MachineWatcher, record: Record) -> None:
        """Take a record from a reader thread: append, and wake the loop once. Never waits for anybody."""
        if isinstance(record, Chunk):
            key, cost = (run.name, record.link), RECORD_BYTES + len(record.data)
            if self._brought[key] - self._fetched[key] + cost > WAITING_BYTES:
                self._overflowed[key] += len(record.data)
                time.sleep(OVERFLOW_S)
                return
            self._brought[key] += cost  # by this link's thread alone, as `_fetched` is by the loop's
        self._records.append((run, record))
        if not self._woken and self._loop is not None:
            self._woken = True
            self._loop.call_soon_threadsafe(self._wake.set)

    def _fetch(self) -> tuple[MachineWatcher, Record]:
        run, record = self._records.popleft()
        if isinstance(record, Chunk):
            self._fetched[run.name, record.link] += RECORD_BYTES + len(record.data)
        return run, record

    # ------------------------------------------------------------------ the loop's tasks

    async def run(self, ready: Callable[[], None] | None = None) -> None:
        """Work until stopped. Raises ExternalError where the server's address cannot be taken."""
        self._loop = asyncio.get_running_loop()
        try:
            self.server.bind()
            for run in self.runs.values():
                await asyncio.to_thread(recover, self.store, run, self.loaded.data / "captures")
            for run in self.runs.values():
                await asyncio.to_thread(self._look_up_trial, run)
                self._set_trial(run)
                await self._learn_all(run)
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
            self._stop_readers()
            self.close()

    def close(self) -> None:
        """Give up store and data directory; `run` does it at its end."""
        self.store.close()
        if self._lock >= 0:
            os.close(self._lock)
            self._lock = -1

    async def _work(self, ready: Callable[[], None] | None) -> None:
        async with asyncio.TaskGroup() as group:
            tasks = [
                self._spawn(group, "records", self._consume()),
                self._spawn(group, "ticks", self._ticks()),
                self._spawn(group, "captures", self._sync()),
                self._spawn(group, "figures", self._figures()),
                self._spawn(group, "trials", self._watch_trials()),
            ]
            sinks = [self._spawn(group, f"sink {sink.name}", self._guard(sink)) for sink in self.sinks]
            web = self._spawn(group, "server", self.server.serve())
            for run in self.runs.values():
                run.start()
            if ready is not None:
                ready()
            await self._stopping.wait()
            for task in tasks:  # first of all: a loop that is behind would come to the rest late
                task.cancel()
            await asyncio.to_thread(self._stop_readers)
            self._drain()
            for sink in self.sinks:
                await sink.close()
            await asyncio.wait(sinks, timeout=10)
            for task in sinks:
                task.cancel()
            self.server.stop()
            await asyncio.wait([web], timeout=5)
            web.cancel()

    @staticmethod
    def _spawn(group: asyncio.TaskGroup, name: str, work: Coroutine[Any, Any, None]) -> asyncio.Task[None]:
        return group.create_task(work, name=name)

    def stop(self) -> None:
        """Ask `run` to end: readers first, then what they brought, then the sinks."""
        self._stop_ns = time.monotonic_ns()
        self._stopping.set()

    def _stop_readers(self) -> None:
        for run in self.runs.values():
            run.stop()

    def _drain(self) -> None:
        """Handle what the readers brought before they ended; where that takes too long, keep the rest unjudged."""
        until = time.monotonic() + DRAIN_S
        while self._records and time.monotonic() < until:
            self._handle(*self._fetch())
        behind: Counter[str] = Counter()
        while self._records:
            run, record = self._fetch()
            if isinstance(record, LinkState) and self._closed_by_us(record):
                continue
            run.keep(record)
            behind[run.name] += len(record.data) if isinstance(record, Chunk) else 0
        for run in self.runs.values():
            if run.name in behind:
                run.leave()
                log.warning("%s: %d bytes are kept but not judged yet; the next start does", run.name, behind[run.name])
            else:
                self._dispatch(run, run.finish())
            if run.keeper.dropped:
                log.error("%s: %d records are in no capture: %s", run.name, run.keeper.dropped, run.keeper.last_failure)

    def _closed_by_us(self, record: LinkState) -> bool:
        """Whether a link went down because we stop: nothing happened to the machine or its cable."""
        return self._stopping.is_set() and not record.up and record.t_ns >= self._stop_ns

    async def _guard(self, sink: Sink) -> None:
        """Run a sink; one that fails is told of and started again, and never takes the others with it."""
        while not self._stopping.is_set():
            try:
                await sink.run()
                return
            except Exception:
                log.exception("sink %s failed; starting it again", sink.name)
                await asyncio.sleep(1.0)

    async def _consume(self) -> None:
        while True:
            await self._wake.wait()
            self._wake.clear()
            self._woken = False
            until = time.monotonic() + TURN_S
            for _ in range(len(self._records)):
                if not self._records:
                    break
                self._handle(*self._fetch())
                if time.monotonic() >= until:
                    await asyncio.sleep(0)
                    until = time.monotonic() + TURN_S

    def _handle(self, run: MachineWatcher, record: Record) -> None:
        if isinstance(record, Chunk):
            self.metrics.received(run.name, record.link, len(record.data))
        elif isinstance(record, LinkState):
            self.metrics.link_up(run.name, record.link, record.up)
            if self._closed_by_us(record):
                return
        events = run.take(record)
        self._dispatch(run, events)
        if isinstance(record, Chunk):
            self.metrics.observed(run.name, max(0.0, (time.monotonic_ns() - record.t_ns) / 1e9))

    def _dispatch(self, run: MachineWatcher, events: list[Event]) -> None:
        for event in events:
            if isinstance(event, LinkChanged):
                level = logging.INFO if event.up else logging.WARNING
                log.log(level, "%s %s: %s", event.machine, event.link, event.reason)
            for sink in self.sinks:
                sink.offer(event)
            if isinstance(event, BootOver) and event.boot.outcome == "finished":
                self._relearn.add((run.name, event.boot.id))

    async def _ticks(self) -> None:
        limit = self.loaded.settings.bench.capture_size_mb << 20
        while True:
            await asyncio.sleep(TICK_S)
            for run in self.runs.values():
                self._dispatch(run, run.tick())
                table = run.table
                if run.rotate_if_due(limit) and run.table is not table:
                    ladder = [s.name for s in run.table.stage]
                    self.now.describe(run.name, table=run.table.name, ladder=ladder)
                    self._learn_soon(run)

    async def _sync(self) -> None:
        while True:
            await asyncio.sleep(SYNC_S)
            for run in self.runs.values():
                run.keeper.retry()
                await asyncio.to_thread(run.keeper.sync)

    async def _figures(self) -> None:
        """Move counters that are kept elsewhere into the metrics; tell of capture trouble when it changes."""
        while True:
            for run in self.runs.values():
                self._count(("captured", run.name), run.keeper.written, partial(self.metrics.captured, run.name))
                for link, decoder in run.street.decoders.items():
                    for reason, count in list(decoder.counts.refused.items()):
                        key = ("refused", run.name, link, reason)
                        self._count(key, count, partial(self.metrics.refused, run.name, link, reason))
                self._tell_capture(run)
            self.metrics.capture_state(any(run.keeper.trouble for run in self.runs.values()))
            for (machine, link), lost in list(self._overflowed.items()):
                self._count(("overflow", machine, link), lost, partial(self._tell_overflow, machine, link))
            self.metrics.queue_length("records", len(self._records))
            await asyncio.sleep(FIGURES_S)

    def _tell_capture(self, run: MachineWatcher) -> None:
        """Log capture trouble when it begins, changes or ends, also if it came and went between two looks."""
        keeper = run.keeper
        key, trouble = ("capture failures", run.name), keeper.trouble
        new = keeper.failures > self._seen_counts[key]
        self._count(key, keeper.failures, self.metrics.capture_failures)
        if trouble is not None and trouble != self._trouble.get(run.name):
            log.error("%s: %s (%d records wait in memory)", run.name, trouble, keeper.waiting)
        elif trouble is None and self._trouble.get(run.name):
            log.warning("%s: captures are written again; %d records were lost", run.name, keeper.dropped)
        elif trouble is None and new:
            log.error("%s: %s; it goes on in a new file", run.name, keeper.last_failure)
        self._trouble[run.name] = trouble

    def _tell_overflow(self, machine: str, link: str, lost: int) -> None:
        log.error("%s %s: %d bytes dropped: this computer is too slow for what comes in", machine, link, lost)
        self.metrics.loss.labels(machine, link, "overload").inc(lost)

    def _count(self, key: tuple[str, ...], total: int, add: Callable[[int], None]) -> None:
        if (grown := total - self._seen_counts[key]) > 0:
            self._seen_counts[key] = total
            add(grown)

    # ------------------------------------------------------------------ trials and learned limits

    async def _watch_trials(self) -> None:
        """Follow the running trial of each machine, and learn limits from good boots once they are stored."""
        while True:
            await asyncio.sleep(TRIAL_S)
            for run in self.runs.values():
                try:
                    await asyncio.to_thread(self._look_up_trial, run)
                except BenchError as error:
                    log.debug("trial of %s: %s", run.name, error)
                self._set_trial(run)

    def _look_up_trial(self, run: MachineWatcher) -> None:
        trial = self.store.current_trial(run.name)
        before = run.street.tracker.trial
        if trial is not None:
            self._trials[run.name] = (trial.id, trial.started)
        else:
            self._trials[run.name] = ("", self.store.trial(before).ended if before else None)

    def _set_trial(self, run: MachineWatcher) -> None:
        """Tell a machine's street of its running trial, as of when that began (or the one before it ended)."""
        trial, since = self._trials.get(run.name, ("", None))
        if trial == (run.street.tracker.trial or ""):
            return
        now_ns = time.monotonic_ns()
        since_ns = now_ns
        if since is not None:
            began_ns = self.anchor.mono(datetime.fromisoformat(since))
            since_ns = min(now_ns, max(began_ns, now_ns - TRIAL_BACK_NS))
        self._dispatch(run, run.label("trial", trial, since_ns))
        self.now.describe(run.name, trial=trial or None)

    def _capture_of(self, machine: str) -> str | None:
        path = self.runs[machine].keeper.path
        return str(path) if path else None

    def _saved(self, boot: Boot) -> None:
        """A boot is in the store: if it was a good one, the limits may have changed."""
        if (boot.machine, boot.id) in self._relearn and self._loop is not None:
            self._relearn.discard((boot.machine, boot.id))
            self._learn_soon(self.runs[boot.machine])

    def _learn_soon(self, run: MachineWatcher) -> None:
        assert self._loop is not None
        task = self._loop.create_task(self._learn_all(run), name=f"learn {run.name}")
        self._learning.add(task)
        task.add_done_callback(self._learnt)

    def _learnt(self, task: asyncio.Task[None]) -> None:
        self._learning.discard(task)
        if not task.cancelled() and (error := task.exception()) is not None:
            log.error("limits could not be learned: %s", error)

    async def _learn_all(self, run: MachineWatcher) -> None:
        limits = await asyncio.to_thread(self._limits, run)
        self.learned[run.name] = limits
        self._dispatch(run, run.learn(limits))
        force = {s.name: stage_limit(run.table, s, limits.get(s.name)).seconds for s in run.table.stage}
        self.now.describe(run.name, limits=force)

    def _limits(self, run: MachineWatcher) -> dict[str, Limit]:
        out = {}
        times = self.store.good_times(run.name, run.table.name)
        for stage in run.table.stage:
            found = learned_limit(times.get(stage.name, []))
            if found is not None:
                out[stage.name] = Limit(*found)
        return out

    # ------------------------------------------------------------------ reload

    def reload(self) -> None:
        """Read the rule tables again (SIGHUP). A table that is wrong is told of and the old one kept."""
        problems = []
        for run in self.runs.values():
            try:
                table, text = load_table_text(run.part.rules, self.loaded.base)
            except BenchError as error:
                problems.append(str(error))
                log.error("rules of %s not reloaded, the old ones stay: %s", run.name, error)
                continue
            if table != run.table:
                run.reload(table, text)
                log.info("rules of %s read again; in force from the next boot on", run.name)
        self.reload_problem = "\n".join(problems) or None
