"""The dashboard: made of its description, of the form that is published for it, and asking for what benchd has."""

from __future__ import annotations

import json
import re
import subprocess
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from live.contract_facts import PAGE, page_rows
from sinks.dashboard import DESCRIPTION, MADE, WIDTH, make, text
from support.npm import modules

TYPES = ("@grafana/schema@13.2.3", "typescript@5.9.3")
"""The types of Grafana's dashboards, from those who write it, and a compiler to hold a document against them."""

PANELS = {"Stat": "stat", "TimeSeries": "timeseries", "StateTimeline": "statetimeline"}
CHECK = """
import type { Dashboard, Panel, DataQuery, TableOptions } from '@grafana/schema';
type Options = { stat: Stat.Options; timeseries: TimeSeries.Options; 'state-timeline': StateTimeline.Options;
  table: TableOptions };
type Custom = { timeseries: TimeSeries.FieldConfig; 'state-timeline': StateTimeline.FieldConfig };
type Query = DataQuery & { expr: string; legendFormat?: string; instant: boolean; range: boolean;
  format: 'time_series' | 'table' };
// JSON has an enumeration's values, not its names.
type Plain<T> = T extends string ? `${T}` : T extends number | boolean | null | undefined ? T
  : T extends Array<infer U> ? Plain<U>[] : T extends object ? { [K in keyof T]: Plain<T[K]> } : T;
"""


def queries(dashboard: dict[str, Any]) -> Iterator[str]:
    """Yield each query as it is asked with every bench and machine chosen."""
    for panel in dashboard["panels"]:
        for target in panel["targets"]:
            asked = re.sub(r"\$(bench|machine)\b", ".*", target["expr"]).replace("$__rate_interval", "1m")
            assert "$" not in asked, asked
            yield asked


@pytest.fixture(scope="module")
def dashboard() -> dict[str, Any]:
    return json.loads(MADE.read_text("utf-8"))  # type: ignore[no-any-return]


def test_it_is_made_of_its_description(dashboard: dict[str, Any]) -> None:
    """What is shipped is what the description says now; panels lie side by side and do not overlap."""
    assert MADE.read_text("utf-8") == text(make(tomllib.loads(DESCRIPTION.read_text("utf-8"))))
    taken: set[tuple[int, int]] = set()
    for panel in dashboard["panels"]:
        place = panel["gridPos"]
        cells = {
            (x, y)
            for x in range(place["x"], place["x"] + place["w"])
            for y in range(place["y"], place["y"] + place["h"])
        }
        assert not cells & taken and all(x < WIDTH for x, _ in cells), panel["title"]
        taken |= cells


def compile_with(folder: Path, dashboard: dict[str, Any]) -> subprocess.CompletedProcess[str]:
    """Hold the dashboard, each panel, its options and its queries against the published types."""
    composable = "@grafana/schema/dist/esm/raw/composable"
    lines = [
        f"import type * as {name} from '{composable}/{folder_name}/panelcfg/x/{name}PanelCfg_types.gen';"
        for name, folder_name in PANELS.items()
    ]
    lines.append(CHECK)
    whole = {key: value for key, value in dashboard.items() if key != "panels"}
    lines.append(f"export const dashboard: Plain<Dashboard> = {json.dumps(whole)};")
    for panel in dashboard["panels"]:
        name, kind = f"panel{panel['id']}", panel["type"]
        lines.append(f"export const {name}: Plain<Panel> = {json.dumps(panel)};")
        lines.append(f"export const {name}options: Plain<Options['{kind}']> = {json.dumps(panel['options'])};")
        custom = panel["fieldConfig"]["defaults"].get("custom")
        if custom is not None:
            lines.append(f"export const {name}custom: Plain<Custom['{kind}']> = {json.dumps(custom)};")
        lines += [
            f"export const {name}{target['refId']}: Plain<Query> = {json.dumps(target)};" for target in panel["targets"]
        ]
    (folder / "check.ts").write_text("\n".join(lines))
    node_modules = modules(*TYPES)
    if not (folder / "node_modules").exists():
        (folder / "node_modules").symlink_to(node_modules)
    options = {"noEmit": True, "strict": True, "skipLibCheck": True, "module": "esnext", "moduleResolution": "bundler"}
    (folder / "tsconfig.json").write_text(json.dumps({"compilerOptions": options | {"types": []}}))
    compiler = ["node", str(node_modules / "typescript/bin/tsc"), "-p", "."]
    return subprocess.run(compiler, cwd=folder, capture_output=True, text=True, timeout=240, check=False)


@pytest.mark.peer("npm", "node")
def test_it_has_the_published_form(tmp_path: Path, dashboard: dict[str, Any]) -> None:
    """The types that are published for dashboards, panels and their options take it; each mistake is found."""
    done = compile_with(tmp_path, dashboard)
    assert done.returncode == 0, done.stdout
    wrong = json.loads(json.dumps(dashboard))
    wrong["titel"] = "x"
    wrong["panels"][0]["options"]["colorMode"] = "loud"
    wrong["panels"][1]["gridPos"].pop("w")
    wrong["panels"][4]["fieldConfig"]["defaults"]["custom"]["lineWidht"] = 1
    wrong["panels"][5]["targets"][0].pop("expr")
    done = compile_with(tmp_path, wrong)
    for word in ('"titel"', '"loud"', "'w'", '"lineWidht"', "'expr'"):
        assert word in done.stdout, f"{word} {done.stdout}"


def test_it_asks_for_metrics_that_exist(dashboard: dict[str, Any]) -> None:
    """Every metric and every label of a query or a list is on the contract page (or one that a scrape adds)."""
    known = {}
    for row, (kind, *_) in page_rows(PAGE.read_text("utf-8"))["Metrics"].items():
        name, _, labels = row.rstrip("}").partition("{")
        for end in ("_bucket", "_sum", "_count") if kind == "histogram" else ("",):
            known[name + end] = {*labels.split(","), "bench", "instance", "job", "le"}
    known["up"] = {"job", "instance", "bench"}
    known["ALERTS"] = {"alertname", "alertstate", "bench"}
    lists = [one["query"]["query"] for one in dashboard["templating"]["list"] if one["type"] == "query"]
    seen = set()
    for asked in [*queries(dashboard), *lists]:
        names = set(re.findall(r"\bbenchd_\w+|\b(?:up|ALERTS)(?={)", asked))
        assert names and names <= known.keys(), asked
        used = set(re.findall(r"[{,](\w+)(?:=~|=|!=)\"", asked))
        used |= {label for labels in re.findall(r"\bby \(([^)]*)\)", asked) for label in labels.split(", ")}
        used |= set(re.findall(r"label_values\(.*, (\w+)\)", asked))
        assert used <= set.intersection(*(known[name] for name in names)), asked
        seen |= names
    assert len(seen) > 12


@pytest.mark.peer("promtool")
def test_prometheus_can_read_every_query(tmp_path: Path, dashboard: dict[str, Any]) -> None:
    """promtool takes each query as a recording rule; one that is broken it refuses."""
    rules = tmp_path / "rules.yml"
    for more, code in (([], 0), (["sum by (machine benchd_stalled"], 1)):
        listed = [{"record": f"query:{n}", "expr": one} for n, one in enumerate([*queries(dashboard), *more])]
        rules.write_text(json.dumps({"groups": [{"name": "dashboard", "rules": listed}]}))
        done = subprocess.run(["promtool", "check", "rules", str(rules)], capture_output=True, text=True, check=False)
        assert done.returncode == code, done.stdout + done.stderr
