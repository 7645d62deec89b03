"""The feed: every row that changes is noted once, whoever changes it, and stays noted until it was told on."""

from __future__ import annotations

import random
import sqlite3
import threading
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from support.old_stores import FIRST_SCHEMA_ROWS, engine, old_store, run

from benchd.store import Hand, Result, Store, StoredImage, StoredStudy, schema
from benchd.store.feed import TABLES, FeedKey
from benchd.vocabulary.models import Boot, Check, Finding, Stage

AT = [f"2026-03-01T20:{minute:02d}:00+01:00" for minute in range(60)]
HAND = Hand(AT[30])
BOOT = Boot(
    id="b1",
    machine="at286",
    table="t",
    started=AT[0],
    outcome="finished",
    model="at-clone-12",
    stages=[Stage(name="memory", t=0.1, u=0.01)],
    findings=[Finding(kind="slow", rule="memory", t=4.0)],
    checks=[Check(name="video-memory", passed=True, t=8.0)],
)
STUDY = StoredStudy(name="storage", document={"question": "?"}, created=AT[0], edited=AT[0])


def keys(store: Store) -> list[tuple[str, str, str | None]]:
    return [tuple(line.at) for line in store.feed(1000)]


def told(store: Store) -> None:
    store.fed(line.number for line in store.feed(1000))


def test_a_boot_keeps_its_model(store: Store) -> None:
    """What kind of machine it is of comes back, and none stays none."""
    store.save_boot(BOOT)
    store.save_boot(BOOT.model_copy(update={"id": "b2", "model": None}))
    assert store.boot("b1") == BOOT
    assert store.boot("b2").model is None


def test_each_row_is_noted_once(store: Store) -> None:
    """A boot saved three times is one line, at the place of its last change, with its machine."""
    store.save_boot(BOOT)
    store.save_study(STUDY)
    first = store.feed(10)
    assert [line.at for line in first] == [FeedKey("boot", "b1", "at286"), FeedKey("study", "storage")]
    store.save_boot(BOOT)
    store.save_boot(BOOT.model_copy(update={"outcome": "cut-short"}))
    assert keys(store) == [("study", "storage", None), ("boot", "b1", "at286")]
    assert store.feed(10)[1].number > first[1].number == store.feed(10)[0].number
    assert keys(store)[:1] == [tuple(store.feed(1)[0].at)]
    assert [line.at.key for line in store.feed(10, but_boots={"b1"})] == ["storage"]


def test_every_kind_of_change_is_noted(store: Store) -> None:
    """Each table that people's work and boots are in, each way of changing it; and nothing besides."""
    store.save_boot(BOOT)
    store.save_study(STUDY, HAND)
    trial = store.start_trial(study="storage", machine="at286", setup={}, changed={}, started=AT[1], hand=HAND).id
    assert set(keys(store)) == {
        ("boot", "b1", "at286"), ("study", "storage", None), ("trial", "T1", None), ("change", "1", None),
        ("change", "2", None),
    }  # fmt: skip
    told(store)
    assert store.feed(10) == []

    def noted() -> set[tuple[str, str, str | None]]:
        out = set(keys(store))
        told(store)
        return out - {key for key in out if key[0] == "change"}

    (result,) = store.add_results([Result(trial=trial, boot="b1", check="video", passed=True, entered=AT[2])])
    assert noted() == {("result", str(result.id), None)}
    assert result.id is not None
    store.take_back(result.id, HAND)
    assert noted() == {("result", str(result.id), None)}
    store.note_boot("b1", "odd", HAND)
    assert noted() == {("boot_mark", "b1", None)}
    image = StoredImage(sha256="ab" * 32, name="late.bin", size=8192)
    store.add_image(image)
    prediction = store.add_prediction(trial, {"fates": []}, AT[3])
    assert noted() == {("image", "ab" * 32, None), ("prediction", str(prediction.id), None)}
    store.delete_study("storage", HAND)
    assert noted() == {("study", "storage", None), ("study", "storage (deleted 1)", None), ("trial", "T1", None)}
    store.save_boot(BOOT.model_copy(update={"id": "b2"}))
    told(store)
    store.replace_boots({"b1": "b2"})
    assert noted() == {("boot", "b1", "at286"), ("result", str(result.id), None), ("boot_mark", "b1", None)}


def test_a_row_that_gets_another_key_is_noted_under_both(store: Store, place: str) -> None:
    """The one that is gone, with the machine that it had, and the new one."""
    store.save_boot(BOOT.model_copy(update={"stages": [], "findings": [], "checks": []}))
    told(store)
    run(place, "UPDATE boot SET id = 'b9', machine = 'xt88' WHERE id = 'b1'")
    assert set(keys(store)) == {("boot", "b1", "at286"), ("boot", "b9", "xt88")}


def test_what_changes_while_it_is_told_stays_noted(store: Store) -> None:
    """Lines are taken off by their number: a change in between gave the row another one."""
    store.save_boot(BOOT)
    store.save_study(STUDY)
    before = store.feed(10)
    store.save_boot(BOOT)
    store.fed(line.number for line in before)
    assert keys(store) == [("boot", "b1", "at286")]
    assert store.feed_left(store.feed_number()) and not store.feed_left(before[-1].number)
    assert not store.feed_left(store.feed_number(), but_boots={"b1"})


def test_numbers_only_grow(store: Store) -> None:
    """Also when all lines were taken off in between: none is given twice."""
    seen: list[int] = []
    for _ in range(5):
        store.save_boot(BOOT)
        (line,) = store.feed(10)
        seen.append(line.number)
        told(store)
        assert store.feed_number() == line.number
    assert seen == sorted(set(seen))


def test_rows_are_read_as_they_are_now(store: Store) -> None:
    """Columns as the table has them, JSON as values, truth as truth; None for a row that is gone."""
    store.save_study(StoredStudy(name="naïve 1 \u2713", document={"a": [1, None]}, created=AT[0], edited=AT[1]))
    row = store.feed_row(store.feed(1)[0].at)
    assert row == {
        "name": "naïve 1 \u2713", "document": {"a": [1, None]}, "created": AT[0], "edited": AT[1], "deleted": None,
        "called": None,
    }  # fmt: skip
    (result,) = store.add_results([Result(boot="b7", check="video", passed=False, entered=AT[2])])
    read = store.feed_row(FeedKey("result", str(result.id)))
    assert read is not None and read["passed"] is False and read["id"] == result.id
    assert store.feed_row(FeedKey("result", "99")) is None and store.feed_row(FeedKey("study", "gone")) is None


def test_rows_can_be_noted_again(store: Store) -> None:
    """All, those that are named (also such that are gone), or of boots only those since a time; none twice."""
    store.save_study(STUDY)
    for minute in range(3):
        store.save_boot(BOOT.model_copy(update={"id": f"b{minute}", "started": AT[minute]}))
    told(store)
    up_to = store.feed_again([FeedKey("boot", "b7", "xt88"), FeedKey("study", "storage")])
    assert keys(store) == [("boot", "b7", "xt88"), ("study", "storage", None)] and store.feed(9)[-1].number == up_to
    store.feed_again(boots_since_us=store_us(AT[1]))
    assert keys(store) == [
        ("boot", "b7", "xt88"), ("study", "storage", None), ("boot", "b1", "at286"), ("boot", "b2", "at286"),
    ]  # fmt: skip
    store.feed_again()
    assert len(keys(store)) == 5 and ("boot", "b0", "at286") in keys(store)


def store_us(at: str) -> int:
    from benchd.store.boots import microseconds

    return microseconds(at)


def test_the_first_upgrade_notes_all_that_there_is(place: str) -> None:
    """A store of before holds what nobody was told of: each row is noted once, and boots know no model."""
    old_store(place, "0008")
    run(
        place,
        *FIRST_SCHEMA_ROWS.strip().split(";\n"),
        "INSERT INTO study (name, document, created, edited) VALUES ('s', '{}', '" + AT[0] + "', '" + AT[0] + "')",
        "INSERT INTO result (id, boot, name, passed, source, note, entered) "
        "VALUES (7, 'b1', 'video', true, 'hand', '', '" + AT[0] + "')",
    )
    with Store.open(place) as store:
        assert keys(store) == [("boot", "b1", "at286"), ("study", "s", None), ("result", "7", None)]
        assert store.boot("b1").model is None
        store.close_running("at286", "nothing runs")
        store.save_boot(store.boot("b1"))
        assert keys(store)[-1] == ("boot", "b1", "at286") and len(keys(store)) == 3


def test_only_the_tables_named_are_fed() -> None:
    """A table that is added to the store is fed, or it is one of those that go with another."""
    others = {"stage", "finding", "boot_check", "counter", "feed"}
    assert set(TABLES) | others == set(schema.metadata.tables)
    assert not set(TABLES) & others


def test_the_feed_is_copied_as_it_is(store: Store, tmp_path: Path) -> None:
    """A backup, and a store filled from it, have the lines that were left, no others; numbers go on."""
    store.save_study(STUDY)
    store.save_boot(BOOT)
    told(store)
    store.save_boot(BOOT)
    store.backup(tmp_path / "copy.db")
    with Store.open(tmp_path / "copy.db") as copy:
        assert copy.feed(10) == store.feed(10)
        copy.save_study(STUDY)
        assert copy.feed(10)[-1].number > store.feed(10)[-1].number
    with Store.open(tmp_path / "other.db") as other:
        other.fill_from(tmp_path / "copy.db")
        assert keys(other) == [("boot", "b1", "at286"), ("study", "storage", None)]


@pytest.mark.peer("postgresql")
def test_a_feed_goes_from_file_to_server(tmp_path: Path, cluster: Any) -> None:
    """Filled from a file, the server's numbers go on after those that came along."""
    with Store.open(tmp_path / "bench.db") as source:
        source.save_study(STUDY)
        told(source)
        source.save_boot(BOOT)
        lines = source.feed(10)
    with Store.open(cluster.new_database()) as target:
        target.fill_from(tmp_path / "bench.db")
        assert target.feed(10) == lines
        target.save_study(STUDY)
        assert target.feed(10)[-1].number == target.feed_number() > lines[-1].number


def test_nobody_waits_for_whoever_tells_on(store: Store) -> None:
    """Writers of boots and studies and one that takes lines off, all at once: none is refused, nothing stays noted."""
    stop, troubles = threading.Event(), []

    def writing(number: int) -> None:
        dice = random.Random(number)
        try:
            for _ in range(12):
                for one in dice.sample(range(4), 4):
                    store.save_boot(BOOT.model_copy(update={"id": f"b{number}{one}", "codes": dice.randrange(9)}))
                store.save_study(STUDY)
                store.replace_boots({f"b{number}{one}": None for one in dice.sample(range(4), 2)})
        except Exception as error:
            troubles.append(error)

    def telling() -> None:
        try:
            while not stop.is_set():
                store.fed([line.number for line in store.feed(7)])
                store.feed_again([FeedKey("boot", f"b{one}", "at286") for one in ("23", "11", "20", "02", "10")])
                store.feed_again()
        except Exception as error:
            troubles.append(error)

    writers = [threading.Thread(target=writing, args=(number,)) for number in range(3)]
    teller = threading.Thread(target=telling)
    for thread in [*writers, teller]:
        thread.start()
    for thread in writers:
        thread.join()
    stop.set()
    teller.join()
    assert troubles == []
    told(store)
    assert store.feed(10) == []


def test_a_change_by_another_program_is_noted(tmp_path: Path) -> None:
    """The triggers are the database's: whoever writes fires them."""
    with Store.open(tmp_path / "bench.db") as store:
        store.save_boot(BOOT)
        told(store)
        with sqlite3.connect(tmp_path / "bench.db") as other:
            other.execute("UPDATE boot SET codes = 3")
        assert keys(store) == [("boot", "b1", "at286")]


def test_an_upgrade_that_breaks_off_leaves_no_trigger(place: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Table, lines and triggers come with the version, or not at all."""
    from benchd.store import database

    old_store(place, "0008")

    def half(connection: sa.Connection, version: str) -> None:
        real(connection, version)
        raise RuntimeError("power cut")

    real = database.upgrade
    monkeypatch.setattr(database, "upgrade", half)
    with pytest.raises(RuntimeError, match="power cut"):
        Store.open(place)
    monkeypatch.undo()
    run(place, *FIRST_SCHEMA_ROWS.strip().split(";\n"))  # a trigger that was left would miss its table
    made = engine(place)
    assert "feed" not in sa.inspect(made).get_table_names()
    made.dispose()
