"""The archive's metrics: what it takes, what lacks, who is silent. Each scrape shows what was looked at last."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from prometheus_client import CollectorRegistry
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily
from prometheus_client.exposition import choose_encoder
from prometheus_client.metrics_core import Metric
from prometheus_client.registry import Collector

from benchd.archive.behind import Behind


class ArchiveMetrics:
    """Metrics of one process. `status` and `behind` are asked at each scrape, and must not wait."""

    def __init__(self, status: Callable[[], dict[str, Any]], behind: Callable[[], Behind | None]) -> None:
        self.registry = CollectorRegistry()
        self.registry.register(_Collector(status, behind))

    def render(self, accept_header: str | None) -> tuple[bytes, str]:
        """Return (body, content type) in the form that `accept_header` asks for."""
        try:
            encode, content_type = choose_encoder(accept_header or "")
        except (ValueError, TypeError):
            encode, content_type = choose_encoder("")
        return encode(self.registry), content_type


class _Collector(Collector):
    def __init__(self, status: Callable[[], dict[str, Any]], behind: Callable[[], Behind | None]) -> None:
        self._status, self._behind = status, behind

    def describe(self) -> list[Metric]:
        return []

    def collect(self) -> Iterator[Metric]:
        status, found = self._status(), self._behind()
        up = GaugeMetricFamily("benchd_archive_up", "1 while broker and database both answer.")
        up.add_metric([], int(status["state"] == "online"))
        waiting = GaugeMetricFamily("benchd_archive_waiting_messages", "Messages here, not in the database yet.")
        waiting.add_metric([], status["queued"])
        taken = CounterMetricFamily("benchd_archive_events", "Events taken by this process, doubles included.")
        taken.add_metric([], status["taken"])
        size = CounterMetricFamily("benchd_archive_bytes", "Bytes of all messages taken by this process.")
        size.add_metric([], status["bytes"])
        changed = CounterMetricFamily("benchd_archive_changes", "Records that those events changed.")
        changed.add_metric([], status["changed"])
        refused = CounterMetricFamily("benchd_archive_refused", "Messages refused, by reason.", labels=["reason"])
        for reason, count in sorted(status["dropped"].items()):
            refused.add_metric([reason], count)
        yield from (up, waiting, taken, size, changed, refused)
        if found is not None:
            yield from _found(found)


def _found(found: Behind) -> Iterator[Metric]:
    boots = GaugeMetricFamily("benchd_archive_boots", "Boots in the archive.", labels=["bench"])
    missing = GaugeMetricFamily("benchd_archive_missing_events", "Events of a bench that lack.", labels=["bench"])
    online = GaugeMetricFamily("benchd_archive_bench_up", "1 while a bench is there.", labels=["bench"])
    silent = GaugeMetricFamily(
        "benchd_archive_bench_silent_seconds", "Since the last event of a bench came.", labels=["bench"]
    )
    for bench in found.benches:
        boots.add_metric([bench.bench], bench.boots)
        missing.add_metric([bench.bench], bench.missing)
        online.add_metric([bench.bench], int(bool(bench.online)))
        if bench.silent_s is not None:
            silent.add_metric([bench.bench], bench.silent_s)
    yield from (boots, missing, online, silent)
