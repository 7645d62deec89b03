"""Prometheus metrics. Updated at once from each event (its queue has length zero), read by scraping.

The `trial` label is bounded: the last `trial_series` trials that a boot was seen in keep their series, older
trials' series are removed (the store keeps the figures). Boots of no trial have `trial=""`, always kept.

Names and types follow OpenMetrics 1.0; units are in the names.
"""

from __future__ import annotations

import logging
import platform
from collections.abc import Callable, Iterable, Sequence
from typing import Any, TypeVar

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, Info
from prometheus_client.exposition import choose_encoder

import benchd
from benchd.live_state import LiveState
from benchd.sinks.collect import StatusCollector
from benchd.vocabulary.events import (
    BootOver,
    BootStarted,
    CodeSeen,
    Event,
    FindingRaised,
    LineSeen,
    LinkChanged,
    LossSeen,
    StageEntered,
)

log = logging.getLogger(__name__)

M = TypeVar("M", Counter, Gauge, Histogram)

STAGE_BUCKETS = (0.01, 0.03, 0.1, 0.3, 1.0, 2.0, 3.0, 5.0, 10.0, 20.0, 30.0, 60.0, 120.0, 300.0)
"""Seconds. From one firmware step of a 486 to the memory count of the oldest machines."""

DELAY_BUCKETS = (0.001, 0.003, 0.01, 0.03, 0.1, 0.3, 1.0, 3.0)

MAX_PORTS = 16
"""I/O ports with a series each per machine: the number comes from the wire. More go under port "other"."""


def port_label(port: int | None) -> str:
    """Return an I/O port as its label: `0080h`, or "" where the card does not tell."""
    return "" if port is None else f"{port:04X}h"


class Metrics:
    """All metrics of one daemon. `registry` defaults to a new one, so that several can live in a process."""

    name = "metrics"

    def __init__(
        self,
        registry: CollectorRegistry | None = None,
        *,
        trial_series: int = 20,
        buckets: Sequence[float] = STAGE_BUCKETS,
        machines: Iterable[str] = (),
    ) -> None:
        self.registry = registry or CollectorRegistry()
        self.trial_series = trial_series
        self._trials: dict[str, None] = {}
        self._trial_of: dict[str, str] = {}
        self._ports: dict[str, set[str]] = {}
        self._looked_up: dict[tuple[object, ...], Counter | Gauge | Histogram] = {}
        self._live = LiveState()
        self._errors = 0
        self._sinks: list[Callable[[], dict[str, Any]]] = []
        self._define(buckets)
        for machine in machines:
            self.stalled.labels(machine).set(0)
        self.registry.register(StatusCollector(self._statuses))

    def _define(self, buckets: Sequence[float]) -> None:
        def counter(name: str, text: str, *labels: str) -> Counter:
            return Counter(name, text, labels, registry=self.registry)

        def gauge(name: str, text: str, *labels: str) -> Gauge:
            return Gauge(name, text, labels, registry=self.registry)

        self.boots = counter("benchd_boots", "Boots that are over.", "machine", "trial", "outcome")
        self.boot_seconds = Histogram(
            "benchd_boot_seconds",
            "Boot start to the last thing seen, of boots that are over.",
            ("machine", "trial", "outcome"),
            registry=self.registry,
            buckets=buckets,
        )
        self.stage_seconds = Histogram(
            "benchd_stage_seconds",
            "How long a stage took, up to the next stage (the final one: to the last thing seen).",
            ("machine", "trial", "stage"),
            registry=self.registry,
            buckets=buckets,
        )
        self.stages = counter("benchd_stages_entered", "Stages entered.", "machine", "trial", "stage")
        self.stalled = gauge("benchd_stalled", "1 while a stall, a loop or silence stands on the machine.", "machine")
        self.findings = counter("benchd_findings", "Findings raised.", "machine", "kind", "rule")
        self.last_code = gauge("benchd_last_code", "Last POST code, as a number.", "machine", "port")
        self.codes = counter("benchd_codes", "POST codes read.", "machine", "link", "known")
        self.lines = counter("benchd_console_lines", "Console lines read.", "machine", "link")
        self.loss = counter("benchd_lost", "Codes or bytes known to be lost or refused.", "machine", "link", "reason")
        self.up = gauge("benchd_link_up", "1 while the link is open.", "machine", "link")
        self.bytes = counter("benchd_link_bytes", "Bytes received.", "machine", "link")
        self.refused_bytes = counter(
            "benchd_refused_bytes", "Bytes that no framing took, by reason.", "machine", "link", "reason"
        )
        self.delay = Histogram(
            "benchd_observation_delay_seconds",
            "From the arrival of a byte to its events.",
            ("machine",),
            registry=self.registry,
            buckets=DELAY_BUCKETS,
        )
        self.behind = gauge(
            "benchd_judging_behind_seconds", "How old the oldest byte is that is kept and not judged yet.", "machine"
        )
        self.capture_bytes = counter("benchd_capture_bytes", "Bytes written to captures.", "machine")
        self.capture_failing = gauge("benchd_capture_failing", "1 while captures cannot be written.")
        self.disk_free = gauge("benchd_disk_free_bytes", "Free on the disk of the data folder.")
        self.disk_below = gauge("benchd_disk_below_reserve", "1 while that is less than bench.reserve_gb.")
        self.captures_stored = gauge("benchd_captures_stored_bytes", "Size of all captures on the disk.")
        self.let_go = counter("benchd_captures_let_go", "Captures let go to make room.")
        self.capture_errors = counter("benchd_capture_errors", "Failed writes of captures.")
        self.queue = gauge("benchd_queue_length", "Items waiting in a queue of the daemon.", "queue")
        Info("benchd_build", "Version of this program.", registry=self.registry).info(
            {"version": benchd.__version__, "python": platform.python_version()}
        )

    # What the daemon sets directly

    def link_up(self, machine: str, link: str, up: bool) -> None:
        self.up.labels(machine, link).set(int(up))
        self.stalled.labels(machine)  # known from now on: 0, not absent, until it is stuck

    def received(self, machine: str, link: str, count: int) -> None:
        """Count `count` bytes received on a link."""
        self.bytes.labels(machine, link).inc(count)

    def refused(self, machine: str, link: str, reason: str, count: int) -> None:
        """Count bytes refused by a named reason (a word from the code, never text from the wire)."""
        self.refused_bytes.labels(machine, link, reason).inc(count)

    def observed(self, machine: str, delay_s: float) -> None:
        """Note how long the newest byte waited before its events were known."""
        self._series(self.delay, machine).observe(delay_s)

    def judging_behind(self, machine: str, seconds: float) -> None:
        self.behind.labels(machine).set(seconds)

    def dropped(self, machine: str, link: str, count: int) -> None:
        """Count bytes that were dropped because too much came in."""
        self.loss.labels(machine, link, "overload").inc(count)

    def captured(self, machine: str, count: int) -> None:
        self.capture_bytes.labels(machine).inc(count)

    def capture_state(self, failing: bool) -> None:
        """Say whether all captures can be written at this moment."""
        self.capture_failing.set(int(failing))

    def disk(self, free: int, below: bool) -> None:
        """Say how many bytes of the disk are free, and whether that is less than its reserve."""
        self.disk_free.set(free)
        self.disk_below.set(int(below))

    def captures_lie(self, stored: int) -> None:
        """Say how many bytes all captures have on the disk."""
        self.captures_stored.set(stored)

    def captures_let_go(self, count: int) -> None:
        """Count captures that were let go to make room."""
        self.let_go.inc(count)

    def capture_failures(self, count: int) -> None:
        """Count writes and syncs of captures that failed."""
        self.capture_errors.inc(count)

    def queue_length(self, queue: str, length: int) -> None:
        self.queue.labels(queue).set(length)

    def follow(self, status: Callable[[], dict[str, Any]]) -> None:
        """Show another sink's `status()` at each scrape (queue, drops, outbox, deliveries)."""
        self._sinks.append(status)

    def _statuses(self) -> list[dict[str, Any]]:
        return [status() for status in self._sinks] + [self.status()]

    # The sink

    def offer(self, event: Event) -> None:
        """Count an event. Never blocks and never raises: a fault of ours is logged and counted."""
        try:
            self._count(event)
        except Exception:
            self._errors += 1
            log.exception("metrics: an event of type %s could not be counted", type(event).__name__)

    async def run(self) -> None:
        """Nothing runs: events are counted in `offer`."""

    async def close(self) -> None:
        """Nothing to finish."""

    def status(self) -> dict[str, Any]:
        state = "degraded" if self._errors else "running"
        dropped = {"error": self._errors} if self._errors else {}
        return {"name": self.name, "state": state, "reason": "", "queued": 0, "dropped": dropped}

    def render(self, accept_header: str | None) -> tuple[bytes, str]:
        """Return (body, content type) in the form that `accept_header` asks for: OpenMetrics, or text 0.0.4."""
        try:
            encode, content_type = choose_encoder(accept_header or "")
        except (ValueError, TypeError):  # a version that is none; the header is the client's text
            encode, content_type = choose_encoder("")
        return encode(self.registry), content_type

    def _count(self, event: Event) -> None:
        if isinstance(event, CodeSeen):  # these two come by the thousand, and nothing stands or falls with them
            self._series(self.codes, event.machine, event.link, "yes" if event.known else "no").inc()
            port = self._port(event.machine, event.port)
            self._series(self.last_code, event.machine, port).set(int(event.code, 16))
            return
        if isinstance(event, LineSeen):
            if not event.partial:
                self._series(self.lines, event.machine, event.link).inc()
            return
        if isinstance(event, StageEntered):
            if not event.recovered:
                self._stage(event)
        elif isinstance(event, LossSeen):
            self.loss.labels(event.machine, event.link, event.reason).inc(event.count)
        elif isinstance(event, LinkChanged):
            self.link_up(event.machine, event.link, event.up)
        elif isinstance(event, FindingRaised) and not event.recovered:
            self.findings.labels(event.machine, event.finding.kind, event.finding.rule).inc()
        elif isinstance(event, BootStarted):
            self._trial_of[event.machine] = self._trial(event.boot.trial)
        elif isinstance(event, BootOver):
            self._over(event)
        if self._live.feed(event) or isinstance(event, BootStarted):
            self.stalled.labels(event.machine).set(int(self._live.stuck(event.machine)))

    def _series(self, metric: M, *labels: str) -> M:
        """Return one series of a metric without a `trial` label: looked up once, which costs more than counting."""
        key = (id(metric), *labels)
        if (series := self._looked_up.get(key)) is None:
            series = self._looked_up[key] = metric.labels(*labels)
        return series  # type: ignore[return-value]

    def _stage(self, event: StageEntered) -> None:
        trial = self._trial(self._trial_of.get(event.machine))
        self.stages.labels(event.machine, trial, event.stage).inc()
        if event.previous is not None and event.previous_s is not None:
            self.stage_seconds.labels(event.machine, trial, event.previous).observe(event.previous_s)

    def _over(self, event: BootOver) -> None:
        boot = event.boot
        trial = self._trial(boot.trial)
        self.boots.labels(event.machine, trial, boot.outcome).inc()
        self.boot_seconds.labels(event.machine, trial, boot.outcome).observe(boot.duration_s)
        if boot.outcome == "finished" and boot.stages:
            last = boot.stages[-1]
            took = max(0.0, boot.duration_s - last.t)
            self.stage_seconds.labels(event.machine, trial, last.name).observe(took)

    def _trial(self, trial: str | None) -> str:
        """Return a trial's label; make it the newest and remove series of the oldest beyond the bound."""
        label = trial or ""
        if label and label != next(reversed(self._trials), None):
            self._trials.pop(label, None)
            self._trials[label] = None
            while len(self._trials) > self.trial_series:
                old = next(iter(self._trials))
                del self._trials[old]
                for metric in (self.boots, self.boot_seconds, self.stage_seconds, self.stages):
                    metric.remove_by_labels({"trial": old})
        return label

    def _port(self, machine: str, port: int | None) -> str:
        seen = self._ports.setdefault(machine, set())
        label = port_label(port)
        if label not in seen:
            if len(seen) >= MAX_PORTS:
                return "other"
            seen.add(label)
        return label
