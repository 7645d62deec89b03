"""The CSV contract: `study import FILE.csv --name N --goal-column result`, `study export`, and the TOML beside."""

from __future__ import annotations

import csv
import io
from itertools import chain
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from studies.conftest import Commands

from benchd.errors import UsageError
from benchd.store import Hand, Store
from benchd.studies.csvfile import CsvRow, Table, export_table, import_table, read_table
from benchd.studies.loaded import gather, open_study
from benchd.studies.weighing import why

NOW = "2026-03-01T20:00:00+01:00"
TABLE = """\
rom-base,network-card,slot,result
C800,in,3,ok
D000,in,3,fail
D000,in,3,fail
D000,out,3,
D000,out,3,ok
C800,in,5,ok
"""


def test_import_export_is_a_round_trip(benchd: Commands) -> None:
    """The exported rows are the imported ones, boots without result too."""
    benchd("study", "import", benchd.file("evening.csv", TABLE), "--name", "n", "--goal-column", "result")
    assert "6 rows, 5 with a result, in 5 trials" in benchd.out
    assert benchd("study", "export", "n") == TABLE
    out = benchd.folder / "out.csv"
    benchd("study", "export", "n", "--goal-column", "outcome", "--out", str(out))
    assert out.read_text() == TABLE.replace("result", "outcome")
    benchd("study", "export", "n", "--goal-column", "slot", code=2)
    assert "choose another --goal-column" in benchd.err


@pytest.mark.parametrize("level", ["=1+1", "+1", "-5V", "@SUM(A1)", "\tx", "\ry", "'=1+1", "''@x", "'plain", "a=b"])
def test_no_exported_cell_is_a_formula(tmp_path: Path, level: str) -> None:
    """OWASP, "CSV Injection": no cell begins with = + - @, tab or carriage return; read back it is the old value."""
    with Store.open(tmp_path / "b.db") as store:
        table = Table(("=jumper", "card"), (CsvRow(2, {"=jumper": level, "card": "in"}, True),))
        known, _ = import_table(store, "n", table, Hand(NOW))
        text = export_table(known, gather(store, known), "@result")
    cells = [cell for row in csv.reader(io.StringIO(text, newline="")) for cell in row]
    assert len(cells) == 6 and not [cell for cell in cells if cell[:1] in tuple("=+-@\t\r")]
    assert level.startswith(("=", "+", "-", "@", "\t", "\r", "'=", "''@")) or level in cells
    assert [row.setup for row in read_table(text, "n.csv", "@result").rows] == [{"=jumper": level, "card": "in"}]


def test_toml_beside_the_table_is_merged(benchd: Commands) -> None:
    """NAME.toml, else FILE.toml, next to the table gives costs, exclusions, question and reference."""
    table = benchd.file("evening.csv", TABLE)
    more = 'question = "why?"\n[cost]\nslot = 1.5\n[[exclude]]\nrom-base = "D000"\nslot = "5"\nreason = "no room"\n'
    benchd.file("evening.toml", more)
    benchd("study", "import", table, "--name", "n")
    assert "Merged" in benchd.out
    shown = benchd("study", "show", "n")
    assert "why?" in shown and "no room" in shown and "1.5" in shown
    benchd.file("m.toml", 'question = "by name"\n')
    benchd("study", "import", table, "--name", "m")
    assert "by name" in benchd("study", "show", "m")
    benchd("study", "import", table, "--name", "k", "--with", benchd.file("z.toml", 'question = "given"'))
    assert "given" in benchd("study", "show", "k")
    benchd.file("w.toml", "[cost]\nslott = 3\n")
    benchd("study", "import", table, "--name", "w", code=2)
    assert "w.toml:2: cost.slott: no factor is called 'slott'" in benchd.err


def test_rows_are_added_to_a_study_only_when_asked(benchd: Commands) -> None:
    """A second import under one name is refused; --add appends and learns new levels."""
    table = benchd.file("a.csv", TABLE)
    benchd("study", "import", table, "--name", "n")
    benchd("study", "import", table, "--name", "n", code=2)
    assert "--add" in benchd.err
    more = "rom-base,network-card,slot,result\nE000,in,3,ok\n"
    benchd("study", "import", benchd.file("b.csv", more), "--name", "n", "--add")
    assert benchd("study", "export", "n") == TABLE + "E000,in,3,ok\n"
    benchd("study", "import", benchd.file("c.csv", "rom-base,result\nC800,ok\n"), "--name", "n", "--add", code=2)
    assert "not the same factors: network-card, slot" in benchd.err


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "t.csv: empty"),
        ("a,b\n1,2\n", "t.csv:1: no column 'result' for the result; there are a, b"),
        ("a,a,result\n1,2,ok\n", "t.csv:1: column 'a' stands there twice"),
        ("a,result\n1,ok\n2\n", "t.csv:3: 1 cells, the head has 2"),
        ("a,result\n1,maybe\n", "t.csv:2: result: 'maybe' is no result; write ok, fail, or nothing"),
        ("a,result\n,ok\n", "t.csv:2: a: is empty"),
        ("a,result\n", "t.csv: no rows under the head"),
        ("result\nok\n", "t.csv:1: 0 factor columns; from 1 to 24"),
        ('a,result\n"x"y,ok\n', "t.csv:2: not CSV"),
        ("a,result\n" + "x" * 81 + ",ok\n", "has 81 characters; a level has 1 to 80"),
        ("a,result\n" + "".join(f"v{i},ok\n" for i in range(25)), "25 different values; at most 24"),
        (",".join(f"f{i}" for i in range(25)) + ",result\n", "25 factor columns; from 1 to 24"),
    ],
)
def test_wrong_tables_are_refused_where_they_are_wrong(text: str, message: str) -> None:
    """File, line and column, both numbers where a bound is met."""
    with pytest.raises(UsageError) as caught:
        read_table(text, "t.csv", "result")
    assert message in str(caught.value)


def test_missing_and_binary_files_are_the_callers_mistake(benchd: Commands) -> None:
    """No such file, a folder, and a file that is no text."""
    benchd("study", "import", "nowhere.csv", "--name", "n", code=2)
    assert "nowhere.csv: cannot be read" in benchd.err
    benchd("study", "import", str(benchd.folder), "--name", "n", code=2)
    path = benchd.folder / "b.csv"
    path.write_bytes(b"a,result\n\xff\xfe,ok\n")
    benchd("study", "import", str(path), "--name", "n", code=2)
    assert "b.csv:2: Save the file as UTF-8 (line 2 has a byte that is not)" in benchd.err


cells = st.text(
    st.characters(exclude_categories=("Cs", "Cc")) | st.sampled_from("\t,\"';="), min_size=1, max_size=12
).filter(lambda text: text.strip() == text)


@settings(deadline=None, max_examples=25)
@given(
    st.lists(cells.filter(lambda name: name != "result"), min_size=1, max_size=3, unique=True).flatmap(
        lambda names: st.tuples(
            st.just(names),
            st.lists(
                st.tuples(
                    st.tuples(*(st.sampled_from(["x", 'q"', "a,b", "ü"]) for _ in names)),
                    st.sampled_from(["ok", "fail", ""]),
                ),
                min_size=1,
                max_size=12,
            ),
        )
    )
)
def test_any_table_survives(
    tmp_path_factory: pytest.TempPathFactory, made: tuple[list[str], list[tuple[tuple[str, ...], str]]]
) -> None:
    """Whatever the cells hold, Python's own csv reader finds the exported rows equal to the imported ones.

    But for one quote before what a spreadsheet would take for a formula.
    """
    names, rows = made
    written = io.StringIO()
    csv.writer(written, lineterminator="\n").writerows(
        [[*names, "result"], *([*levels, result] for levels, result in rows)]
    )
    with Store.open(tmp_path_factory.mktemp("csv") / "b.db") as store:
        known, _ = import_table(store, "n", read_table(written.getvalue(), "f", "result"), Hand(NOW))
        text = export_table(known, gather(store, known))
    ours, theirs = (list(csv.reader(io.StringIO(one))) for one in (text, written.getvalue()))
    assert [len(row) for row in ours] == [len(row) for row in theirs]
    for one, other in zip(chain(*ours), chain(*theirs), strict=True):
        assert one == other or (one == "'" + other and other[0] in "=+-@")
    assert read_table(text, "f", "result").rows == read_table(written.getvalue(), "f", "result").rows


def test_imported_rows_leave_a_running_trial_alone(tmp_path: Path) -> None:
    """Importing does not end the trial that runs at the bench."""
    with Store.open(tmp_path / "b.db") as store:
        import_table(store, "n", read_table(TABLE, "f", "result"), Hand(NOW))
        store.start_trial(study="n", machine="at286", setup={}, changed={}, started=NOW)
        import_table(store, "m", read_table(TABLE, "f", "result"), Hand(NOW))
        assert store.current_trial("at286") is not None
        assert [t for t in store.trials() if t.ended is None and t.machine != "at286"] == []


def test_eight_factors_and_two_hundred_boots_are_weighed_in_a_second(tmp_path: Path) -> None:
    """The bar of issue 3, from the store: reading the study and weighing it."""
    import random
    import time

    rng = random.Random(7)
    names = [f"f{i}" for i in range(8)]
    rows = []
    for _ in range(200):
        setup = [rng.choice("ab" if i % 2 else "abc") for i in range(8)]
        bad = setup[0] == "a" and setup[1] == "b"
        rows.append(",".join([*setup, "fail" if rng.random() < (0.95 if bad else 0.03) else "ok"]))
    text = "\n".join([",".join([*names, "result"]), *rows])
    with Store.open(tmp_path / "b.db") as store:
        import_table(store, "n", read_table(text, "f", "result"), Hand(NOW))
        why(store, "n")
        begun = time.perf_counter()
        found = why(store, "n")
        took = time.perf_counter() - begun
        assert {(c.factor, c.level) for c in found.causes[0].conditions} == {("f0", "a"), ("f1", "b")}
        assert found.boots == 200 and open_study(store, "n").study.size() == 3**4 * 2**4
    assert took < 1.0, f"{took:.2f} s"
