"""Metrics follow the contract, stay bounded, and are read by parsers that nobody here wrote."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families as openmetrics
from prometheus_client.parser import text_string_to_metric_families as plain
from sinks.story import S, Teller

from benchd.sinks.metrics import MAX_PORTS, Metrics
from benchd.vocabulary.events import CodeSeen, LineSeen, LossSeen

ROOT = Path(__file__).parents[2]
OM = "application/openmetrics-text; version=1.0.0"

CONTRACT = {
    "benchd_boots_total": {"machine", "trial", "outcome"},
    "benchd_stage_seconds_bucket": {"machine", "trial", "stage", "le"},
    "benchd_stalled": {"machine"},
    "benchd_findings_total": {"machine", "kind", "rule"},
    "benchd_last_code": {"machine", "port"},
    "benchd_link_up": {"machine", "link"},
    "benchd_link_bytes_total": {"machine", "link"},
    "benchd_refused_bytes_total": {"machine", "link", "reason"},
}
"""Issue 2, "Metrics, at least"."""


def sink_status() -> dict[str, object]:
    numbers = {"outbox": 3, "outbox_bytes": 4096, "outbox_age_s": 1.5, "sent": 7, "thinned": 2, "refused": 0}
    return {
        "name": "mqtt",
        "state": "online",
        "reason": "",
        "queued": 1,
        "dropped": {"code": 4},
        **numbers,
        "channels": {"command": {"ok": 2, "given-up": 1}},
    }


def told() -> Metrics:
    """Metrics after a whole story, every family with a sample."""
    m, t = Metrics(), Teller(trial="study/1")
    for event in t.good_boot():
        m.offer(event)
    m.offer(t.raised(9.0))
    m.offer(LineSeen("at286", 0, 0, "console", "b1", 0.0, 1, 'hostile "} 1\n# EOF', False))
    m.offer(LossSeen("at286", 0, "post", "merged", 3))
    m.link_up("at286", "post", True)
    m.received("at286", "post", 100)
    m.refused("at286", "post", "no-frame", 5)
    m.observed("at286", 0.002)
    m.captured("at286", 512)
    m.capture_state(True)
    m.capture_failures(1)
    m.queue_length("records", 4)
    m.follow(sink_status)
    return m


def value(m: Metrics, name: str, **labels: str) -> float | None:
    return m.registry.get_sample_value(name, labels)


def test_contract_names_and_labels() -> None:
    """Every metric of the contract is there with exactly its labels."""
    samples = {}
    for family in openmetrics(told().render(OM)[0].decode()):
        for sample in family.samples:
            samples.setdefault(sample.name, set(sample.labels))
    for name, labels in CONTRACT.items():
        assert samples.get(name) == labels, name


@pytest.mark.peer("promtool")
def test_promtool_is_content() -> None:
    """`promtool check metrics` (Prometheus's own linter) finds nothing, in an empty and in a full registry."""
    for m in (Metrics(), told()):
        text, content_type = m.render(None)
        assert content_type.startswith("text/plain; version=0.0.4")
        done = subprocess.run(["promtool", "check", "metrics"], input=text, capture_output=True)
        assert (done.returncode, done.stdout, done.stderr) == (0, b"", b"")


def test_openmetrics_exposition() -> None:
    """OpenMetrics 1.0 on request: content type, final `# EOF`, LF only, names by the ABNF."""
    body, content_type = told().render(OM)
    assert content_type.startswith("application/openmetrics-text; version=1.0.0; charset=utf-8")
    text = body.decode()
    assert text.endswith("# EOF\n") and "\r" not in text
    families = list(openmetrics(text))
    assert len({f.name for f in families}) == len(families)
    for family in families:
        assert re.fullmatch(r"[a-zA-Z_][a-zA-Z0-9_]*", family.name) and family.documentation
        for sample in family.samples:
            assert not any(label.startswith("_") for label in sample.labels)
            if family.type == "counter":
                assert sample.name in (family.name + "_total", family.name + "_created")


PROMETHEUS_2 = (
    "application/openmetrics-text;version=1.0.0,application/openmetrics-text;version=0.0.1;q=0.75,"
    "text/plain;version=0.0.4;q=0.5,*/*;q=0.1"
)
"""What Prometheus 2.42 sends (from memory of its scrape code)."""


def test_prometheus_gets_openmetrics() -> None:
    """The server's own Accept header yields OpenMetrics 1.0; a known machine is 0, not absent."""
    m = Metrics()
    m.link_up("xt", "post", True)
    body, content_type = m.render(PROMETHEUS_2)
    assert content_type.startswith("application/openmetrics-text; version=1.0.0")
    assert b'benchd_stalled{machine="xt"} 0.0' in body


@pytest.mark.parametrize(
    "accept",
    ["", "*/*", "text/html", "application/openmetrics-text;version=x\r\nX: y", ";;,=", "text/plain;version=z"],
)
def test_odd_accept_headers_get_plain_text(accept: str) -> None:
    """Whatever a client asks for, it gets a readable exposition and a content type of one line."""
    body, content_type = told().render(accept)
    assert list(plain(body.decode())) and "\n" not in content_type


def test_boot_counts_at_its_end_only() -> None:
    """A running boot counts nowhere; an ended one counts once under its trial and outcome."""
    m, t = Metrics(), Teller(trial="t1")
    labels = {"machine": "at286", "trial": "t1", "outcome": "finished"}
    story = t.good_boot()
    for event in story[:-1]:
        m.offer(event)
        assert value(m, "benchd_boots_total", **labels) is None
    m.offer(story[-1])
    assert value(m, "benchd_boots_total", **labels) == 1
    assert value(m, "benchd_boot_seconds_sum", **labels) == 4.0


def test_stage_durations() -> None:
    """A stage takes from its entry to the next one's; the final stage to the last thing seen (4.0 - 3.5 s)."""
    m = Metrics()
    for event in Teller().good_boot():
        m.offer(event)
    assert value(m, "benchd_stage_seconds_sum", machine="at286", trial="", stage="memory") == 3.0
    assert value(m, "benchd_stage_seconds_sum", machine="at286", trial="", stage="hand-over") == 0.5
    assert value(m, "benchd_stages_entered_total", machine="at286", trial="", stage="hand-over") == 1


def test_only_last_trials_keep_series() -> None:
    """However many trials there are, at most `trial_series` have series, the newest; boots of no trial stay."""
    m = Metrics(trial_series=3)
    for event in Teller().good_boot():
        m.offer(event)
    for n in range(50):
        for event in Teller(trial=f"t{n}").good_boot():
            m.offer(event)
        if n == 48:
            for event in Teller(trial="t47").good_boot():
                m.offer(event)
    text = m.render(None)[0].decode()
    assert set(re.findall(r'trial="([^"]*)"', text)) == {"", "t47", "t48", "t49"}
    assert value(m, "benchd_boots_total", machine="at286", trial="t47", outcome="finished") == 2


def test_ports_from_the_wire_are_bounded() -> None:
    """A card that names every port there is makes MAX_PORTS series and one "other"."""
    m, t = Metrics(), Teller()
    for port in range(0, 0x10000, 97):
        m.offer(t.code(0.1, "7E", port=port))
    labels = set(re.findall(r'benchd_last_code\{machine="at286",port="([^"]*)"', m.render(None)[0].decode()))
    assert len(labels) == MAX_PORTS + 1 and "other" in labels and "0000h" in labels


def test_last_code_is_the_number() -> None:
    """7Eh shows as 126, under its port, and under port "" where the card does not tell."""
    m = Metrics()
    m.offer(Teller().code(0.1, "7E"))
    m.offer(CodeSeen("at286", S, 1, "post", None, None, "FF", None, False))
    assert value(m, "benchd_last_code", machine="at286", port="0080h") == 126
    assert value(m, "benchd_last_code", machine="at286", port="") == 255


@pytest.mark.parametrize("kind", ["stall", "loop", "quiet"])
def test_stalled_follows_the_machine(kind: str) -> None:
    """1 from the finding on, also after its boot ended stalled; 0 once cleared, restarted or finished."""
    m, t = Metrics(machines=["at286"]), Teller()
    steps = [
        (t.started(0), 0),
        (t.raised(9, kind), 1),
        (t.cleared(10, 1.0, kind), 0),
        (t.raised(20, kind), 1),
        (t.ended(30, "stalled"), 1),
        (t.started(40, "b2"), 0),
        (t.raised(50, kind, id_="b2"), 1),
        (t.ended(60, "finished", "b2"), 0),
        (t.raised(70, "fault"), 0),
    ]
    assert value(m, "benchd_stalled", machine="at286") == 0
    for event, want in steps:
        m.offer(event)
        assert value(m, "benchd_stalled", machine="at286") == want, event


def test_a_bad_event_is_counted_not_raised() -> None:
    """`offer` never raises into the daemon; the fault shows in the sink's own counters."""
    m = Metrics()
    m.offer(CodeSeen("at286", 0, 0, "post", None, None, "not hex", None, False))
    assert m.status()["state"] == "degraded"
    m.follow(sink_status)
    assert value(m, "benchd_sink_dropped_total", sink="metrics", kind="error") == 1
    assert value(m, "benchd_mqtt_outbox_events") == 3


@pytest.mark.peer("promtool")
def test_alert_rules() -> None:
    """Prometheus accepts configuration and alert rules; they fire when their tests say, and only then."""
    config = ROOT / "config/prometheus"
    checks = [
        "check rules benchd-alerts.yml",
        "test rules benchd-alerts-test.yml",
        "check config prometheus.yml",
    ]
    for args in map(str.split, checks):
        done = subprocess.run(["promtool", *args], cwd=config, capture_output=True, text=True)
        assert done.returncode == 0, done.stdout + done.stderr


def test_alert_rules_use_metrics_that_exist() -> None:
    """No alert rule waits for a metric that is never exposed; every rule has a unit test."""
    rules = (ROOT / "config/prometheus/benchd-alerts.yml").read_text()
    tests = (ROOT / "config/prometheus/benchd-alerts-test.yml").read_text()
    text = told().render(None)[0].decode()
    names = set(re.findall(r"\bbenchd_\w+", rules))
    assert len(names) >= 10
    for name in names:
        assert re.search(rf"^{name}[{{ ]", text, re.M), name
    for alert in re.findall(r"alert: (\w+)", rules):
        assert alert in tests, alert
