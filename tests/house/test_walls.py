"""The one-way street: which room may import what. Pure rooms know no clock, no files, no network."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2] / "benchd"
PURE = ("decode", "rules", "boots", "inference", "rom", "vocabulary")
OUTSIDE = {"rules/files.py", "rom/files.py", "rom/mapfiles.py"}
"""Readers of files that live in the room which knows the kind."""
FORBIDDEN_IN_PURE = {
    "asyncio", "os", "time", "logging", "socket", "threading", "subprocess", "pathlib", "serial", "sqlalchemy",
    "random", "io", "tempfile", "shutil", "signal", "queue",
}  # fmt: skip
WORDS = ("harmless", "errors", "vocabulary")
SHARED = {"benchd", *(f"benchd.{word}" for word in WORDS)}
ONE_KIND = {"benchd.tomlfile", "benchd.tomlplaces"}
MAY_KNOW = {
    "vocabulary": set(),
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
        "benchd.rules",
        "benchd.settings",
        "benchd.store",
        "benchd.worker",
    },
    "inference": set(),
    "rom": ONE_KIND,
    "drawing": {"benchd.inference"},
    "links": set(),
    "capture": set(),
    "store": set(),
    "sinks": {"benchd.clock", "benchd.store", "benchd.rules.values"},
    "demo": set(),
    "studies": {
        *ONE_KIND,
        *(f"benchd.{room}" for room in ("inference", "rom", "store", "drawing", "watch", "rules", "capture")),
    },
}
"""Room: what of the house it may import besides itself and the shared vocabulary."""
MORE = {"demo/story.py": SHARED | {"benchd.studies", "benchd.store", "benchd.inference"}}
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
    found = sorted((ROOT / room).rglob("*.py"))
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
    """The street is one-way: a room imports itself, the shared vocabulary, and what stands in MAY_KNOW."""
    allowed = MAY_KNOW[room] | {f"benchd.{room}"} | (SHARED if room != "demo" else {"benchd"})
    for path in files(room):
        more = MORE.get(str(path.relative_to(ROOT)), set())
        for name in imports(path):
            if not name.startswith("benchd"):
                continue
            fine = any(name == a or (name.startswith(a + ".") and a != "benchd") for a in allowed | more)
            assert fine, f"{path.relative_to(ROOT)} imports {name}; {room} may not know it"


def test_no_file_is_too_long() -> None:
    """No file over 500 lines: then it is more than one room."""
    long = {str(p.relative_to(ROOT)): n for p in ROOT.rglob("*.py") if (n := len(p.read_text().splitlines())) > 500}
    assert not long


def test_every_module_says_what_it_is() -> None:
    """Each file begins with what it is for."""
    mute = [str(p.relative_to(ROOT)) for p in ROOT.rglob("*.py") if not ast.get_docstring(ast.parse(p.read_text()))]
    assert not mute
