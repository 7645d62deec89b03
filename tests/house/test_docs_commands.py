"""Commands that the documentation shows exist, with the options it shows."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import typer

from benchd.cli.main import build

ROOT = Path(__file__).resolve().parents[2]
PAGES = [*sorted(ROOT.glob("*.md")), *sorted((ROOT / "firmware-notes").rglob("*.md"))]
APP: Any = typer.main.get_command(build())


def fenced(text: str) -> Iterator[str]:
    """Yield the lines of code fences and of indented blocks, continued lines joined."""
    yield from re.findall(r"^ {4,}(\S.*)$", text, re.MULTILINE)
    for block in re.findall(r"^```[^\n]*\n(.*?)^```", text, re.DOTALL | re.MULTILINE):
        yield from block.replace("\\\n", " ").splitlines()


def shown(text: str) -> Iterator[list[str]]:
    """Yield the words after `benchd` of each command line in fences, and of `benchd ...` in running text."""
    running = re.sub(r"^```.*?^```", "", text, flags=re.DOTALL | re.MULTILINE)
    spans = re.findall(r"`((?:benchd|python3? -m benchd) [^`\n]+)`", running)
    for line in [*fenced(text), *spans]:
        found = re.match(r"^\s*(?:\$ )?(?:.* && )?(?:\S*python3? -m )?(?:\S*/)?benchd (.*)$", line)
        if not found:
            continue
        try:
            words = shlex.split(found[1], comments=True)
        except ValueError:
            words = found[1].split()
        ends = [n for n, word in enumerate(words) if word in ("|", ">", "&&", "&", ";", "<")]
        yield words[: ends[0]] if ends else words


def fault(words: list[str]) -> str | None:
    """Say what is wrong with a command line: an unknown command or option."""
    command, name = APP, "benchd"
    while words and hasattr(command, "commands"):
        first, *words = words
        if first.isupper():
            return None  # a placeholder
        if first.startswith("-") and command.invoke_without_command:
            words = [first, *words]
            break
        if first not in command.commands:
            return None if first == "--help" else f"{name} has no command {first!r}"
        command, name = command.commands[first], f"{name} {first}"
    known = {"--help"} | {opt for param in command.params for opt in (*param.opts, *param.secondary_opts)}
    for word in words:
        option = word.strip("[]").partition("=")[0].rstrip(",.;:")
        if re.fullmatch(r"--?[a-z][a-z-]*", option) and option not in known:
            return f"{name} has no option {option}"
    return None


@pytest.mark.parametrize("page", PAGES, ids=lambda path: path.name)
def test_commands_exist(page: Path) -> None:
    """Every command line of a page can be typed as it stands."""
    for words in shown(page.read_text(encoding="utf-8")):
        assert fault(words) is None, f"{page.relative_to(ROOT)}: benchd {' '.join(words)}: {fault(words)}"


def test_there_are_commands_to_check() -> None:
    """The search finds what the README shows, and tells wrong ones from right ones."""
    if (ROOT / "README.md").exists():
        assert len(list(shown((ROOT / "README.md").read_text(encoding="utf-8")))) >= 3
    assert fault(["boots", "--json"]) is None and fault(["rom", "pad", "x", "--out", "y"]) is None
    assert fault(["boot"]) == "benchd has no command 'boot'"
    assert fault(["rom", "pat"]) == "benchd rom has no command 'pat'"
    assert fault(["boots", "--jason"]) == "benchd boots has no option --jason"
    text = "```sh\n$ benchd boots --json | jq .\nbenchd show \\\n  last\n```\nand `benchd run --config x`"
    assert list(shown(text)) == [["boots", "--json"], ["show", "last"], ["run", "--config", "x"]]
