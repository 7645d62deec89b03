"""Several writers of the same boots at once: each waits for its turn, none is refused, and nothing is half done."""

from __future__ import annotations

import random
import threading
from collections.abc import Callable

import pytest
import sqlalchemy as sa
from archive.archive_peer import wait
from store.conftest import Cluster

from benchd.errors import ExternalError
from benchd.store import Hand, Result, Store, StoredStudy, database
from benchd.store.turns import CrossedError, again
from benchd.vocabulary.models import Boot, Check, Stage

AT = "2026-03-01T20:00:00+01:00"
HAND = Hand(AT, "command")
ROUNDS = 12
IDS = [f"b{n}" for n in range(4)]


def boot(boot_id: str, stages: int, outcome: str = "finished") -> Boot:
    return Boot.model_validate(
        {
            "id": boot_id, "machine": "at286", "table": "t", "started": AT, "outcome": outcome, "codes": stages,
            "stages": [Stage(name=f"s{n}", t=float(n), u=0.001) for n in range(stages)],
            "checks": [Check(name="picture", passed=True, t=1.0)],
        }
    )  # fmt: skip


def engine_of(place: str) -> sa.Engine:
    return sa.create_engine(place.replace("postgresql://", "postgresql+psycopg://"))


def test_writers_of_the_same_boots(place: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Daemon, page and commands as stores of their own, all about four boots: saved, replaced, moved, closed."""
    monkeypatch.setattr(database, "BUSY_S", 60.0)
    monkeypatch.setattr(database, "CALL_S", 120.0)
    if place.startswith("postgresql"):  # a circle of waiting is found soon, else each costs a second
        engine = engine_of(place)
        with engine.begin() as connection:
            connection.execute(sa.text(f"ALTER DATABASE {engine.url.database} SET deadlock_timeout = '20ms'"))
        engine.dispose()
    with Store.open(place) as store:
        store.save_study(StoredStudy(name="s", document={}, created=AT, edited=AT))
        trial = store.start_trial(study="s", machine="at286", setup={}, changed={}, started=AT).id
        for one in IDS:
            store.save_boot(boot(one, 3))

    def save(store: Store, dice: random.Random) -> None:
        for one in dice.sample(IDS, 4):
            store.save_boot(boot(one, dice.randrange(1, 9), dice.choice(("finished", "running"))))

    def replace(store: Store, dice: random.Random) -> None:
        some = dice.sample(IDS, 4)
        store.replace_boots({some[0]: some[1], some[2]: some[3]})

    def decide(store: Store, dice: random.Random) -> None:
        one = dice.choice(IDS)
        store.add_result(Result(check="picture", passed=True, boot=one, entered=AT), HAND)
        store.save_boot(boot(one, 2))
        for work in (lambda: store.move_boot(one, trial, HAND), lambda: store.note_boot(one, f"{dice.random()}", HAND)):
            try:
                work()
            except Exception as error:
                assert "there is no boot" in str(error), error

    def close(store: Store, dice: random.Random) -> None:
        store.close_running("at286", "the daemon was killed")
        store.feed_again()
        store.fed([line.number for line in store.feed(5)])

    troubles: list[BaseException] = []

    def writer(work: Callable[[Store, random.Random], None], seed: int) -> None:
        dice = random.Random(seed)
        try:
            with Store.open(place, create=False) as store:
                for _ in range(ROUNDS):
                    work(store, dice)
        except BaseException as error:
            troubles.append(error)

    works: list[Callable[[Store, random.Random], None]] = [save, replace, replace, decide, close]
    threads = [threading.Thread(target=writer, args=(work, seed)) for seed, work in enumerate(works)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert troubles == []
    with Store.open(place, read_only=True) as store:
        for found in store.boots():
            assert len(found.stages) == found.codes and len(found.checks) == 1
        assert len(store.results()) == ROUNDS
        numbers = [entry.number for entry in store.log()]
        assert numbers == sorted(set(numbers))


@pytest.mark.peer("postgresql")
def test_a_program_that_takes_no_turn(cluster: Cluster) -> None:
    """It has what the store wants and wants what the store has: the server gives up the store's change, which is made
    again when that program is done."""

    def given_up() -> int:
        return (cluster.room / "log").read_text().count("deadlock detected")

    place, before = cluster.new_database(), given_up()
    engine = engine_of(place)
    want = sa.text("SELECT 1 FROM boot WHERE id = :id FOR UPDATE")
    with Store.open(place) as store, engine.connect() as other:
        for one in ("a", "b"):
            store.save_boot(boot(one, 2))
        other.execute(sa.text("SET deadlock_timeout = '60s'"))  # the store looks first (after a second)
        other.execute(want, {"id": "b"})
        thread = threading.Thread(target=store.replace_boots, args=({"a": None, "b": None},))
        thread.start()
        blocked = sa.text("SELECT count(*) FROM pg_locks WHERE NOT granted")
        with engine.connect() as looker:
            wait(lambda: looker.execute(blocked).scalar_one() == 1, "the store waits for b")
        other.execute(want, {"id": "a"})
        other.rollback()
        thread.join()
        assert store.boots() == []
    engine.dispose()
    assert given_up() == before + 1


def test_it_is_not_tried_for_ever() -> None:
    """Two times given up, the third is kept; three times, it is told. What else goes wrong is told at once."""
    ends: list[BaseException | str] = []

    @again
    def change(word: str) -> str:
        end = ends.pop(0)
        if isinstance(end, BaseException):
            raise end
        return word + end

    crossed = CrossedError("crossed")
    ends[:] = [crossed, crossed, "kept"]
    assert change("well ") == "well kept"
    ends[:] = [crossed, crossed, crossed, "kept"]
    with pytest.raises(ExternalError, match="crossed"):
        change("")
    assert ends == ["kept"]
    ends[:] = [ExternalError("away"), "kept"]
    with pytest.raises(ExternalError, match="away"):
        change("")
