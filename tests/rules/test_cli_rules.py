"""`benchd rules`: what it prints, its JSON, and its exit codes."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
import typer
from click.testing import Result
from typer.testing import CliRunner

from benchd.cli import rules as rules_command
from benchd.errors import UsageError
from benchd.rules import RuleTable
from benchd.rules.files import shipped_tables

BAD = '[table]\nname = "t"\nsource = "own"\n[[stage]]\nname = "a"\nenter = [{ code = "1" }]\nlimit = "soon"\n'
LINTY = '[table]\nname = "t"\nsource = "own"\n[[stage]]\nname = "a"\nenter = [{ text = "o.k" }]\nfinal = true\n'


def run(*args: str) -> Result:
    app = typer.Typer()
    rules_command.register(app)
    return CliRunner().invoke(app, ["rules", *args])


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "bad.toml").write_text(BAD)
    (tmp_path / "linty.toml").write_text(LINTY)
    return tmp_path


def test_check_tells_every_error_with_file_line_and_key(here: Path) -> None:
    done = run("check", "bad.toml")
    assert done.exit_code == 1
    assert "bad.toml:6: error: stage[1].enter[1].code: '1' is not a code" in done.output
    assert "bad.toml:7: error: stage[1].limit: 'soon' is not a duration" in done.output


def test_check_fine_lint_and_strict(here: Path) -> None:
    """Lints are shown and pass, and fail with --strict; shipped tables pass even so."""
    assert run("check", *shipped_tables(), "--strict").exit_code == 0
    mild = run("check", "linty.toml")
    assert mild.exit_code == 0 and "linty.toml:6: lint no-literal: stage[1].enter[1]: pattern 'o.k'" in mild.output
    assert run("check", "linty.toml", "--strict").exit_code == 1


def test_check_json(here: Path) -> None:
    done = run("check", "bad.toml", "linty.toml", "at-p0411", "--json")
    told = json.loads(done.output)
    assert done.exit_code == 1 and told["ok"] is False
    bad, linty, fine = told["files"]
    assert [(e["line"], e["key"]) for e in bad["errors"]] == [
        (6, "stage[1].enter[1].code"),
        (7, "stage[1].limit"),
    ]
    assert [(e["lint"], e["line"]) for e in linty["lints"]] == [("no-literal", 6)]
    assert (fine["table"], fine["errors"], fine["lints"]) == ("at-p0411", [], [])


def test_check_of_a_missing_file_is_wrong_use(here: Path) -> None:
    done = run("check", "gone.toml")
    assert isinstance(done.exception, UsageError)


def test_exit_codes_of_the_program(here: Path) -> None:
    """The program: 0 fine, 1 errors found, 2 no such table or command; one message, no traceback."""
    start = "import sys; from benchd.cli.main import main; sys.argv = ['benchd', *sys.argv[1:]]; main()"

    def program(*args: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run([sys.executable, "-c", start, *args], capture_output=True, text=True, check=False)

    assert program("rules", "check", "at-p1017").returncode == 0
    assert program("rules", "check", "bad.toml").returncode == 1
    unknown = program("rules", "show", "nosuch")
    assert unknown.returncode == 2 and "shipped tables: at-p0410" in unknown.stderr
    assert "Traceback" not in unknown.stderr
    assert program("rules", "nosuch").returncode == 2


def test_list(here: Path) -> None:
    """Shipped tables and those in ./rules, which win by name; a broken one is listed as wrong."""
    (here / "rules").mkdir()
    (here / "rules" / "at-p0411.toml").write_text(LINTY)
    (here / "rules" / "broken.toml").write_text(BAD)
    rows = {row["name"]: row for row in json.loads(run("list", "--json").output)}
    assert set(rows) == {*shipped_tables(), "broken"}
    assert (rows["at-p0411"]["shipped"], rows["at-p0411"]["stages"]) == (False, 1)
    assert rows["at-p1017"]["shipped"] and rows["at-p1017"]["ports"] == ["80"]
    assert "stage[1].limit" in rows["broken"]["error"]
    text = run("list").output
    assert "broken           wrong: benchd rules check" in text and "(./rules)" in text


@pytest.mark.parametrize("name", shipped_tables())
def test_show_holds_the_whole_table(name: str) -> None:
    """Every stage, stall point, piece of advice, caution, explanation and source of a table is shown."""
    told = json.loads(run("show", name, "--json").output)
    told.pop("file")
    table = RuleTable.model_validate(told)  # the JSON is the table again
    text = run("show", name).output
    for stage in table.stage:
        assert stage.name in text and stage.means in text
    for rule in (*table.stall, *table.fault, *table.order, *table.loop):
        for words in (rule.name, rule.means, rule.caution, *rule.try_):
            assert words in text
    for code in table.code:
        assert f"{code.code}" in text and code.means in text
    assert table.table.source in text
    json.dumps(told)


def test_show_is_harmless(here: Path) -> None:
    """A shared table cannot send escape sequences to the terminal."""
    (here / "evil.toml").write_text(LINTY.replace('"own"', '"own \\u001b[2J\\u202e"'))
    done = run("show", "evil.toml")
    assert "\x1b" not in done.output and "\u202e" not in done.output and r"\x1b[2J\u202e" in done.output
