"""The page of promises: every promise of the README is on it, and every test that it names exists."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
ROWS = [
    [cell.strip() for cell in line.strip("|").split("|")]
    for line in (ROOT / "firmware-notes/promises.md").read_text().splitlines()
    if line.startswith("| ") and not line.startswith(("| ---", "| promise |"))
]


@pytest.mark.parametrize("row", ROWS, ids=[row[0][:40] for row in ROWS])
def test_every_promise_names_tests_that_exist(row: list[str]) -> None:
    """A file, or a test function in it."""
    assert len(row) == 3, row
    named = re.findall(r"`(tests/[^`]+)`", row[2])
    assert named, f"nothing holds: {row[0]}"
    for name in named:
        path, _, function = name.partition("::")
        tree = ast.parse((ROOT / path).read_text())
        functions = {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}
        assert any(one.startswith("test_") for one in functions)
        assert not function or function in functions, name


def test_what_the_readme_promises_is_on_the_page() -> None:
    """Word for word, clause by clause, where a clause promises something."""
    promised = re.search(r"## What it promises\n(.*?)\n\n[A-Z]", (ROOT / "README.md").read_text(), re.DOTALL)
    assert promised
    page = " ".join(row[0] for row in ROWS).lower()
    for words in ("on disk within one second", "kill -9", "a finished boot", "pull the cable", "stop the broker",
                  "fill the disk", "caught up in order", "loopback only", "treated as hostile",
                  "never writes to the machine"):  # fmt: skip
        assert words in " ".join(promised[1].lower().split()), f"the README says it otherwise: {words}"
        assert words in page, f"promises.md lacks: {words}"
