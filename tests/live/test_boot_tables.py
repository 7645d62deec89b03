"""Boots as tables and waveforms, read back by programs that were written elsewhere."""

from __future__ import annotations

import csv
import io
import re
import signal
import sys
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb
import pytest
from live.by_capture import GOOD
from live.test_sharing import Bench

from benchd.errors import UsageError
from benchd.studies.boottables import csv_text, parquet_bytes
from benchd.vocabulary.models import Boot, Stage


def read_waveform(path: Path) -> Any:
    """Read a VCD file by vcdvcd, which lets a broken pipe end its process from its import on: that is undone."""
    kept = signal.getsignal(signal.SIGPIPE)
    from vcdvcd import VCDVCD

    signal.signal(signal.SIGPIPE, kept)
    return VCDVCD(str(path), store_tvs=True)


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path / "here")


def test_csv_has_a_row_a_boot(bench: Bench) -> None:
    """Python's own reader gives back the times; a stage that was not reached is empty; filters hold here too."""
    boots = bench.evening()
    rows = list(csv.DictReader(io.StringIO(bench.run("boots", "--csv"))))
    assert [row["boot"] for row in rows] == [boot.id for boot in boots]
    assert [row["outcome"] for row in rows] == ["finished", "finished", "stalled"]
    for row, boot in zip(rows, boots, strict=True):
        reached = {stage.name: stage for stage in boot.stages}
        for name in ("early", "memory", "rom-scan", "hand-over"):
            assert row[f"{name}_s"] == (str(reached[name].t) if name in reached else "")
            assert row[f"{name}_u_s"] == (str(reached[name].u) if name in reached else "")
    assert rows[2]["hand-over_s"] == "" and rows[2]["findings"] == "stall:rom-never-returns"
    assert len(list(csv.DictReader(io.StringIO(bench.run("boots", "--csv", "--outcome", "stalled"))))) == 1
    with pytest.raises(UsageError, match="--csv or --json"):
        bench.run("boots", "--csv", "--json")


def test_what_people_decided_is_in_the_table(bench: Bench, tmp_path: Path) -> None:
    """Why a boot counts nowhere, its note and its labels; empty where nobody wrote any."""
    first, second, _ = bench.evening()
    bench.run("boots", "leave-out", first.id, "mains failed")
    bench.run("boots", "note", first.id, "=the fan\nstood still")
    bench.run("boots", "label", second.id, "cold", "late")
    wanted = [("mains failed", "'=the fan\nstood still", ""), ("", "", "cold, late"), ("", "", "")]
    rows = list(csv.DictReader(io.StringIO(bench.run("boots", "--csv"))))
    assert [(row["left_out"], row["note"], row["labels"]) for row in rows] == wanted
    bench.run("boots", "export", "--parquet", tmp_path / "b.parquet")
    with duckdb.connect() as database:
        told = database.execute(
            f"SELECT left_out, note, labels FROM read_parquet('{tmp_path / 'b.parquet'}') ORDER BY started"
        ).fetchall()
    assert told == [("mains failed", "=the fan\nstood still", ""), (None, "", "cold, late"), (None, "", "")]


def test_no_cell_is_a_formula() -> None:
    """Names of stages and reasons come from tables that anybody wrote."""
    boot = Boot(
        id="pc-1", machine="=cmd()", started="2026-03-01T20:15:00+01:00", start_reason="@x", outcome="finished",
        stages=[Stage(name="-1+2", t=1.5, u=0.1)],
    )  # fmt: skip
    head, row = list(csv.reader(io.StringIO(csv_text([boot]))))
    assert not [cell for cell in head + row if cell[:1] in "=+-@" and cell]
    assert row[head.index("'-1+2_s")] == "1.5"


def test_parquet_is_read_by_another_program(bench: Bench, tmp_path: Path) -> None:
    """DuckDB's reader, no code of the writer's, gives the same numbers, instants and gaps."""
    boots = bench.evening()
    bench.run("boots", "export", "--parquet", tmp_path / "b.parquet")
    with duckdb.connect() as database:
        told = database.execute(f"SELECT * FROM read_parquet('{tmp_path / 'b.parquet'}') ORDER BY started")
        names = [column[0] for column in told.description]
        rows = [dict(zip(names, row, strict=True)) for row in told.fetchall()]
        kinds = {name: str(column[1]) for name, column in zip(names, told.description, strict=True)}
    assert [row["boot"] for row in rows] == [boot.id for boot in boots]
    assert kinds["memory_s"] == "DOUBLE" and kinds["codes"] == "BIGINT" and "TIME ZONE" in kinds["started"]
    for row, boot in zip(rows, boots, strict=True):
        assert row["started"] == datetime.fromisoformat(boot.started)
        assert row["codes"] == boot.codes and row["duration_s"] == boot.duration_s
        assert row["memory_s"] == boot.stages[1].t and row["trial"] is None
    assert [row["hand-over_s"] for row in rows] == [3.0, 3.0, None]
    bench.run("boots", "export", boots[0].id, "--parquet", tmp_path / "b.parquet", "--force")
    with duckdb.connect() as database:
        count = database.execute(f"SELECT count(*) FROM read_parquet('{tmp_path / 'b.parquet'}')").fetchall()
    assert count == [(1,)]


def test_without_the_library_parquet_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    """It is an extra: most benches do without."""
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(UsageError, match=r"pip install 'benchd\[parquet\]'"):
        parquet_bytes([])


def test_a_waveform_is_read_by_another_program(bench: Bench, tmp_path: Path) -> None:
    """vcdvcd's reader gives each code at its time, a turn of the strobe for each, and the stages."""
    boots = bench.evening()
    said = bench.run("boots", "export", boots[0].id, "--vcd", tmp_path / "b.vcd")
    assert "b.vcd: 5 codes of boot" in said
    read = read_waveform(tmp_path / "b.vcd")
    assert int(read.timescale["magnitude"]) == 1 and read.timescale["unit"] == "us"
    code = [(t, int(value, 2)) for t, value in read["post.code"].tv if "x" not in value]
    assert code == [(round(t * 1e6), value) for t, value in GOOD]
    turns = [int(value) for _, value in read["post.strobe"].tv]
    assert turns in ([1, 0, 1, 0, 1], [0, 1, 0, 1, 0, 1])
    assert read.endtime >= 3_000_000
    text = (tmp_path / "b.vcd").read_text()
    assert re.search(r"\$comment\s.*Timescale 1 us.*true to \d+ us or better.*\$end", text, re.DOTALL)
    reached = re.findall(r"^s(\S+) ", text, re.MULTILINE)
    assert reached == ["-", *(stage.name for stage in boots[0].stages)]
