"""firmware-notes/studies.md and the study commands say the same: every command, option and document key."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from studies.conftest import COMMAND

from benchd.studies.document import FactorPart, GoalPart, StudyDocument

NOTES = (Path(__file__).parents[2] / "firmware-notes/studies.md").read_text()
EVERYWHERE = {"--config", "--archive", "--json", "--help"}


def commands() -> dict[str, Any]:
    """The commands of this room by their words."""
    top: dict[str, Any] = COMMAND.commands  # type: ignore[attr-defined]
    found = {f"{name} {word}": one for name in ("study", "trial") for word, one in top[name].commands.items()}
    found |= {name: top[name] for name in ("compare", "why", "next", "report")}
    return found | {"rules draft": top["rules"].commands["draft"]}


def rows() -> list[tuple[str, set[str]]]:
    """(first cell, options named in the second) of the table of commands."""
    part = NOTES.split("## Commands")[1].split("\n## ")[0]
    out = []
    for line in part.splitlines():
        cells = [cell.strip() for cell in re.split(r"(?<!\\)\|", line)[1:-1]]
        if len(cells) == 3 and "`" in cells[0]:
            out.append((cells[0], set(re.findall(r"--[a-z-]+", cells[1]))))
    return out


@pytest.mark.parametrize("words", list(commands()))
def test_every_command_and_option_is_described(words: str) -> None:
    """The row of a command names exactly its options (rows that two commands share: those of either)."""
    own = [options for cell, options in rows() if re.search(rf"`{words}[ `]", cell)]
    assert len(own) == 1, words
    real = {
        name
        for parameter in commands()[words].params
        if parameter.param_type_name == "option"
        for name in (*parameter.opts, *parameter.secondary_opts)
    } - EVERYWHERE
    shared = words in ("study list", "study show", "trial list", "trial show")
    assert real <= own[0] and (shared or real == own[0]), (words, real ^ own[0])


def test_every_described_command_exists() -> None:
    """No row describes what there is not."""
    known = set(commands())
    for cell, _ in rows():
        for text in re.findall(r"`([^`]+)`", cell):
            words = text.split()
            assert words[0] in known or " ".join(words[:2]) in known, text


def test_every_key_of_the_document_is_described() -> None:
    """The table of keys names each key of the study document, of a factor and of the goal."""
    part = NOTES.split("## The study document")[1].split("Goals:")[0]
    keys = set(re.findall(r"[a-z_]+", " ".join(re.findall(r"`([^`]+)`", part))))
    for model in (StudyDocument, FactorPart, GoalPart):
        assert set(model.model_fields) <= keys, set(model.model_fields) - keys


def test_every_command_states_its_exit_codes() -> None:
    """The help of each command says what 0, 1 and 2 mean."""
    for words, command in commands().items():
        assert re.search(r"Exit codes: 0 [^,]+.*1 .*2 ", " ".join((command.help or "").split())), words
