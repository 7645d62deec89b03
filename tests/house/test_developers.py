"""DEVELOPERS.md is of this tree: every file it names is there, and every room and module of benchd has its row."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
TEXT = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
HOUSE = TEXT.split("## The house")[1].split("\n## ")[0]


def missing(text: str) -> set[str]:
    """Return the paths named in `text` (from the top, or from `benchd/`) that are not there."""
    named = re.findall(r"`(?:python3? )?((?:[\w.-]+/)+[\w.-]*)[^`]*`", text)
    plain = {name for name in named if "NAME" not in name}
    return {name for name in plain if not (ROOT / name).exists() and not (ROOT / "benchd" / name).exists()}


def test_every_file_that_it_names_is_there() -> None:
    assert len(re.findall(r"`benchd/", TEXT)) > 30
    assert missing(TEXT) == set()
    assert missing("`benchd/street/`, `boots/tracker.py`, `tests/none.py 200`") == {"benchd/street/", "tests/none.py"}


def test_the_house_has_a_row_for_every_room_and_module() -> None:
    rooms, _, watch = HOUSE.partition("In `benchd/watch/`:")
    there = {f"{path.name}/" for path in (ROOT / "benchd").iterdir() if (path / "__init__.py").exists()}
    there |= {path.name for path in (ROOT / "benchd").glob("*.py") if not path.name.startswith("__")}
    told = set(re.findall(r"`(?:benchd/)?(\w+(?:/|\.py))`", rooms))
    assert told - {"bench.py"} == there
    modules = {path.name for path in (ROOT / "benchd/watch").glob("*.py") if path.name != "__init__.py"}
    assert set(re.findall(r"`(\w+\.py)`", watch)) == modules
