"""The recipes of DEVELOPERS.md for a metric and for a sink, tried: what they name is there, and is enough."""

from __future__ import annotations

import asyncio
import re
from pathlib import Path
from typing import Any

import pytest
from live.contract_facts import PAGE, SECTIONS, page_rows
from prometheus_client import Counter
from prometheus_client.core import GaugeMetricFamily
from prometheus_client.parser import text_string_to_metric_families
from sinks.broker_peer import until
from sinks.story import Teller

import benchd.daemon as daemon_module
import benchd.sinks.collect as collect_module
import benchd.sinks.metrics as metrics_module
from benchd.settings import load_settings
from benchd.sinks.base import Sink
from benchd.vocabulary.events import Event, LinkChanged

ROOT = PAGE.parents[1]


def recipe(name: str) -> str:
    """Return the paragraph of DEVELOPERS.md, its line breaks taken out."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    found = re.search(rf"^- \*\*{name}\*\*: (.*?)(?=^- |^#|^$)", text, re.MULTILINE | re.DOTALL)
    assert found, name
    return " ".join(found[1].split())


@pytest.mark.parametrize("name", ["A metric", "A sink"])
def test_the_files_of_a_recipe_are_there(name: str) -> None:
    """Each path that it names is a file or a folder of the tree."""
    paths = set(re.findall(r"`((?:benchd|tests|config|firmware-notes)/[\w./-]+|\w+\.toml)`", recipe(name)))
    assert len(paths) >= 4
    assert not [p for p in paths if not (ROOT / p).exists()]


def values(scraped: bytes) -> dict[str, float]:
    families = text_string_to_metric_families(scraped.decode())
    return {f"{s.name}{''.join(sorted(s.labels.values()))}": s.value for f in families for s in f.samples}


class WithMore(metrics_module.Metrics):
    """Metrics with one of their own: made in the registry, moved by an event."""

    def __init__(self, **more: Any) -> None:
        super().__init__(**more)
        self.replugs = Counter("benchd_replugs", "Times a link came up.", ["machine"], registry=self.registry)

    def offer(self, event: Event) -> None:
        super().offer(event)
        if isinstance(event, LinkChanged) and event.up:
            self.replugs.labels(event.machine).inc()


def test_a_metric(monkeypatch: pytest.MonkeyPatch) -> None:
    """Made and moved it is scraped; the contract's test asks for its row, and is content with it."""
    metrics = WithMore()
    t = Teller()
    for up in (True, False, True):
        metrics.offer(t.link(1.0, up))
    assert values(metrics.render(None)[0])["benchd_replugs_totalat286"] == 2
    monkeypatch.setattr(metrics_module, "Metrics", WithMore)
    text = PAGE.read_text(encoding="utf-8")
    missing = SECTIONS["Metrics"]().keys() - page_rows(text)["Metrics"].keys()
    assert missing == {"benchd_replugs_total{machine}"}
    row = "| `benchd_replugs_total{machine}` | counter | Times a link came up. |\n| `benchd_stalled{"
    rows = page_rows(text.replace("| `benchd_stalled{", row))["Metrics"]
    assert {name: cells[0] for name, cells in rows.items()} == SECTIONS["Metrics"]()


class Lamp:
    """A sink for the test: switches a lamp at each link's change, breaks once, and says how it is."""

    name = "lamp"

    def __init__(self, *_: object) -> None:
        self.seen: list[LinkChanged] = []
        self.runs = 0
        self._closing = asyncio.Event()

    def offer(self, event: Event) -> None:
        if isinstance(event, LinkChanged):
            self.seen.append(event)

    async def run(self) -> None:
        self.runs += 1
        if self.runs == 1:
            raise RuntimeError("the lamp's wire is loose")
        await self._closing.wait()

    async def close(self) -> None:
        self._closing.set()

    def status(self) -> dict[str, Any]:
        return {
            "name": "lamp",
            "state": "running",
            "reason": "",
            "queued": 7,
            "dropped": {},
            "switched": len(self.seen),
        }


def test_a_sink(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The four methods and the line in the daemon: it gets events, is started again after a fault, ends with the
    daemon, and its health, with a figure by a row of FIGURES, is among the metrics."""
    lamps: list[Lamp] = []

    def make(*args: object, **more: object) -> Sink:
        lamps.append(Lamp())
        return lamps[-1]

    monkeypatch.setattr(daemon_module, "AlertSink", make)  # the line in Daemon.__init__ makes ours in its place
    figure = (GaugeMetricFamily, "benchd_lamp_switched", "Times the lamp was switched.", "switched")
    monkeypatch.setattr(collect_module, "FIGURES", (*collect_module.FIGURES, figure))
    (tmp_path / "r.toml").write_text(
        '[table]\nname = "r"\nsource = "test"\n[boot]\nstarts = [{ code = "01" }]\n'
        '[[stage]]\nname = "s"\nenter = [{ code = "01" }]\nfinal = true\n'
    )
    (tmp_path / "bench.toml").write_text(
        '[bench]\ndata = "data"\n[http]\nlisten = "127.0.0.1:0"\n[alert]\ncommand = ["true"]\n'
        '[[machine]]\nname = "pc"\nrules = "r.toml"\n[[machine.link]]\nkind = "post"\nport = "none-there"\n'
    )

    async def go() -> None:
        daemon = daemon_module.Daemon(load_settings(tmp_path / "bench.toml"))
        work = asyncio.create_task(daemon.run())
        (lamp,) = lamps
        await until(lambda: lamp.runs == 2 and lamp.seen, "events, and a second start")
        told = values(daemon.metrics.render(None)[0])
        assert told["benchd_sink_healthylamp"] == 1 and told["benchd_sink_queue_lengthlamp"] == 7
        assert told["benchd_lamp_switched"] == len(lamp.seen)
        daemon.stop()
        await asyncio.wait_for(work, 20)

    asyncio.run(go())
