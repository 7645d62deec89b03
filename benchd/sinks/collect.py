"""Turns the `status()` of sinks into metrics at each scrape, so that counters live in one place only."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Any

from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily
from prometheus_client.metrics_core import Metric
from prometheus_client.registry import Collector

GOOD = frozenset({"running", "online", "idle"})
"""States of a sink that count as healthy."""

FIGURES = (
    (GaugeMetricFamily, "benchd_mqtt_outbox_events", "Events on disk waiting for the broker.", "outbox"),
    (GaugeMetricFamily, "benchd_mqtt_outbox_bytes", "Size of the outbox on disk.", "outbox_bytes"),
    (GaugeMetricFamily, "benchd_mqtt_outbox_age_seconds", "Age of the oldest event waiting.", "outbox_age_s"),
    (CounterMetricFamily, "benchd_mqtt_sent", "Events that the broker took.", "sent"),
    (CounterMetricFamily, "benchd_mqtt_thinned_codes", "Codes left out during an outage.", "thinned"),
    (CounterMetricFamily, "benchd_mqtt_refused", "Events that the broker refused for good.", "refused"),
    (CounterMetricFamily, "benchd_mqtt_fed", "Stored boots and entries told to an archive.", "fed"),
    (GaugeMetricFamily, "benchd_mqtt_feed_left", "Stored rows that an archive is still to be told.", "feed_left"),
    (CounterMetricFamily, "benchd_mqtt_asks_answered", "Asks of archives that were answered.", "asks_answered"),
    (CounterMetricFamily, "benchd_mqtt_asks_refused", "Asks of archives that were refused.", "asks_refused"),
)
"""Metrics without labels: what a figure of a `status()` (last column) becomes, for the sink that has it."""


class StatusCollector(Collector):
    """Yields metrics of the sinks' health. `statuses` is called at each scrape."""

    def __init__(self, statuses: Callable[[], Iterable[dict[str, Any]]]) -> None:
        self._statuses = statuses

    def describe(self) -> list[Metric]:
        """Return the metrics without samples; spares a call of `statuses` at registration."""
        return list(self._families([]))

    def collect(self) -> Iterator[Metric]:
        yield from self._families(self._statuses())

    def _families(self, statuses: Iterable[dict[str, Any]]) -> Iterator[Metric]:
        healthy = GaugeMetricFamily("benchd_sink_healthy", "1 while a sink does its work.", labels=["sink"])
        queued = GaugeMetricFamily("benchd_sink_queue_length", "Events waiting for a sink.", labels=["sink"])
        dropped = CounterMetricFamily("benchd_sink_dropped", "Events a sink dropped, by kind.", labels=["sink", "kind"])
        up = GaugeMetricFamily("benchd_mqtt_up", "1 while the broker answers.")
        figures = {key: family(name, text) for family, name, text, key in FIGURES}
        told = CounterMetricFamily(
            "benchd_alert_deliveries", "Tries to deliver alerts, by result.", labels=["channel", "result"]
        )
        for status in statuses:
            name = status["name"]
            healthy.add_metric([name], int(status["state"] in GOOD))
            queued.add_metric([name], status["queued"])
            for kind, count in sorted(status["dropped"].items()):
                dropped.add_metric([name, kind], count)
            if "outbox" in status:
                up.add_metric([], int(status["state"] == "online"))
            for key in figures.keys() & status.keys():
                figures[key].add_metric([], status[key])
            for channel, results in sorted(status.get("channels", {}).items()):
                for result, count in sorted(results.items()):
                    told.add_metric([channel, result], count)
        yield from (healthy, queued, dropped)
        yield from (family for family in (up, *figures.values(), told) if family.samples)
