"""The dashboard's JSON, made of config/dashboard/panels.toml: `python3 tests/sinks/dashboard.py write`.

The form is Grafana's (version 1 of its dashboards), which other servers read too; test_dashboard.py holds it to the
types that are published for it.
"""

from __future__ import annotations

import json
import sys
import tomllib
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).resolve().parents[2] / "config" / "dashboard"
DESCRIPTION = FOLDER / "panels.toml"
MADE = FOLDER / "benchd.json"
SCHEMA_VERSION = 39
WIDTH = 24
SOURCE = {"type": "prometheus", "uid": "${source}"}
LEGEND = {"calcs": [], "displayMode": "list", "placement": "bottom", "showLegend": True}
OPTIONS: dict[str, dict[str, Any]] = {
    "stat": {
        "colorMode": "background", "graphMode": "none", "justifyMode": "auto", "orientation": "auto",
        "reduceOptions": {"calcs": ["lastNotNull"], "fields": "", "values": False},
        "percentChangeColorMode": "standard", "showPercentChange": False, "textMode": "auto", "wideLayout": True,
    },
    "timeseries": {"legend": LEGEND, "tooltip": {"mode": "multi", "sort": "desc"}},
    "state-timeline": {
        "alignValue": "left", "legend": LEGEND, "mergeValues": True, "rowHeight": 0.9, "showValue": "auto",
        "tooltip": {"mode": "single", "sort": "none"},
    },
    "table": {"frameIndex": 0, "showHeader": True, "cellHeight": "sm"},
}  # fmt: skip
CUSTOM: dict[str, dict[str, Any]] = {
    "timeseries": {"drawStyle": "line", "lineWidth": 2, "fillOpacity": 10, "showPoints": "auto", "spanNulls": False},
    "state-timeline": {"fillOpacity": 80, "lineWidth": 0},
}


def make(description: dict[str, Any]) -> dict[str, Any]:
    """Return the dashboard; panels fill lines of 24 columns in their order."""
    panels: list[dict[str, Any]] = []
    x = y = 0
    for number, one in enumerate(description["panel"], 1):
        width, height = one["size"]
        if x + width > WIDTH:
            x, y = 0, y + panels[-1]["gridPos"]["h"]
        panels.append(_panel(number, one, {"x": x, "y": y, "w": width, "h": height}))
        x += width
    return {
        "uid": description["uid"],
        "title": description["title"],
        "description": description["description"],
        "tags": ["benchd"],
        "schemaVersion": SCHEMA_VERSION,
        "editable": True,
        "graphTooltip": 1,
        "timezone": "browser",
        "time": {"from": "now-6h", "to": "now"},
        "refresh": "10s",
        "templating": {"list": [_source(), *map(_variable, description["variable"])]},
        "panels": panels,
    }


def text(dashboard: dict[str, Any]) -> str:
    return json.dumps(dashboard, indent=1, ensure_ascii=False) + "\n"


def _source() -> dict[str, Any]:
    """The choice of the Prometheus that is asked; the only one there is comes first."""
    return {"name": "source", "label": "Prometheus", "type": "datasource", "query": "prometheus", "refresh": 1}


def _variable(one: dict[str, str]) -> dict[str, Any]:
    query = {"query": one["query"], "refId": one["name"]}
    every = {"selected": True, "text": ["All"], "value": ["$__all"]}
    return {
        "name": one["name"], "label": one["name"].capitalize(), "type": "query", "datasource": SOURCE, "query": query,
        "refresh": 2, "sort": 1, "multi": True, "includeAll": True, "allValue": ".*", "current": every,
    }  # fmt: skip


def _panel(number: int, one: dict[str, Any], place: dict[str, int]) -> dict[str, Any]:
    kind = one["kind"]
    panel: dict[str, Any] = {"id": number, "type": kind, "title": one["title"], "gridPos": place, "datasource": SOURCE}
    if "about" in one:
        panel["description"] = one["about"]
    panel["fieldConfig"] = {"defaults": _field(one), "overrides": []}
    panel["options"] = OPTIONS[kind]
    panel["targets"] = [_target(chr(ord("A") + n), query, kind) for n, query in enumerate(one["queries"])]
    return panel


def _field(one: dict[str, Any]) -> dict[str, Any]:
    field: dict[str, Any] = {"unit": one.get("unit", "short"), "noValue": "none"}
    if one["kind"] in CUSTOM:
        field["custom"] = CUSTOM[one["kind"]]
    if "unit" in one or one["kind"] == "stat":
        field["min"] = 0
    if "red_from" in one:
        steps = [{"color": "green", "value": None}, {"color": "red", "value": one["red_from"]}]
        field["thresholds"] = {"mode": "absolute", "steps": steps}
        field["color"] = {"mode": "thresholds"}
    if "states" in one:
        named = {s["value"]: {"text": s["text"], "color": s["color"], "index": n} for n, s in enumerate(one["states"])}
        field["mappings"] = [{"type": "value", "options": named}]
    return field


def _target(letter: str, query: dict[str, str], kind: str) -> dict[str, Any]:
    target: dict[str, Any] = {"refId": letter, "datasource": SOURCE, "expr": query["expr"]}
    now = kind in ("stat", "table")
    target |= {"instant": now, "range": not now, "format": "table" if kind == "table" else "time_series"}
    if "legend" in query:
        target["legendFormat"] = query["legend"]
    return target


def main() -> int:
    made = text(make(tomllib.loads(DESCRIPTION.read_text("utf-8"))))
    if sys.argv[1:] == ["write"]:
        MADE.write_text(made, "utf-8")
        return 0
    print("usage: dashboard.py write", file=sys.stderr)
    return 2


if __name__ == "__main__":
    sys.exit(main())
