"""Events become the archive: any order, any doubling, any batches give the sum of the benches' stores."""

from __future__ import annotations

import random
from datetime import UTC, datetime

from archive.telling import Bench, as_read, summed
from web.rig import MACHINE, STUDY, stored_boot

from benchd.archive.apply import Applier
from benchd.archive.behind import behind
from benchd.archive.database import ArchiveDatabase, ArchiveStore
from benchd.archive.intake import Intake, Message


def take(database: ArchiveDatabase, messages: list[Message], size: int = 100, process: str = "one") -> Intake:
    intake = Intake(Applier(database, process), "benchd")
    for start in range(0, len(messages), size):
        assert not intake.take(messages[start : start + size]).refused
    return intake


def test_any_order_and_any_doubles_give_the_sum_of_the_stores(
    database: ArchiveDatabase, benches: list[Bench], place: str
) -> None:
    """Shuffled, doubled, cut into batches of any size, by two processes in turn: the archive is the sum."""
    messages = [message for bench in benches for message in bench.everything()]
    for n in range(4):  # so that numbers of those that follow need more than 32 bits
        database.share_of(f"earlier{n}")
    rng = random.Random(17)
    messages += rng.sample(messages, len(messages) // 3)
    rng.shuffle(messages)
    takers = [Intake(Applier(database, name), "benchd") for name in ("one", "two")]
    while messages:
        size = rng.randint(1, 60)
        taken = rng.choice(takers).take(messages[:size])
        assert not taken.refused, taken.last_refused
        del messages[:size]
    with ArchiveStore.at(place) as store:
        assert as_read(store) == summed(benches)
        for bench in benches:
            assert bench.store is not None
            entered = [one.model_dump(include={"at", "by", "kind"}) for one in bench.store.log()]
            own = [one for one in store.log() if (one.study or one.trial or one.boot or "").endswith(f"@{bench.name}")]
            assert [one.model_dump(include={"at", "by", "kind"}) for one in own] == entered
            (told,) = store.predictions(f"T1@{bench.name}")
            assert told.document == {"runs": [1, 2.5, None]}
        assert len(store.images()) == 2


def test_the_weights_of_causes_are_those_of_the_bench(
    database: ArchiveDatabase, benches: list[Bench], place: str
) -> None:
    """`why` on the archive says of a study what it says on its bench, but for the names."""
    from benchd.studies.weighing import why

    for bench in benches:
        take(database, bench.everything())
    with ArchiveStore.at(place) as store:
        for bench in benches:
            assert bench.store is not None
            here, there = why(bench.store, STUDY), why(store, f"{STUDY}@{bench.name}")
            assert [(c.text, c.probability) for c in here.causes] == [(c.text, c.probability) for c in there.causes]
            assert (here.boots, here.failures) == (there.boots, there.failures)


def test_the_later_event_counts_however_late_the_earlier_comes(database: ArchiveDatabase, place: str) -> None:
    """In one outbox the greater number; of two outboxes that which was made later; gone stays gone."""
    first, second = Bench("b"), Bench("b", ms=1_772_391_700_000)
    boot = stored_boot(1, "ready", datetime(2026, 3, 1, tzinfo=UTC))
    old = first.boot(boot.model_copy(update={"codes": 1}))
    older_box_greater_number = [first.code(MACHINE, boot.id) for _ in range(5)] and first.boot(
        boot.model_copy(update={"codes": 2})
    )
    new = second.boot(boot.model_copy(update={"codes": 3}), "stored")
    take(database, [new, older_box_greater_number, old])
    with ArchiveStore.at(place) as store:
        assert store.boot(boot.id).codes == 3
    gone = second.boot(None, "removed", machine=MACHINE, boot_id=boot.id)
    take(database, [gone])
    take(database, [new, old], process="two")
    with ArchiveStore.at(place) as store:
        assert store.boots() == []
        back = second.boot(boot)
    take(database, [back])
    with ArchiveStore.at(place) as store:
        assert [one.id for one in store.boots()] == [f"{boot.id}@b"]


def test_an_old_style_outbox_comes_before_every_later_one(database: ArchiveDatabase, place: str) -> None:
    """Its random name would sort anywhere: its bench's words count, or when it was first heard of."""
    boot = stored_boot(1, "ready", datetime(2026, 3, 1, tzinfo=UTC))
    old, new = Bench("b"), Bench("b")
    old.outbox = "ffffffffffff"
    take(database, [new.boot(boot.model_copy(update={"codes": 2}))])
    take(database, [old.boot(boot.model_copy(update={"codes": 1}))])
    with ArchiveStore.at(place) as store:
        assert store.boot(boot.id).codes == 2


def test_imported_boots_keep_saying_so_and_records_carry_what_they_measured(
    database: ArchiveDatabase, place: str
) -> None:
    """`imported` is a matter of where a capture lies on a bench; here it is told."""
    boot = stored_boot(1, "stuck", datetime(2026, 3, 1, tzinfo=UTC)).model_copy(
        update={"imported": True, "passes_of": "other", "off_s": 3.5}
    )
    take(database, [Bench("b").boot(boot, "stored")])
    with ArchiveStore.at(place) as store:
        told = store.boot(boot.id)
        assert told == boot.model_copy(update={"id": f"{boot.id}@b", "machine": f"{MACHINE}@b", "passes_of": "other@b"})
        assert store.capture_of(told.id) is None


def test_what_the_store_does_not_hold_is_refused_alone(database: ArchiveDatabase, place: str) -> None:
    """A number that no database takes costs its own message only, and is counted by name."""
    bench = Bench("b")
    boot = stored_boot(1, "ready", datetime(2026, 3, 1, tzinfo=UTC))
    huge = bench.boot(boot.model_copy(update={"id": "huge", "codes": 1 << 70}))
    intake = Intake(Applier(database, "one"), "benchd")
    taken = intake.take([huge, bench.boot(boot), bench.status()])
    assert taken.refused == {"not-storable": 1}
    table, key = bench.entry("study", None, key="x")
    assert intake.take([(table, key.replace(b'"study"', b'"stars"'))]).refused == {"wrong-form": 1}
    assert (behind(database).missing, behind(database).benches[0].taken) == (0, 3)  # they came: nobody asks again
    with ArchiveStore.at(place) as store:
        assert [one.id for one in store.boots()] == [f"{boot.id}@b"]
