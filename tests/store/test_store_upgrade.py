"""Every schema that was ever in use becomes today's with all that was in it; one that broke off is told or mended."""

from __future__ import annotations

import os
import shutil
import sqlite3
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from store.old_store import AT
from store.test_store_open import engine, old_store

from benchd.errors import ExternalError
from benchd.store import Store, schema
from benchd.store.database import VERSION_TABLE

DATA = Path(__file__).parent / "data"
FILES = sorted(path.stem for path in DATA.glob("*.sql"))


def read_in(path: Path, name: str) -> sqlite3.Connection:
    made = sqlite3.connect(path)
    made.executescript((DATA / f"{name}.sql").read_text("utf-8"))
    made.commit()
    return made


def rows_of(store: sqlite3.Connection) -> dict[str, list[dict[str, Any]]]:
    """All rows, by table."""
    store.row_factory = sqlite3.Row
    tables = [row[0] for row in store.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY rowid")]
    return {name: [dict(row) for row in store.execute(f"SELECT * FROM {name}")] for name in tables}


def put(place: str, name: str, folder: Path) -> dict[str, list[dict[str, Any]]]:
    """Make a store of before at a place; return its rows."""
    if "://" not in place:
        with read_in(Path(place), name) as store:
            rows = rows_of(store)
        store.close()
        return rows
    with read_in(folder / "old.db", name) as store:
        rows = rows_of(store)
    store.close()
    old_store(place, name[:4])
    server = engine(place)
    with server.begin() as connection:
        if name == "0005-rests":  # as that one left a server's
            for words in ("boot DROP COLUMN measured", "boot ADD COLUMN off_s DOUBLE PRECISION",
                          "trial ADD COLUMN reseated BOOLEAN NOT NULL DEFAULT false",
                          "trial ADD COLUMN rested_s DOUBLE PRECISION"):  # fmt: skip
                connection.execute(sa.text(f"ALTER TABLE {words}"))
        for table in (one.name for one in schema.metadata.sorted_tables if one.name in rows):
            own = rows[table]
            found = sa.Table(table, sa.MetaData(), autoload_with=connection)
            connection.execute(sa.delete(found))
            for row in own:
                values = {key: as_there(found.c[key].type, value) for key, value in row.items()}
                connection.execute(sa.insert(found).values(values))
    server.dispose()
    return rows


def as_there(kind: Any, value: Any) -> Any:
    import json

    if isinstance(kind, sa.Boolean) and value is not None:
        return bool(value)
    return json.loads(value) if isinstance(kind, sa.JSON) and value is not None else value


def test_there_is_one_of_each() -> None:
    """A new schema comes with a store of it, once it is in use."""
    assert {name[:4] for name in FILES} >= set(schema.VERSIONS[:8])


@pytest.mark.parametrize("name", FILES)
def test_all_that_was_in_it_is_there(place: str, name: str, tmp_path: Path) -> None:
    """Every row of every table, every value of it; the boots, the trials and their results read as they were."""
    before = put(place, name, tmp_path)
    with Store.open(place, data=tmp_path) as store:
        boots = {boot.id: boot for boot in store.boots()}
        first = boots["at286-1"]
        assert (first.outcome, first.started, first.last_code, first.codes) == ("finished", AT[0], "AA", 7)
        assert [(stage.name, stage.t) for stage in first.stages] == [("memory", 0.1), ("hand-over", 9.25)]
        assert first.findings[0].try_ == ["wait", "look"] and first.checks[0].passed
        assert boots["at286-2"].passes_of == "at286-1"
        assert first.off_s == (12.5 if name >= "0005-" and name != "0005" else None)
        assert Path(str(store.capture_of("at286-1"))) == tmp_path / "captures/at286/at286-1.pcapng"
        if name >= "0002":
            assert store.study("card").document == {"question": "why?"}
            assert [(t.id, t.setup, t.ended) for t in store.trials()] == [
                ("T1", {"base": "C8"}, AT[3]),
                ("T2", {"base": "D0"}, None),
            ]
            assert [(r.id, r.boot, r.passed) for r in store.results()] == [(1, "at286-1", True), (2, "at286-2", False)]
            started = store.start_trial(study="card", machine="at286", setup={}, changed={}, started=AT[9])
            assert started.id == "T3", "numbers go on"
        if name >= "0008":
            assert boots["at286-2"].left_out == "mains failed" and boots["at286-2"].trial == "T2"
    made = engine(place)
    with made.connect() as connection:
        assert connection.execute(sa.text(f"SELECT version_num FROM {VERSION_TABLE}")).scalar() == schema.VERSIONS[-1]
        for table, rows in before.items():
            if table in ("boot", "stage", "finding", "boot_check"):
                found = sa.Table(table, sa.MetaData(), autoload_with=connection)
                assert connection.execute(sa.select(sa.func.count()).select_from(found)).scalar() == len(rows)
    made.dispose()


@pytest.mark.parametrize("name", ["0001", "0005-rests", "0007"])
def test_a_kill_at_any_statement_of_an_upgrade(tmp_path: Path, name: str) -> None:
    """A process that dies in the midst leaves the store as it was: the next one upgrades it with all data."""
    read_in(tmp_path / "old.db", name).close()
    at, ended = 0, False
    while not ended:
        at += 2
        path = tmp_path / f"{at}.db"
        shutil.copyfile(tmp_path / "old.db", path)
        if (child := os.fork()) == 0:
            left = [at]

            def count(*_: object, left: list[int] = left) -> None:
                left[0] -= 1
                if left[0] == 0:
                    os._exit(7)

            sa.event.listen(sa.Engine, "before_cursor_execute", count)
            try:
                Store.open(path).close()
            finally:
                os._exit(0)
        ended = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
        with Store.open(path) as store:
            assert len(store.boots()) == 2, at
    assert at > 6


def test_one_that_is_half_of_each_is_told(place: str, tmp_path: Path) -> None:
    """A column that comes later is there already: said in our words, and nothing is changed."""
    put(place, "0005", tmp_path)
    made = engine(place)
    with made.begin() as connection:
        connection.execute(sa.text("ALTER TABLE trial ADD COLUMN rested_s DOUBLE PRECISION"))
    with pytest.raises(
        ExternalError, match=r"has schema 0005, and is not as that is \(.*rested_s.*Nothing was changed"
    ):
        Store.open(place)
    with made.connect() as connection:
        assert "off_s" not in {column["name"] for column in sa.inspect(connection).get_columns("boot")}
        assert connection.execute(sa.text(f"SELECT version_num FROM {VERSION_TABLE}")).scalar() == "0005"
    made.dispose()
