"""The help: whole summaries, metavars as people write them, the version."""

from __future__ import annotations

from collections.abc import Iterator
from importlib.metadata import version
from typing import Any

import pytest
import typer
from typer.testing import CliRunner

from benchd.cli.main import build

LONGEST = 60
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
    assert "benchd replay [OPTIONS] FILE..." in helped("replay") and "\n  FILE...  " in helped("replay")
    assert "[FACTOR=LEVEL...]\n" in helped("trial", "start") and "\n  FACTOR=LEVEL...  " in helped("trial", "start")


def test_version() -> None:
    """`--version` prints what is installed, and ends with 0."""
    done = CliRunner().invoke(build(), ["--version"])
    assert (done.exit_code, done.output) == (0, f"benchd {version('benchd')}\n")
