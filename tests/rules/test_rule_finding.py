"""From what stands on a BIOS chip to a table: makers as the public interrupt list names them, class, year."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import typer
from click.testing import Result
from typer.testing import CliRunner

from benchd.cli import rules as rules_command
from benchd.errors import UsageError
from benchd.rules.files import load_table, shipped_tables
from benchd.rules.finding import find

TABLES = [load_table(name, Path()) for name in shipped_tables()]


def names(text: str) -> list[str]:
    return [one.table.name for one in find(TABLES, text)[0]]


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("Award 386 1990", ["at-p0411", "at-p0412"]),
        ("AWARD SOFTWARE 1997 486", ["at-p0412", "at-p0411"]),
        ("386 1990 AMIBIOS", ["at-p0410"]),
        ("(C) 1989 American Megatrends Inc.", ["at-p0410"]),
        ("ami", ["at-p0410"]),
        ("MR BIOS 486", ["at-p1017"]),
        ("mr-bios", ["at-p1017"]),
        ("Microid Research", ["at-p1017"]),
        ("Chips and Technologies 286", ["at-p0413"]),
        ("C&T", ["at-p0413"]),
        ("an 8088 board", ["xt", "xt-open"]),
        ("coreboot", ["coreboot"]),
    ],
)
def test_a_chip_s_words_lead_to_tables(text: str, wanted: list[str]) -> None:
    assert names(text) == wanted


def test_class_and_year_alone_lead_to_every_table_of_that_time() -> None:
    """Nobody knows the maker: the tables whose class and span fit come first, the rest is not hidden."""
    found = names("386 1990")
    assert set(found) == {"at-p0410", "at-p0411", "at-p0413", "at-p1017"}
    assert names("8088 1983")[0] == "xt"


def test_words_that_no_table_knows_are_told() -> None:
    found, unknown = find(TABLES, "the BIOS of Nobody & Sons, 386")
    assert "nobody" in unknown and "sons" in unknown and "bios" not in unknown and found
    assert find(TABLES, "") == ([], [])


def run(*args: str) -> Result:
    app = typer.Typer()
    rules_command.register(app)
    return CliRunner().invoke(app, ["rules", *args])


def test_find_as_a_command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    done = run("find", "Award", "386", "1990", "quux")
    assert done.exit_code == 0
    first = done.output.splitlines()[0]
    assert first.startswith("at-p0411 ") and "because of award, 386, 1990" in first
    assert "no table knows: quux" in done.output
    told = json.loads(run("find", "386 1990 award", "--json").output)
    assert told["tables"][0]["name"] == "at-p0411" and told["tables"][0]["makers"] == ["Award"]
    nothing = run("find", "quux")
    assert nothing.exit_code == 1 and "Record a few good boots" in nothing.output


def test_own_tables_are_found_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "rules").mkdir()
    head = '[table]\nname = "mine"\nsource = "own notes"\nmakers = ["Oddboard"]\n'
    text = head + '[[stage]]\nname = "a"\nenter = [{ code = "10" }]\n'
    (tmp_path / "rules" / "mine.toml").write_text(text)
    assert run("find", "oddboard").output.startswith("mine")
    (tmp_path / "rules" / "broken.toml").write_text("[")
    assert run("find", "oddboard").output.startswith("mine")


def test_list_and_about_name_the_makers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    rows = {line.split()[0]: line for line in run("list").output.splitlines()}
    assert rows["at-p0411"].endswith("[Award]") and "[" not in rows["coreboot"]
    listed = {row["name"]: row for row in json.loads(run("list", "--json").output)}
    assert listed["at-p1017"]["makers"] == ["Microid Research", "MR BIOS"]
    told = run("about", "award").output
    assert "at-p0411\n" in told and "at-p0412\n" in told and "a boot ends with: code FF" in told
    assert "These machines speak little" in run("about", "xt").output
    assert isinstance(run("about", "quux").exception, UsageError)
