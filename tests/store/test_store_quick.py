"""Boots listed without the database library: the same as the store says, or left to it."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from benchd.cli.reading import BENCH, SECTIONS
from benchd.errors import UsageError
from benchd.settings import BenchPart, Settings
from benchd.store import Store
from benchd.store.quick import QuickBoots, quick_boots
from benchd.vocabulary.models import Boot, Check, Finding, Stage

START = datetime(2026, 3, 1, tzinfo=UTC)


@pytest.fixture
def room(tmp_path: Path) -> Path:
    """A data folder with 40 boots of two machines."""
    with Store.open(str(tmp_path / "data" / "benchd.db")) as store:
        for n in range(40):
            boot = Boot(
                id=f"b{n:03d}",
                machine="at286" if n % 3 else "xt",
                trial="T1" if n % 5 == 0 else None,
                table="t",
                started=(START + timedelta(minutes=n % 7)).isoformat(),
                outcome="stalled" if n % 4 == 0 else "finished",
                stages=[Stage(name=f"s{i}", t=i, u=0.01) for i in range(3)],
                findings=[Finding(kind="stall", rule="r", t=1.0, means="m\udc80", try_=["a", "b"])] * (n % 2),
                checks=[Check(name="c", passed=n % 2 == 0, t=2.0)],
            )
            store.save_boot(boot, capture=str(tmp_path / "data/captures/at286/c.pcapng"))
    (tmp_path / "bench.toml").write_text('[bench]\nname = "b"\n[[machine]]\nname = "at286"\nrules = "demo-at286"\n'
        '[[machine.link]]\nkind = "post"\nport = "/nowhere"\n')  # fmt: skip
    return tmp_path


def opened(room: Path) -> QuickBoots:
    quick = quick_boots(room / "data/benchd.db", room / "data")
    assert quick is not None
    return quick


def test_both_say_the_same(room: Path) -> None:
    quick = opened(room)
    with Store.open(str(room / "data/benchd.db")) as store:
        for asked in (
            {}, {"limit": 7}, {"limit": 0}, {"machine": "xt", "limit": 5, "newest_first": False}, {"trial": "T1"},
            {"outcome": "stalled"}, {"since": START + timedelta(minutes=3)}, {"before": "b020", "limit": 9},
            {"before": "none"}, {"machine": "x\0"},
        ):  # fmt: skip
            assert quick.boots(**asked) == store.boots(**asked), asked
        assert quick.boot("b017") == store.boot("b017")
        assert quick.machines() == store.machines() == ["at286", "xt"]
        assert quick.capture_of("b017") == store.capture_of("b017") == str(room / "data/captures/at286/c.pcapng")
        assert quick.newest_measured() is None and not quick.is_foretold("T1")
        for unclear in ("b01", "none", ""):
            with pytest.raises(UsageError) as first:
                quick.boot(unclear)
            with pytest.raises(UsageError) as second:
                store.boot(unclear)
            assert str(first.value) == str(second.value)
    quick.close()


def test_it_neither_writes_nor_keeps_a_writer_waiting(room: Path) -> None:
    quick = opened(room)
    boots = quick.boots(limit=1)
    with pytest.raises(sqlite3.Error), quick._asking() as ask:
        ask("DELETE FROM boot")
    with Store.open(str(room / "data/benchd.db")) as store:
        store.save_boot(boots[0].model_copy(update={"id": "new"}))
    assert quick.boot("new").id == "new"
    quick.close()


def test_what_is_not_as_usual_is_left_to_the_store(room: Path, tmp_path: Path) -> None:
    file = room / "data/benchd.db"
    assert quick_boots(room / "none.db", room) is None
    connection = sqlite3.connect(file)
    connection.execute("UPDATE benchd_schema SET version_num = '0001'")
    connection.commit()
    assert quick_boots(file, room) is None
    connection.execute("DELETE FROM benchd_schema")
    connection.commit()
    assert quick_boots(file, room) is None
    connection.close()
    file.write_bytes(b"no database at all" * 100)
    assert quick_boots(file, room) is None


def test_the_settings_that_it_looks_at_are_those_that_there_are() -> None:
    assert set(Settings.model_fields) == SECTIONS
    assert set(BenchPart.model_fields) - {"store"} == BENCH.keys()


def test_few_queries_however_many_boots(room: Path) -> None:
    quick = opened(room)
    seen: list[str] = []
    quick._connection.set_trace_callback(seen.append)
    assert len(quick.boots(limit=40)) == 40
    assert len([one for one in seen if one.startswith("SELECT")]) == 4
    quick.close()


@pytest.mark.parametrize("words", [("boots", "--json"), ("show", "last"), ("boots", "--machine", "xt", "--json")])
def test_commands_that_list_boots_import_no_database_library(room: Path, words: tuple[str, ...]) -> None:
    code = (
        "import json, sys\nfrom benchd.cli import start\nsys.argv = ['benchd', *sys.argv[1:]]\n"
        "try:\n    start.main()\nfinally:\n    print(json.dumps(sorted(sys.modules)), file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, *words, "--config", str(room / "bench.toml")], capture_output=True, text=True
    )
    assert done.returncode in (0, 1) and "b0" in done.stdout, done.stderr[-500:]
    modules = set(json.loads(done.stderr.splitlines()[-1]))
    assert not modules & {"sqlalchemy", "numpy", "re2", "benchd.settings", "benchd.decode", "benchd.rules"}
    assert sum(name.startswith("benchd.") for name in modules) < 30


def test_a_damaged_store_is_told_as_by_the_store(room: Path) -> None:
    """What goes wrong while boots are read quickly is said in the store's words, with its exit code."""
    connection = sqlite3.connect(room / "data/benchd.db")
    connection.execute("UPDATE finding SET try_ = '{no json'")
    connection.commit()
    connection.close()
    done = subprocess.run(
        [sys.executable, "-m", "benchd", "boots", "--config", str(room / "bench.toml")], capture_output=True, text=True
    )
    assert done.returncode == 1 and "the file is damaged" in done.stderr and "Traceback" not in done.stderr
