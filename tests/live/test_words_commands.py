"""What commands say, read as a person reads it: tables, drafts, studies, maps, reports."""

from __future__ import annotations

from pathlib import Path

import pytest
from support.daemon import benchd
from support.reports import as_sent, crc, random_world
from typer.testing import CliRunner

from benchd.cli import reporter_read
from benchd.cli.boots import finding_lines
from benchd.cli.main import build
from benchd.cli.reporter_read import _of_text, measured_of
from benchd.cli.rulefind import all_tables
from benchd.decode.report import _Open
from benchd.errors import ExternalError, UsageError
from benchd.inference.answers import Divergence
from benchd.inference.bootlog import Event
from benchd.inference.draft import draft
from benchd.inference.study import CAUTION, CHIP, Factor, Goal, Study
from benchd.inference.wording import CONFLICT, kind_words
from benchd.rules.finding import find
from benchd.studies.csvfile import read_table
from benchd.studies.drafting import PowerUp, Record, draft_table
from benchd.studies.service import the_rest
from benchd.vocabulary.models import Finding


def test_a_stage_that_was_left_out() -> None:
    found = Finding(kind="skipped", rule="storage-rom", stage="storage-rom", code="AA", t=5.0)  # type: ignore[call-arg]
    assert next(finding_lines(found)) == "finished, but storage-rom was never reached, last code AA, at 5.000 s"


@pytest.mark.parametrize("name", ["xt", "coreboot", "at-p0411", "demo-at286", "seabios-text"])
def test_a_table_is_found_by_its_name(name: str) -> None:
    """The name of a shipped table leads to it, before all else that the words may mean."""
    found, unknown = find(all_tables(), name)
    assert found[0].table.name == name and unknown == []


def record(*boots: list[Event]) -> Record:
    return Record(tuple(PowerUp(0, tuple(events)) for events in boots), ())


def line(t: float, text: str) -> Event:
    return Event("line", text, t)


def test_too_few_boots_for_a_draft() -> None:
    """How many can be drafted from, in numbers that agree with their nouns, and what to do."""
    with pytest.raises(UsageError) as caught:
        draft_table(record([line(0.1, "one"), line(0.2, "two")]), [Path("a")], "x")
    assert str(caught.value).startswith("only 1 usable boot in 1 capture; a draft needs from ")
    with pytest.raises(UsageError) as caught:
        draft_table(record(), [Path("a"), Path("b")], "x")
    assert str(caught.value).startswith("no usable boot in 2 captures; a draft needs from ")
    with pytest.raises(UsageError) as caught:
        draft([])
    assert str(caught.value).startswith("only 0 usable boots; a draft needs from 2 to ")


def test_a_draft_without_a_name(tmp_path: Path) -> None:
    done = CliRunner().invoke(build(), ["rules", "draft", "--name", " ", str(tmp_path / "x")])
    assert isinstance(done.exception, UsageError)
    assert str(done.exception) == "--name: give the new table a name, such as old-pc: small letters, digits, hyphen"


@pytest.mark.parametrize(("head", "parts"), [("a;b;result", "semicolons"), ("a\tresult", "tabs")])
def test_cells_that_are_not_parted_by_commas(head: str, parts: str) -> None:
    """What a spreadsheet program saves in many countries."""
    with pytest.raises(UsageError) as caught:
        read_table(f"{head}\n1;2;ok\n", "e.csv", "result")
    assert str(caught.value) == f"e.csv:1: its cells are parted by {parts}: save it as CSV with commas"


def test_a_rest_without_a_unit() -> None:
    """Twenty what? Neither is guessed."""
    with pytest.raises(UsageError) as caught:
        the_rest("20")
    assert str(caught.value) == "the rest without power: 20 of what? Write 20s or 20min"
    assert the_rest("20min") == 1200


def study(**image: object) -> Study:
    factors = (
        Factor("image", ("a", "b"), kind="image", **image),  # type: ignore[arg-type]
        Factor("setting", ("on", "off"), kind="bios-setting"),
        Factor("jumper", ("1", "2"), kind="jumper"),
    )
    return Study("s", factors, question="?", goal=Goal("result-ok"))


def caution(of: Study, **changed: str) -> str | None:
    before = {"image": "a", "setting": "on", "jumper": "1"}
    return of.caution(of.changes(before, before | changed))


def test_one_caution_everywhere() -> None:
    """Hardware that moves, and an image that needs a chip taken out, unless the factor says that it does not."""
    assert caution(study(), setting="off") is None
    assert caution(study(), jumper="2") == CAUTION
    assert caution(study(), image="b") == f"{CAUTION} {CHIP}"
    assert "taking a chip out or opening the case" in CHIP and "`in_place = true`" in CHIP
    assert caution(study(in_place=True), image="b") is None
    assert caution(study(moves_hardware=False), image="b") is None
    assert caution(study(moves_hardware=True), image="b") == f"{CAUTION} {CHIP}"
    assert study().caution((), reseated=True) == CAUTION
    notes = (Path(__file__).resolve().parents[2] / "firmware-notes/studies.md").read_text().replace("\n", " ")
    assert CAUTION in notes  # the same there, word for word


def test_causes_in_words() -> None:
    assert CONFLICT == "conflict of parts" and kind_words(CONFLICT, 2) == "a conflict of two parts"
    assert Divergence((), False, (), ()).words("a", "b") == "they differ from the start: a ends there, b ends there"


def test_a_report_of_another_format(tmp_path: Path) -> None:
    """It is whole, and not damaged: it is said what it is, and what to do."""
    body = b"~00 begin 2 as rom at C8000 uart 3F8 speed 9600 blocks 80 run 1A2B "
    path = tmp_path / "r.txt"
    path.write_bytes(body + b"%04X\r\n~01 tail 1 0000\r\n" % crc(body))
    with pytest.raises(ExternalError) as caught:
        measured_of(path)
    assert str(caught.value).startswith(f"{path}: the report is of format 2, and this benchd reads format 1: build ")
    path.write_bytes(body + b"0000\r\n")
    with pytest.raises(ExternalError, match="no line of a report is whole"):
        measured_of(path)


def test_a_long_log_costs_as_much_as_it_is_long(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each report of a log is made once, not anew at each of its lines; and a mark that begins no line is not tried."""
    from random import Random

    made = []
    real = _Open.measured
    monkeypatch.setattr(_Open, "measured", lambda self: made.append(1) or real(self))  # type: ignore[func-returns-value]
    sent = as_sent(random_world(Random(1)).report())
    assert len(_of_text(sent * 5)) == 5 and len(made) == 5
    tried: list[str] = []
    from benchd.decode import reportline

    monkeypatch.setattr(reportline, "parse_line", tried.append)
    assert reporter_read._of_text(b"~" * 1000) == [] and tried == []


def test_fit_says_that_no_codes_came(tmp_path: Path) -> None:
    """Text alone says nothing of codes; and the table of the demo's machine is ranked for no real one."""
    from live.by_capture import write
    from support.story import TABLE

    from benchd.vocabulary.records import Chunk, LinkInfo

    text = [Chunk("console", n * 1_000_000_000, b"line %d\r\n" % n) for n in range(1, 9)]
    path = write(tmp_path / "a.pcapng", text, text=TABLE, links=[LinkInfo("console", "console", "text")])
    said = benchd("rules", "fit", str(path), code=None)
    rows = said.splitlines()[2:-2]
    assert len(rows) > 5 and all(" no codes " in row and "demo-at286" not in row for row in rows), said
