"""One way only: which room may import what. Pure rooms know no clock, no files, no network."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2] / "benchd"
PURE = ("decode", "rules", "boots", "inference", "rom", "vocabulary", "live_state.py")
OUTSIDE = {"rules/files.py", "rom/loading.py"}
"""Readers of files that live in the room which knows the kind."""
FORBIDDEN_IN_PURE = {
    "asyncio", "os", "time", "logging", "socket", "threading", "subprocess", "pathlib", "serial", "sqlalchemy",
    "random", "io", "tempfile", "shutil", "signal", "queue",
}  # fmt: skip
WORDS = ("harmless", "errors", "checkwords", "leftout", "vocabulary")
SHARED = {"benchd", *(f"benchd.{word}" for word in WORDS)}
ONE_KIND = {"benchd.tomlfile", "benchd.tomlplaces"}
MAY_KNOW = {
    "vocabulary": set(),
    "live_state.py": set(),
    "decode": set(),
    "rules": ONE_KIND,
    "boots": {"benchd.rules"},
    "watch": {
        "benchd.boots",
        "benchd.capture",
        "benchd.clock",
        "benchd.decode",
        "benchd.inference",
        "benchd.links",
        "benchd.live_state",
        "benchd.files",
        "benchd.rules",
        "benchd.settings",
        "benchd.store",
        "benchd.worker",
    },
    "inference": {"benchd.rules"},
    "rom": ONE_KIND,
    "reporter": {"benchd.rom"},
    "drawing": {"benchd.inference"},
    "links": set(),
    "card": {"benchd.decode", "benchd.links"},
    "capture": set(),
    "store": set(),
    "sinks": {"benchd.store", "benchd.clock", "benchd.live_state", "benchd.boots.deadlines", "benchd.worker"},
    "demo": set(),
    "archive": {
        "benchd.sinks.mqtt",
        *(f"benchd.{part}" for part in ("store", "web", "settings", "files", "tomlfile", "clock", "worker")),
        *(f"benchd.sinks.{part}" for part in ("base", "page_feed")),
    },
    "upkeep": {
        "benchd.tomlfile",
        *(f"benchd.{room}" for room in ("capture", "clock", "files", "rules", "rom", "settings", "store", "worker")),
        *(f"benchd.watch.{part}" for part in ("discard", "folder", "progress", "replay")),
    },
    "studies": {
        *ONE_KIND,
        "benchd.files",
        *(f"benchd.{room}" for room in ("inference", "rom", "store", "drawing", "watch", "rules", "capture")),
    },
    "web": {
        "benchd.apart",
        *(
            f"benchd.{room}"
            for room in ("studies", "inference", "rom", "reporter", "rules", "store", "drawing", "settings", "worker")
        ),
        *(f"benchd.{part}" for part in ("boots.limits", "boots.deadlines", "watch.watcher", "watch.trace", "capture")),
        *(f"benchd.sinks.{part}" for part in ("base", "metrics", "page_feed")),
    },
    "cli": {
        *ONE_KIND,
        "benchd.archive",
        *(
            f"benchd.{room}"
            for room in (
                "studies",
                "inference",
                "rom",
                "reporter",
                "card",
                "rules",
                "store",
                "settings",
                "keptwhere",
                "files",
                "upkeep",
            )
        ),
        *(
            f"benchd.watch.{part}"
            for part in (
                "trace",
                "replay",
                "rebuild",
                "rejudge",
                "folder",
                "cutting",
                "archive",
                "importing",
                "waveform",
                "listening",
                "textlog",
            )
        ),
        "benchd.capture",
        "benchd.decode.report",
        "benchd.decode.cardcheck",
        "benchd.decode.reportline",
        "benchd.decode.heard",
        "benchd.links.identity",
        "benchd.links.ports",
        "benchd.links.loopback",
        "benchd.links.settings",
        "benchd.sdnotify",
    },
}
"""Room: what of the house it may import besides itself and the shared vocabulary."""
SINKS_SHARE = ("base", "collect")
"""Modules of `sinks/` that every sink may import."""
MORE = {
    "demo/story.py": SHARED | {"benchd.studies", "benchd.store", "benchd.inference"},
    "cli/run.py": {"benchd.daemon"},
    "cli/demo.py": {"benchd.daemon", "benchd.demo"},
    "cli/practice.py": {"benchd.demo"},
    "cli/live.py": {"benchd.web.auth"},
    "cli/schema.py": {"benchd.sinks"},
    **{path: {"benchd.files"} for path in OUTSIDE},
}
"""File: what it may import beyond its room: the simulated machine stands alone, the story is told about it."""


def imports(path: Path) -> set[str]:
    """Return the modules that a file imports anywhere in it."""
    out: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            out.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            out.add(node.module)
    return out


def files(room: str) -> list[Path]:
    found = [ROOT / room] if room.endswith(".py") else sorted((ROOT / room).rglob("*.py"))
    assert found, f"room {room} is empty"
    return found


@pytest.mark.parametrize("room", PURE)
def test_pure_rooms_know_no_clock_and_no_io(room: str) -> None:
    """Time and data come in as arguments; a forbidden import is a hole in the wall."""
    for path in files(room):
        if str(path.relative_to(ROOT)) in OUTSIDE:
            continue
        bad = {name for name in imports(path) if name.split(".")[0] in FORBIDDEN_IN_PURE}
        assert not bad, f"{path.relative_to(ROOT)} imports {sorted(bad)}"
        calls = [
            node
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
            if isinstance(node, ast.Call)
            and isinstance(node.func, ast.Attribute | ast.Name)
            and (getattr(node.func, "attr", "") in {"now", "utcnow", "today"} or getattr(node.func, "id", "") == "open")
        ]
        assert not calls, f"{path.relative_to(ROOT)} looks at the clock or opens a file at line {calls[0].lineno}"


@pytest.mark.parametrize("room", MAY_KNOW)
def test_rooms_know_only_their_neighbours(room: str) -> None:
    """Imports go one way: a room imports itself, the shared vocabulary, and what stands in MAY_KNOW."""
    allowed = MAY_KNOW[room] | {f"benchd.{room}"} | (SHARED if room != "demo" else {"benchd"})
    for path in files(room):
        more = MORE.get(str(path.relative_to(ROOT)), set())
        for name in imports(path):
            if not name.startswith("benchd"):
                continue
            fine = any(name == a or (name.startswith(a + ".") and a != "benchd") for a in allowed | more)
            assert fine, f"{path.relative_to(ROOT)} imports {name}; {room} may not know it"


def sinks() -> dict[str, list[Path]]:
    """Return each sink of the room and its files: a folder is one sink, and so is each module that is nobody's part."""
    room = ROOT / "sinks"
    out = {path.name: sorted(path.rglob("*.py")) for path in room.iterdir() if (path / "__init__.py").exists()}
    modules = {path.stem: [path] for path in room.glob("*.py") if path.stem not in {"__init__", *SINKS_SHARE}}
    return out | modules


def test_a_sink_imports_no_other_sink() -> None:
    """Between sinks there is only what SINKS_SHARE names; those share nothing of any sink."""
    found = sinks()
    assert {"mqtt", "alerts", "metrics", "page_feed", "store_sink"} <= set(found)
    shared = {word: [ROOT / "sinks" / f"{word}.py"] for word in SINKS_SHARE}
    for name, paths in (found | shared).items():
        for path in paths:
            others = {i.split(".")[2] for i in imports(path) if i.startswith("benchd.sinks.")} - {name, *SINKS_SHARE}
            assert not others, f"{path.relative_to(ROOT)} imports of other sinks: {sorted(others)}"


def test_no_file_is_too_long() -> None:
    """No file over 500 lines: then it is more than one room."""
    long = {str(p.relative_to(ROOT)): n for p in ROOT.rglob("*.py") if (n := len(p.read_text().splitlines())) > 500}
    assert not long


def test_every_module_says_what_it_is() -> None:
    """Each file begins with what it is for."""
    mute = [str(p.relative_to(ROOT)) for p in ROOT.rglob("*.py") if not ast.get_docstring(ast.parse(p.read_text()))]
    assert not mute


def test_toml_is_read_and_written_in_one_place() -> None:
    """Whoever needs TOML asks for it there: so all kinds of files accept and refuse the same."""
    users = {str(p.relative_to(ROOT)) for p in ROOT.rglob("*.py") if imports(p) & {"tomllib", "tomlkit", "tomli_w"}}
    assert users == {"tomlfile.py", "tomlplaces.py"}
