"""Opening: new, older, newer, foreign, locked, missing and unreadable stores are each told apart."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
import sqlalchemy as sa
from support.old_stores import FIRST_SCHEMA_ROWS, engine, old_store, run

from benchd.errors import ExternalError, UsageError
from benchd.store import Hand, Store, database, schema
from benchd.store.database import Database, upgrade
from benchd.vocabulary.models import Boot, Check, Finding, Stage

BOOT = Boot(
    id="b1",
    machine="at286",
    trial="T1",
    table="t",
    started="2026-03-01T20:00:00+01:00",
    outcome="finished",
    stages=[Stage(name="memory", t=0.1, u=0.01), Stage(name="hand-over", t=9.25, u=0.01)],
    findings=[Finding(kind="slow", rule="memory", t=4.0, limit_s=3.5, limit_kind="explicit", try_=["wait", "look"])],
    checks=[Check(name="video-memory", passed=True, t=8.0)],
)


def test_a_store_of_the_first_schema_is_upgraded_with_its_data(place: str) -> None:
    """Boots written by the first version are all there afterwards, and studies can be kept."""
    old_store(place, schema.VERSIONS[0])
    run(place, *FIRST_SCHEMA_ROWS.strip().split(";\n"))
    with pytest.raises(UsageError, match=rf"schema 0001, this benchd reads {schema.VERSIONS[-1]}"):
        Store.open(place, read_only=True)
    with Store.open(place) as store:
        assert store.boots() == [BOOT]
        assert Path(str(store.capture_of("b1"))).name == "c.pcapng"
        assert store.studies() == [] and store.trials() == []
        store.save_boot(BOOT.model_copy(update={"id": "b2"}))
    with Store.open(place, create=False) as store:
        assert [boot.id for boot in store.boots()] == ["b2", "b1"]


def test_absolute_captures_of_an_older_store_become_relative(place: str, tmp_path: Path) -> None:
    """A data folder of before, moved since, finds its captures again; other paths are left alone."""
    old_store(place, "0002")
    row = FIRST_SCHEMA_ROWS.strip().split(";\n")[0]
    paths = {"b1": "/old/place/data/captures/at286/20250101-000000.pcapng", "b2": "/mail/x.pcapng", "b3": None,
             "b4": "/old/place/data/captures/at286/20250101-000000.pcapng", "b5": "/captures/x.pcapng"}  # fmt: skip
    for name, path in paths.items():
        value = "NULL" if path is None else f"'{path}'"
        run(place, row.replace("'b1'", f"'{name}'").replace("'c.pcapng'", value))
    with Store.open(place, data=tmp_path) as store:
        assert {name: store.capture_of(name) for name in paths} == {
            **paths, **dict.fromkeys(("b1", "b4"), str(tmp_path / "captures/at286/20250101-000000.pcapng"))
        }  # fmt: skip


def test_migrations_lead_to_the_tables_the_code_uses(place: str) -> None:
    """Alembic's own comparison finds no difference, and the script's head is the version the code names."""
    from alembic.autogenerate import compare_metadata
    from alembic.runtime.migration import MigrationContext
    from alembic.script import ScriptDirectory

    Store.open(place).close()
    made = engine(place)
    with made.connect() as connection:
        options = {"version_table": schema.VERSION_TABLE, "compare_type": True}
        assert compare_metadata(MigrationContext.configure(connection, opts=options), schema.metadata) == []
    made.dispose()
    scripts = ScriptDirectory(str(Path(database.__file__).parent / "migrations"))
    assert scripts.get_heads() == [schema.VERSIONS[-1]]
    assert tuple(reversed([step.revision for step in scripts.walk_revisions()])) == schema.VERSIONS


def test_a_failed_upgrade_changes_nothing(place: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """An upgrade that breaks off half-way leaves the old store whole: schema changes are in one transaction."""
    old_store(place, schema.VERSIONS[0])
    run(place, *FIRST_SCHEMA_ROWS.strip().split(";\n"))

    def half(connection: sa.Connection, version: str) -> None:
        upgrade(connection, version)
        raise RuntimeError("power cut")

    monkeypatch.setattr(database, "upgrade", half)
    with pytest.raises(RuntimeError, match="power cut"):
        Store.open(place)
    monkeypatch.undo()
    made = engine(place)
    with made.connect() as connection:
        assert "trial" not in sa.inspect(connection).get_table_names()
    made.dispose()
    with Store.open(place) as store:
        assert store.boots() == [BOOT]


def test_a_newer_store_is_refused(place: str) -> None:
    """A schema this benchd does not know is named and not touched."""
    Store.open(place).close()
    run(place, "UPDATE benchd_schema SET version_num = '0999'")
    for read_only in (False, True):
        with pytest.raises(
            UsageError, match=rf"schema 0999; this benchd knows up to {schema.VERSIONS[-1]}: use the newer"
        ):
            Store.open(place, read_only=read_only)


def test_another_programs_database_is_refused(place: str) -> None:
    """Tables that are not ours are named, and stay alone."""
    run(place, "CREATE TABLE cookies (id INTEGER)")
    with pytest.raises(UsageError, match=r"another program \(tables cookies\); nothing was changed"):
        Store.open(place)
    made = engine(place)
    with made.connect() as connection:
        assert sa.inspect(connection).get_table_names() == ["cookies"]
    made.dispose()


def test_an_empty_database_is_not_a_store_unless_made_one(place: str) -> None:
    """`create=False` and `read_only` never make one."""
    with pytest.raises(UsageError, match=r"first `benchd run`"):
        Store.open(place, create=False)
    with pytest.raises(UsageError, match=r"`benchd run`"):
        Store.open(place, read_only=True)
    if "://" not in place:
        assert not Path(place).exists()


def test_reading_only_cannot_write(place: str) -> None:
    """A reader sees the boots and is refused when it tries to write."""
    with Store.open(place) as store:
        store.save_boot(BOOT)
        with Store.open(place, read_only=True) as reader:
            assert reader.boots() == [BOOT]
            with pytest.raises(UsageError, match="reading only"):
                reader.save_boot(BOOT)


def test_the_database_itself_refuses_writes_of_a_reader(place: str) -> None:
    """Even SQL that slips past the store's own check changes nothing."""
    with Store.open(place) as store:
        store.save_boot(BOOT)
    reader = Database(place, create=False, read_only=True)
    with pytest.raises(ExternalError), reader.read() as connection:
        connection.execute(sa.delete(schema.boot))
    reader.close()


def test_a_file_that_is_no_database(tmp_path: Path) -> None:
    """Text, a directory, nothing: each said; the file stays as it was."""
    path = tmp_path / "notes.txt"
    text = "not a database, but long enough to be looked at by one\n" * 40
    path.write_text(text)
    with pytest.raises(UsageError, match=r"notes\.txt: the file is not a database"):
        Store.open(path)
    assert path.read_text() == text
    with pytest.raises(UsageError, match="is a directory"):
        Store.open(tmp_path)
    with pytest.raises(UsageError, match="needs a file"):
        Store.open("sqlite://")


def test_urls_that_cannot_be(tmp_path: Path) -> None:
    """An unknown kind of database and an unreadable URL are refused without showing a password."""
    with pytest.raises(UsageError, match="'mysql' database"):
        Store.open("mysql://u:secret@h/d")
    with pytest.raises(UsageError) as caught:
        Store.open("postgresql://u:secret@h:port/d")
    assert "secret" not in str(caught.value)


def test_a_damaged_store_says_so(tmp_path: Path) -> None:
    """Pages overwritten: the error tells that the file is damaged and what helps."""
    path = tmp_path / "bench.db"
    with Store.open(path) as store:
        for number in range(50):
            store.save_boot(BOOT.model_copy(update={"id": f"b{number}"}))
    data = bytearray(path.read_bytes())
    data[4096:] = b"\xa5" * (len(data) - 4096)
    path.write_bytes(data)
    with pytest.raises(ExternalError, match=r"bench\.db: the file is damaged: put back a backup"):
        Store.open(path).boots()


def test_a_locked_store_is_told_after_waiting(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A writer that never lets go: an error that says so. Readers are not held up by it."""
    monkeypatch.setattr(database, "BUSY_S", 0.05)
    path = tmp_path / "bench.db"
    with Store.open(path) as store:
        store.save_boot(BOOT)
        holder = sqlite3.connect(path, isolation_level=None)
        holder.execute("BEGIN IMMEDIATE")
        with Store.open(path) as second:
            with pytest.raises(ExternalError, match="locked by another process"):
                second.save_boot(BOOT)
            assert second.boots() == [BOOT]
        holder.execute("ROLLBACK")
        holder.close()
        store.save_boot(BOOT)


def test_sqlite_is_set_up_for_the_promise(tmp_path: Path) -> None:
    """WAL and FULL (2), which is what SQLite's manual asks for if commits are to outlive a power cut."""
    with Store.open(tmp_path / "bench.db") as store, store._database.write() as connection:
        assert connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"
        assert connection.exec_driver_sql("PRAGMA synchronous").scalar() == 2
        assert connection.exec_driver_sql("PRAGMA foreign_keys").scalar() == 1


@pytest.mark.peer("postgresql")
def test_a_server_that_is_not_there(tmp_path: Path) -> None:
    """No server at the address: told with the URL, without its password."""
    with pytest.raises(ExternalError, match=r"check that the server runs") as caught:
        Store.open(f"postgresql://benchd:secret@/bench?host={tmp_path}")
    assert "secret" not in str(caught.value)


OPENER = "import sys; from benchd.store import Store; Store.open(sys.argv[1]).close()"


def test_a_new_store_opened_by_several_at_once(place: str) -> None:
    """Four processes open a store that does not exist yet: it is made once and all four succeed."""
    command = [sys.executable, "-W", "error", "-c", OPENER, place]
    openers = [subprocess.Popen(command, stderr=subprocess.PIPE, text=True) for _ in range(4)]
    errors = [opener.communicate(timeout=60)[1] for opener in openers]
    assert [opener.returncode for opener in openers] == [0, 0, 0, 0], errors
    with Store.open(place, create=False) as store:
        assert store.boots() == []


def test_backup_while_the_store_is_written(tmp_path: Path) -> None:
    """The copy opens as a store of its own with everything committed; an existing file is not overwritten."""
    with Store.open(tmp_path / "bench.db") as store:
        store.save_boot(BOOT)
        store.backup(tmp_path / "copy.db")
        store.save_boot(BOOT.model_copy(update={"id": "b2"}))
        with Store.open(tmp_path / "copy.db", create=False) as copy:
            assert copy.boots() == [BOOT]
        with pytest.raises(UsageError, match="exists already"):
            store.backup(tmp_path / "copy.db")
        with pytest.raises(UsageError, match="directory does not exist"):
            store.backup(tmp_path / "none" / "copy.db")
    assert not list(tmp_path.glob("*.part"))


def test_a_store_is_filled_from_a_backup_of_any_other(place: str, tmp_path: Path) -> None:
    """The copy holds every row of every table; numbers go on after those copied; a store with boots is left alone."""
    with Store.open(place) as store:
        store.save_boot(BOOT)
        store.backup(tmp_path / "copy.db")
        kept = store.row_counts()
    with Store.open(tmp_path / "new.db") as other:
        assert other.fill_from(tmp_path / "copy.db") == sum(kept.values())
        assert other.row_counts() == kept and other.boots() == [BOOT]
        with pytest.raises(UsageError, match="is not empty"):
            other.fill_from(tmp_path / "copy.db")
        assert other.row_counts() == kept


def test_numbers_of_results_go_on_after_an_upgrade(place: str) -> None:
    """Results of an older store keep their numbers and count; the next one is numbered after them, whatever goes."""
    old_store(place, "0007")
    run(
        place,
        *FIRST_SCHEMA_ROWS.strip().split(";\n")[:1],
        "INSERT INTO result (id, boot, name, passed, source, note, entered) "
        "VALUES (7, 'b1', 'video', true, 'hand', '', '2026-03-01T20:00:00+01:00')",
    )
    with Store.open(place) as store:
        (old,) = store.results()
        assert (old.id, old.check, old.left_out) == (7, "video", None)
        store.take_back(7, Hand("2026-03-01T20:01:00+01:00"))
        assert store.add_result(old.model_copy(update={"id": None, "trial": None})).id == 8
        assert store.boot("b1").left_out is None and store.log()[0].kind == "result-taken-back"
