"""Boots are counted as they come: to look how far behind the archive is costs the same however many it has."""

from __future__ import annotations

import random
import sqlite3
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from archive.telling import Bench
from web.rig import MACHINE, stored_boot

from benchd.archive import tables
from benchd.archive.apply import Applier
from benchd.archive.behind import behind
from benchd.archive.database import ArchiveDatabase, ArchiveStore
from benchd.archive.filling import Filling, plan
from benchd.archive.intake import Intake, Message
from benchd.errors import UsageError
from benchd.sinks.mqtt.settings import MqttSettings
from benchd.vocabulary.models import Boot

START = datetime(2026, 3, 1, tzinfo=UTC)
FORM_1 = Path(__file__).with_name("data") / "form1.sql"


def boot_of(n: int) -> Boot:
    return stored_boot(n, "ready", START + timedelta(minutes=n))


def counted(database: ArchiveDatabase) -> dict[str, int]:
    """Boots by bench as they stand there, one by one."""
    out: dict[str, int] = {}
    with database.read() as connection:
        for boot_id in connection.execute(sa.text("SELECT id FROM boot")).scalars():
            bench = boot_id.rpartition("@")[2]
            out[bench] = out.get(bench, 0) + 1
    return out


def told(database: ArchiveDatabase) -> dict[str, int]:
    found = behind(database)
    assert found.boots == sum(one.boots for one in found.benches)
    return {one.bench: one.boots for one in found.benches if one.boots}


def test_what_is_counted_is_what_is_there(database: ArchiveDatabase) -> None:
    """New, changed, doubled, taken out, told late, forgotten by an answer, refused alone: in any order, by two."""
    rng = random.Random(5)
    benches = [Bench("corner"), Bench("attic")]
    takers = [Intake(Applier(database, name), "benchd") for name in ("one", "two")]
    messages: list[Message] = []
    for bench in benches:
        for n in [rng.randrange(20) for _ in range(60)]:
            gone = rng.random() < 0.3
            messages.append(
                bench.boot(None, "removed", machine=MACHINE, boot_id=boot_of(n).id)
                if gone
                else bench.boot(boot_of(n).model_copy(update={"codes": rng.randrange(99)}))
            )
        messages.append(bench.boot(boot_of(50).model_copy(update={"id": "huge", "codes": 1 << 70})))
    messages += rng.sample(messages, 40)
    rng.shuffle(messages)
    while messages:
        size = rng.randint(1, 30)
        rng.choice(takers).take(messages[:size])
        del messages[:size]
        assert told(database) == counted(database)
    bench = benches[0]
    takers[0].take([bench.status()])
    (asking,) = plan(database, "corner", everything=True)
    Filling(database, MqttSettings(url="mqtt://x"), "club", lambda line: None)._write_down({"a1": asking})
    first = bench.seq + 1
    takers[1].take([bench.boot(boot_of(3), "stored"), bench.answer("a1", whole_from=first)])
    assert told(database) == counted(database)
    assert told(database)["corner"] == 1


def rows_read(database: ArchiveDatabase, look: Callable[[], Any]) -> int:
    """Rows that the server reads for what `look` asks it, by its own account; in SQLite, steps of its machine."""
    asked: list[tuple[str, Any]] = []
    assert database._engine is not None

    def before(connection: Any, cursor: Any, statement: str, parameters: Any, context: Any, many: bool) -> None:
        if statement.lstrip().upper().startswith(("SELECT", "WITH")):
            asked.append((statement, parameters))

    sa.event.listen(database._engine, "before_cursor_execute", before)
    try:
        look()
    finally:
        sa.event.remove(database._engine, "before_cursor_execute", before)
    assert asked
    with database.read() as connection:
        return sum(_cost(connection, statement, parameters) for statement, parameters in asked)


def _cost(connection: sa.Connection, statement: str, parameters: Any) -> int:
    driver: Any = connection.connection.driver_connection
    if isinstance(driver, sqlite3.Connection):
        steps = 0

        def step() -> int:
            nonlocal steps
            steps += 1
            return 0

        driver.set_progress_handler(step, 1)
        driver.execute(statement, parameters).fetchall()
        driver.set_progress_handler(None, 1)
        return steps
    (plan_of,) = driver.execute(f"EXPLAIN (ANALYZE, FORMAT JSON) {statement}", parameters).fetchone()
    return _rows(plan_of[0]["Plan"])


def _rows(node: dict[str, Any]) -> int:
    """Rows of the tables and indexes below a node: those it gave, and those it looked at in vain, all its times."""
    own = 0
    if "Scan" in node["Node Type"]:
        vain = sum(value for name, value in node.items() if name.startswith("Rows Removed"))
        own = round((node["Actual Rows"] + vain) * node["Actual Loops"])
    return own + sum(_rows(one) for one in node.get("Plans", []))


def test_a_look_costs_the_same_however_many_boots_there_are(database: ArchiveDatabase) -> None:
    """By the rows it reads, from 10 boots of two benches to 610; and those who were often asked cost no more."""
    benches = [Bench("corner"), Bench("attic")]
    intake = Intake(Applier(database, "one"), "benchd")

    def add(first: int, last: int) -> None:
        messages = [bench.boot(boot_of(n)) for bench in benches for n in range(first, last)]
        intake.take([*messages, *(bench.status() for bench in benches)])

    def ask(first: int, last: int) -> None:
        rows = [
            {"ask": f"{bench.name}{n}", "bench": bench.name, "asked": f"{START + timedelta(minutes=n)}", "upto": {}}
            for bench in benches
            for n in range(first, last)
        ]
        with database.write() as connection:
            connection.execute(sa.insert(tables.ask), rows)

    add(0, 5)
    ask(0, 1)
    few = rows_read(database, lambda: behind(database))
    add(5, 305)
    ask(1, 2000)
    with database.write() as connection:
        if not database.is_sqlite:
            connection.execute(sa.text("ANALYZE"))
    many = rows_read(database, lambda: behind(database))
    assert told(database) == {"corner": 305, "attic": 305}
    assert many <= few * 1.1 + 5, (few, many)


def test_an_archive_of_the_first_form_is_counted_once(tmp_path: Path) -> None:
    """One that was made before boots were counted: whoever only reads says what to do; a process counts and goes on."""
    path = tmp_path / "archive.db"
    made = sqlite3.connect(path)
    made.executescript(FORM_1.read_text())
    made.close()
    with pytest.raises(UsageError, match="of form 1 and schema 0009; `benchd archive run` sets it up"):
        ArchiveStore.at(path)
    database = ArchiveDatabase(path, create=True, read_only=False)
    assert told(database) == counted(database) == {"corner": 3, "attic": 1}
    bench = Bench("corner", ms=1_772_391_900_000)
    Intake(Applier(database, "one"), "benchd").take(
        [
            bench.boot(boot_of(9)),
            bench.boot(None, "removed", machine=MACHINE, boot_id=boot_of(0).id),
            bench.boot(boot_of(1)),
        ]
    )
    assert told(database) == counted(database) == {"corner": 3, "attic": 1}
    database.close()
    again = ArchiveDatabase(path, create=False, read_only=True)
    assert told(again) == {"corner": 3, "attic": 1}
    again.close()


@pytest.mark.peer("postgresql")
def test_so_is_one_in_a_server(cluster: Any) -> None:
    """Form 1 is what is there now without the table of counts."""
    place = cluster.new_database()
    database = ArchiveDatabase(place, create=True, read_only=False)
    Intake(Applier(database, "one"), "benchd").take([Bench("corner").boot(boot_of(n)) for n in range(7)])
    with database.write() as connection:
        tables.count.drop(connection)
        connection.execute(sa.update(tables.about).where(tables.about.c.name == "form").values(value="1"))
    database.close()
    database = ArchiveDatabase(place, create=True, read_only=False)
    assert told(database) == counted(database) == {"corner": 7}
    database.close()
