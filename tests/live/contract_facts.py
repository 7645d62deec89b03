"""What the code says of itself, in the form of the contract page: {section: {name: what the page must say of it}}.

`python tests/live/contract_facts.py` (with PYTHONPATH=tests) prints rows for what the page lacks.
"""

from __future__ import annotations

import asyncio
import json
import re
import tempfile
import types
import typing
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pydantic import BaseModel

Facts = dict[str, str]
PAGE = Path(__file__).resolve().parents[2] / "firmware-notes/contract.md"


def metrics() -> Facts:
    """`name{labels}`: type. Names of samples as scraped: counters end in _total."""
    from benchd.sinks.metrics import Metrics

    status = {
        "name": "x", "state": "online", "reason": "", "queued": 0, "dropped": {"x": 1}, "outbox": 1, "outbox_bytes": 1,
        "outbox_age_s": 1, "sent": 1, "thinned": 1, "refused": 1, "fed": 1, "feed_left": 1,
        "asks_answered": 1, "asks_refused": 1, "channels": {"x": {"ok": 1}},
    }  # fmt: skip
    told = Metrics()
    told.follow(lambda: status)
    out: Facts = {}
    from benchd.archive.behind import Behind, BenchBehind
    from benchd.archive.metrics import ArchiveMetrics

    one = BenchBehind(bench="x", online=True, reason="", hears=True, silent_s=1)
    behind = Behind(at="", boots=0, missing=0, silent=[], benches=[one], refused=[])
    archive = {"state": "online", "queued": 0, "taken": 1, "bytes": 1, "changed": 1, "dropped": {"x": 1}}
    registries = (told.registry, ArchiveMetrics(lambda: archive, lambda: behind).registry)
    known = {id(c): c for registry in registries for c in registry._collector_to_names}
    for collector in known.values():
        for family in collector.collect():
            labels = getattr(collector, "_labelnames", None)
            if labels is None:
                labels = sorted({label for sample in family.samples for label in sample.labels})
            name = family.name + {"counter": "_total", "info": "_info"}.get(family.type, "")
            if family.type == "info":
                labels = sorted({label for sample in family.samples for label in sample.labels})
            out[name + (f"{{{','.join(sorted(labels))}}}" if labels else "")] = family.type
    return out


def topics() -> Facts:
    """Topic: the published form of its payload."""
    from benchd.sinks.mqtt.channels import channels

    return {topic.address.format(prefix="PREFIX", bench="BENCH", machine="MACHINE"): topic.form for topic in channels()}


def forms() -> Facts:
    """Names that `benchd schema` knows."""
    from benchd.cli.schema import published

    return {name: "" for name in published()}


def cause_fields() -> Facts:
    """Fields of `why` (with those of its conditions) and of `next-trial`, as their schemas have them."""
    from benchd.studies.responses import FORMS

    out: Facts = {}
    for form in ("why", "next-trial"):
        schema = FORMS[form].model_json_schema(mode="serialization", by_alias=True)
        kinds = schema["$defs"]
        top = schema.get("properties") or kinds[schema["$ref"].rsplit("/", 1)[1]]["properties"]
        out |= {f"{form}.{name}": "" for name in top}
        if form == "why":
            out |= {f"why.causes.conditions.{name}": "" for name in kinds["Condition"]["properties"]}
    return out


def alert_fields() -> Facts:
    """Fields of the JSON that an alert command gets."""
    from benchd.sinks.alerts.message import AlertMessage

    return {field.alias or name: "" for name, field in AlertMessage.model_fields.items()}


def models_in(hint: Any) -> list[type[BaseModel]]:
    if isinstance(hint, type) and not isinstance(hint, types.GenericAlias):
        return [hint] if issubclass(hint, BaseModel) else []
    return [model for part in typing.get_args(hint) for model in models_in(part)]


def settings(whole: type[BaseModel] | None = None) -> Facts:
    """Key: default as TOML writes it, "needed", or "-" for none. `whole`: another file's than a bench's."""
    from benchd.settings import Settings

    def walk(model: type[BaseModel], where: str) -> Iterator[tuple[str, str]]:
        for name, field in model.model_fields.items():
            inner = models_in(field.annotation)
            if inner:
                yield from walk(inner[0], f"{where}{name}.")
                continue
            if field.is_required():
                yield where + name, "needed"
                continue
            default = field.get_default(call_default_factory=True)
            yield where + name, "-" if default is None else json.dumps(default)

    return dict(walk(whole or Settings, ""))


def commands() -> Facts:
    """`benchd ...`: its arguments and options, and its exit codes as its help tells them."""
    import typer

    from benchd.cli.main import build

    def walk(command: Any, name: str) -> Iterator[tuple[str, str]]:
        if hasattr(command, "commands"):
            for inner, one in command.commands.items():
                yield from walk(one, f"{name} {inner}")
            if not command.invoke_without_command or name == "benchd":
                return
        words = [p.opts[0] if p.param_type_name == "option" else p.name.upper() for p in command.params]
        exits = re.search(r"Exit(?: codes?)?:?(.*)", command.help or "", re.DOTALL)
        codes = sorted(set(re.findall(r"\b[012]\b", exits[1]))) if exits else []
        yield name, f"{' '.join(sorted(w for w in words if w != '--help'))} exit {' '.join(codes)}"

    return dict(walk(typer.main.get_command(build()), "benchd"))


def routes() -> Facts:
    """`METHOD path` of everything that the daemon's server answers."""
    from benchd.daemon import Daemon
    from benchd.settings import load_settings
    from benchd.web.app import make_app

    def walk(listed: Any) -> Iterator[str]:
        for route in listed:
            inner = getattr(route, "original_router", None)
            if inner is not None:
                yield from walk(inner.routes)
            elif getattr(route, "methods", None):
                yield from (f"{method} {route.path}" for method in route.methods if method != "HEAD")
            else:
                yield f"GET {route.path}/..."

    with tempfile.TemporaryDirectory() as name:
        config = Path(name) / "bench.toml"
        config.write_text('[http]\nlisten = "127.0.0.1:0"\n')

        async def make() -> list[str]:
            daemon = Daemon(load_settings(config))
            try:
                archive: Any = object()  # no route is asked
                return list(walk(make_app(daemon, archive=archive).routes))
            finally:
                daemon.close()

        return {route: "" for route in asyncio.run(make())}


def archive_settings() -> Facts:
    """Keys of an archive's file that a bench's has not, or has with another default."""
    from benchd.archive.settings import ArchiveSettings

    bench = settings()
    return {name: default for name, default in settings(ArchiveSettings).items() if bench.get(name) != default}


SECTIONS = {
    "Metrics": metrics,
    "MQTT topics": topics,
    "Published forms": forms,
    "Causes and next trials": cause_fields,
    "Alert command": alert_fields,
    "Settings": settings,
    "Archive settings": archive_settings,
    "Commands": commands,
    "HTTP routes": routes,
}


def page_rows(text: str) -> dict[str, dict[str, list[str]]]:
    """Return {section: {first cell: other cells}} of the page's tables; backticks are taken off."""
    out: dict[str, dict[str, list[str]]] = {}
    section = ""
    for line in text.splitlines():
        if line.startswith("## "):
            section = line[3:].strip()
            out[section] = {}
        elif section and line.startswith("| `"):
            first, *rest = [cell.strip().replace("`", "").replace("\x00", "|") for cell in line.strip("|").split("|")]
            assert first not in out[section], f"{first} stands twice under {section}"
            out[section][first] = rest
    return out


def main() -> None:
    have = page_rows(PAGE.read_text() if PAGE.exists() else "")
    for section, facts in SECTIONS.items():
        for name, fact in facts().items():
            if name not in have.get(section, {}):
                print(f"{section}: | `{name}` | {fact} |")


if __name__ == "__main__":
    main()
