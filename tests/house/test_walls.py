"""The one-way street: which room may import what. Pure rooms know no clock, no files, no network."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2] / "benchd"
PURE = ("decode", "rules", "boots", "trials", "rom")
FORBIDDEN_IN_PURE = {
    "asyncio", "os", "time", "logging", "socket", "threading", "subprocess", "pathlib", "serial", "sqlalchemy",
    "random", "io", "tempfile", "shutil", "signal", "queue",
}  # fmt: skip
WORDS = ("harmless", "errors", "records", "observe", "events", "models")
SHARED = {"benchd", *(f"benchd.{word}" for word in WORDS)}
STUDYING = (
    "trials", "rom", "store", "charts", "mapfiles", "romfiles", "replaying", "rulefiles", "rules", "tomlfile",
    "tomlplaces", "capture",
)  # fmt: skip
MAY_KNOW = {
    "decode": set(),
    "rules": {"benchd.tomlfile", "benchd.tomlplaces"},
    "boots": {"benchd.rules"},
    "trials": set(),
    "rom": {"benchd.tomlfile", "benchd.tomlplaces"},
    "links": set(),
    "capture": set(),
    "store": set(),
    "sinks": {"benchd.store", "benchd.rules.values"},
    "simbench": set(),
    "studying": {f"benchd.{word}" for word in STUDYING},
}
"""Room: what of the house it may import besides itself and the shared vocabulary."""


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
    allowed = MAY_KNOW[room] | {f"benchd.{room}"} | (SHARED if room != "simbench" else {"benchd"})
    for path in files(room):
        for name in imports(path):
            if not name.startswith("benchd"):
                continue
            fine = any(name == a or (name.startswith(a + ".") and a not in SHARED) for a in allowed)
            assert fine, f"{path.relative_to(ROOT)} imports {name}; {room} may not know it"


def test_no_file_is_too_long() -> None:
    """No file over 500 lines: then it is more than one room."""
    long = {str(p.relative_to(ROOT)): n for p in ROOT.rglob("*.py") if (n := len(p.read_text().splitlines())) > 500}
    assert not long


def test_every_module_says_what_it_is() -> None:
    """Each file begins with what it is for."""
    mute = [str(p.relative_to(ROOT)) for p in ROOT.rglob("*.py") if not ast.get_docstring(ast.parse(p.read_text()))]
    assert not mute
