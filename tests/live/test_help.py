"""The help: whole summaries, metavars as people write them, the version."""

from __future__ import annotations

import ast
import json
import subprocess
import sys
from collections.abc import Iterator
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pytest
import typer
from typer.testing import CliRunner

from benchd.cli import main
from benchd.cli.main import COMMANDS, build

LONGEST = 60
STILL_LATE = {
    "study.py", "trial.py", "weigh.py", "weightext.py", "rules.py", "rom.py", "map.py", "studystore.py", "bootsundo.py",
    "studyundo.py", "trialundo.py",
}  # fmt: skip
"""To be emptied: these put imports off from the time when every command was imported at start."""
TOP: Any = typer.main.get_command(build())


def walk(command: Any, words: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], Any]]:
    yield words, command
    for name, inner in getattr(command, "commands", {}).items():
        yield from walk(inner, (*words, name))


def helped(*words: str) -> str:
    done = CliRunner().invoke(build(), [*words, "--help"], env={"COLUMNS": "80", "TERMINAL_WIDTH": "80"})
    assert done.exit_code == 0
    return done.output


@pytest.mark.parametrize("words", [words for words, command in walk(TOP) if hasattr(command, "commands")])
def test_summaries_are_whole(words: tuple[str, ...]) -> None:
    """In a list of commands each has one short sentence, none cut, on 80 columns."""
    listed = helped(*words).split("Commands:\n")[1].splitlines()
    assert listed and all(len(line) <= 80 for line in listed)
    for line in listed:
        summary = line.strip().split("  ", 1)[1].strip()
        assert summary.endswith(".") and not summary.endswith("..."), line
        assert len(summary) < LONGEST, line


@pytest.mark.parametrize("words", [words for words, command in walk(TOP) if not hasattr(command, "commands")])
def test_lists_are_not_told_in_python(words: tuple[str, ...]) -> None:
    """No `<list[...]>`, and dots behind a metavar once."""
    text = helped(*words)
    assert "list[" not in text and "...]..." not in text and "...}..." not in text


def test_metavars_of_lists() -> None:
    """What may stand several times has its name with dots in the usage and in the list."""
    assert "benchd replay [OPTIONS] [FILE...]" in helped("replay") and "\n  FILE...  " in helped("replay")
    assert "[FACTOR=LEVEL...]\n" in helped("trial", "start") and "\n  FACTOR=LEVEL...  " in helped("trial", "start")


def test_version() -> None:
    """`--version` prints what is installed, and ends with 0."""
    done = CliRunner().invoke(build(), ["--version"])
    assert (done.exit_code, done.output) == (0, f"benchd {version('benchd')}\n")


def test_the_table_s_summaries_are_the_commands_own() -> None:
    """What the list of commands shows without importing them is the first line of each one's help."""
    for name, (_, summary) in COMMANDS.items():
        own = TOP.commands[name].help
        assert own.split("\n")[0].split(" Exit code")[0] == summary, name


@pytest.mark.parametrize("words", [["--version"], ["--help"]])
def test_what_needs_no_command_imports_none(words: list[str]) -> None:
    """Neither a command's module nor what it builds on: start-up stays short."""
    code = (
        "import json, sys\nfrom benchd.cli import start\nsys.argv = ['benchd', *sys.argv[1:]]\n"
        "try:\n    start.main()\nfinally:\n    print(json.dumps(sorted(sys.modules)), file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code, *words], capture_output=True, text=True, check=False)
    modules = set(json.loads(done.stderr.splitlines()[-1]))
    assert ("benchd.cli.main" in modules) is (words != ["--version"])
    assert not modules & {f"benchd.cli.{module}" for module, _ in COMMANDS.values()}
    assert not modules & {"sqlalchemy", "pydantic", "numpy", "fastapi", "rich"}
    if words == ["--version"]:
        assert "typer" not in modules and len(modules) < 120


def test_imports_stand_at_the_top() -> None:
    """A command's module is imported only with that command, so nothing in it needs to be put off."""
    late = {
        path.name
        for path in Path(main.__file__).parent.glob("*.py")
        for function in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(function, ast.FunctionDef | ast.AsyncFunctionDef)
        if any(isinstance(node, ast.Import | ast.ImportFrom) for node in ast.walk(function))
    }
    assert late <= {"common.py", "show.py", "boots.py", "sharing.py", "start.py"} | STILL_LATE
