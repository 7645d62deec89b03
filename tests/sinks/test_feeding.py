"""From the store to an archive: whatever happens, the events that were sent make up the tables of the store."""

from __future__ import annotations

import asyncio
import contextlib
import random
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from sinks.archive_peer import Bench, Reducer, box_of, moment, rebuilt, stored

from benchd.errors import ExternalError, UsageError
from benchd.sinks.mqtt import feeding
from benchd.sinks.mqtt.outbox import FED_BATCH
from benchd.store import Hand, Result, Store, StoredImage, StoredStudy
from benchd.vocabulary.events import BootChanged, BootOver, BootSettled, BootStarted, LinkChanged
from benchd.vocabulary.models import Boot, Finding, Stage

AT = "2026-03-01T20:00:00+01:00"
HAND = Hand(AT)


def boot(name: str, outcome: str = "finished", **more: Any) -> Boot:
    base = {"id": name, "machine": "at286", "table": "t", "started": AT, "outcome": outcome}
    return Boot.model_validate(base | ({"ended": AT} if outcome != "running" else {}) | more)


def study(name: str = "storage", **document: Any) -> StoredStudy:
    return StoredStudy(name=name, document=document, created=AT, edited=AT)


class World:
    """Everything that changes a store, by dice: the daemon, people's commands (another `Store`), kills, a bad disk."""

    def __init__(self, dice: random.Random, bench: Bench, people: Store) -> None:
        self.dice, self.bench, self.people = dice, bench, people
        self.number = 0
        self.open: dict[str, Boot] = {}

    def some_boot(self) -> str:
        there = [one.id for one in self.people.boots()]
        if not there:
            raise UsageError("none yet")
        return self.dice.choice(there)

    def some_trial(self) -> str:
        return self.dice.choice([one.id for one in self.people.trials()] or ["T1"])

    def begin(self) -> None:
        self.number += 1
        one = boot(f"b{self.number}", "running", started=(moment() + timedelta(minutes=self.number)).isoformat())
        self.open[one.id] = one
        self.bench.tell(BootStarted("at286", 0, one))

    def go_on(self) -> None:
        if self.open:
            name = self.dice.choice(list(self.open))
            stages = [Stage(name=f"s{n}", t=n, u=0.1) for n in range(self.dice.randrange(4))]
            outcome = self.dice.choice(["running", "stalled"])
            one = self.open[name] = self.open[name].model_copy(update={"stages": stages, "outcome": outcome})
            self.bench.tell((BootSettled if outcome == "stalled" else BootChanged)("at286", 0, one))

    def end(self) -> None:
        if self.open:
            name = self.dice.choice(list(self.open))
            update = {"outcome": self.dice.choice(["finished", "cut-short"]), "ended": AT, "codes": self.number}
            self.bench.tell(BootOver("at286", 0, self.open.pop(name).model_copy(update=update)))

    def save(self) -> None:
        self.bench.save()

    def judge_again(self) -> None:
        one = self.people.told_boot(self.some_boot())
        assert one is not None
        found = [Finding(kind="late", rule=f"r{self.dice.randrange(3)}", t=1.0)]
        self.people.save_boot(one.model_copy(update={"table": "other", "findings": found}))

    def cut_otherwise(self) -> None:
        one, other = self.some_boot(), self.some_boot()
        if one != other and one not in self.open:
            self.people.replace_boots({one: self.dice.choice([other, None])})

    def import_one(self) -> None:
        self.people.save_boot(
            boot(f"i{self.dice.randrange(9)}", machine="xt88"), capture="imported/other/xt88/1.pcapng"
        )

    def remove_one(self) -> None:
        self.people.replace_boots({f"i{self.dice.randrange(9)}": None})

    def decide(self) -> None:
        name = self.some_boot()
        match self.dice.randrange(4):
            case 0:
                self.people.leave_out(name, "the cover was open", HAND)
            case 1:
                self.people.note_boot(name, f"note {self.dice.randrange(3)}", HAND)
            case 2:
                self.people.label_boot(name, ["odd"], HAND)
            case _:
                self.people.move_boot(name, self.some_trial(), HAND)

    def ask_a_question(self) -> None:
        self.people.save_study(study(f"study-{self.dice.randrange(3)}", n=self.dice.randrange(5)), HAND)

    def try_it(self) -> None:
        name = f"study-{self.dice.randrange(3)}"
        self.people.start_trial(study=name, machine="at286", setup={}, changed={}, started=AT, hand=HAND)

    def enter(self) -> None:
        self.people.add_result(
            Result(
                trial=self.some_trial(), boot=self.some_boot(), check="c", passed=self.dice.random() < 0.5, entered=AT
            ),
            HAND,
        )

    def take_back(self) -> None:
        self.people.take_back(self.dice.randrange(1, 6), HAND)

    def delete(self) -> None:
        name = f"study-{self.dice.randrange(3)}"
        self.dice.choice([self.people.delete_study, self.people.restore_study])(name, HAND)

    def delete_trial(self) -> None:
        self.dice.choice([self.people.delete_trial, self.people.restore_trial])(self.some_trial(), HAND)

    def keep_files(self) -> None:
        self.people.add_image(StoredImage(sha256=f"{self.dice.randrange(3):064x}", name="late.bin", size=self.number))
        self.people.add_prediction(self.some_trial(), {"n": self.number}, AT)

    def act(self) -> None:
        deeds: list[Callable[[], None]] = [
            self.begin, self.go_on, self.go_on, self.end, self.save, self.save, self.judge_again, self.cut_otherwise,
            self.import_one, self.remove_one, self.decide, self.ask_a_question, self.try_it, self.enter, self.take_back,
            self.delete, self.delete_trial, self.keep_files,
        ]  # fmt: skip
        with contextlib.suppress(UsageError):  # there is nothing of the kind yet, or no longer
            self.dice.choice(deeds)()


async def life(bench: Bench, world: World, dice: random.Random, steps: int, damage: bool) -> None:
    """Runs of the daemon, each killed: between any two steps, and with events sent that it does not know to be sent."""
    for run in range(4):
        async with bench.up():
            for _ in range(steps):
                world.act()
                match dice.randrange(8):
                    case 0 | 1:
                        await bench.feeder.turn()
                    case 2:
                        await bench.send(dice.randrange(1, 40))
                    case 3 if dice.random() < 0.3:
                        first = dice.randrange(1, 30)
                        bench.ask(outbox=box_of(bench).id, missing=[[first, first + dice.randrange(20)]])
            await bench.send(1, forgotten=True)
        # What was not saved is recovered from the capture at the next start, and what ran then is over.
        world.open.clear()
        bench.save()
        for one in bench.store.boots(outcome="running"):
            bench.store.save_boot(boot(one.id, "cut-short", started=one.started))
        if damage and run == 2:
            bench.outbox.write_bytes(b"no database" * 500)


@pytest.mark.parametrize("seed", [0, 1, 2, *(pytest.param(seed, marks=pytest.mark.long) for seed in range(3, 30))])
def test_what_was_sent_makes_up_the_store(tmp_path: Path, seed: int) -> None:
    """Random lives: boots, people, kills; every third loses its outbox. Events in any order, doubled, give the store.

    An archive that is told of a new outbox asks for everything: what only the lost one told of is gone then.
    """
    dice = random.Random(seed)
    with Store.open(tmp_path / "b.db") as store, Store.open(tmp_path / "b.db") as people:
        bench = Bench(tmp_path, store)
        world = World(dice, bench, people)
        damage = seed % 3 == 2

        async def go() -> None:
            await life(bench, world, dice, 40, damage)
            async with bench.up():
                if damage:
                    assert bench.ask()
                await bench.drain()
                assert await bench.drain() == []

        asyncio.run(go())
        want = stored(store)
        assert len(want) > 10 and {key[0] for key in want} >= {"boot", "study", "change"}
        for _ in range(3):
            events = bench.wire + dice.sample(bench.wire, len(bench.wire) // 3)
            dice.shuffle(events)
            assert rebuilt(events) == want
        assert store.feed(10) == []


def test_what_an_event_told_is_not_told_again(tmp_path: Path) -> None:
    """A boot that its events told whole, saved ten times on the way: no `stored` besides."""
    with Store.open(tmp_path / "b.db") as store:
        bench = Bench(tmp_path, store)

        async def go() -> None:
            async with bench.up():
                await bench.drain()
                one = boot("b1", "running")
                bench.tell(BootStarted("at286", 0, one))
                for n in range(10):
                    one = one.model_copy(update={"codes": n})
                    bench.tell(BootChanged("at286", 0, one))
                    bench.save()
                    await bench.drain()
                bench.tell(BootOver("at286", 0, boot("b1", codes=10)))
                await bench.drain()
                bench.save()
                await bench.drain()
                assert [event["state"] for event in bench.wire] == ["started", "ended"]
                store.save_boot(boot("b1", codes=10, findings=[Finding(kind="late", rule="r", t=1)]))
                store.save_boot(boot("b1", codes=10))
                await bench.drain()
                assert len(bench.wire) == 2, "it came back to what was told"
                store.save_boot(boot("b1", codes=11))
                (event,) = await bench.drain()
                assert (event["state"], event["record"]["codes"]) == ("stored", 11)
                store.replace_boots({"b1": None})
                (event,) = await bench.drain()
                assert (event["state"], event["record"], event["machine"]) == ("removed", None, "at286")

        asyncio.run(go())


def test_nothing_older_is_told_after_something_newer(tmp_path: Path) -> None:
    """While the store is slower than the events, its older record of a boot is not told."""
    with Store.open(tmp_path / "b.db") as store:
        bench = Bench(tmp_path, store)

        async def go() -> None:
            async with bench.up():
                bench.tell(BootSettled("at286", 0, boot("b1", "stalled", ended=None)))
                bench.save()
                await bench.drain()
                bench.tell(BootOver("at286", 0, boot("b1", "stalled")))
                store.save_boot(boot("b1", "stalled", ended=None, lost=1))  # a save of before that comes late
                sent = await bench.drain()
                assert [(event["state"], event["record"]["ended"]) for event in sent] == [("ended", AT)]
                bench.save()
                assert await bench.drain() == []

        asyncio.run(go())


def test_events_of_now_do_not_wait_behind_the_store(tmp_path: Path) -> None:
    """10,000 stored boots at the first switch-on: each event of now is sent before any of them that was not under way.

    And the outbox never holds more than two slices besides; the order among the stored ones is that of their start.
    """
    with Store.open(tmp_path / "b.db") as store:
        with store._database.write() as connection:
            import sqlalchemy as sa

            from benchd.store import schema

            row = {"machine": "at286", "table_name": "t", "started": AT, "start_reason": "", "outcome": "finished",
                   "duration_s": 1.0, "codes": 1, "lines": 0, "lost": 0}  # fmt: skip
            rows = [row | {"id": f"b{n:05}", "started_us": n} for n in range(10_000)]
            connection.execute(sa.insert(schema.boot), rows)
        bench = Bench(tmp_path, store)

        async def go() -> None:
            told: list[str] = []
            async with bench.up():
                live = 0
                while True:
                    rest_s = await bench.feeder.turn()
                    assert bench.writer.waiting < feeding.FULL + feeding.SLICE
                    if live < 50:
                        bench.tell(LinkChanged("at286", 0, "post", live % 2 == 0, "replugged"))
                        live += 1
                        while len(bench.writer.queue) or bench.writer._written:
                            await asyncio.sleep(0)
                    batch = await bench.writer.peek()
                    kinds = ["link" if b'"link"' in one.payload else "stored" for one in batch]
                    assert kinds == sorted(kinds) and kinds.count("stored") <= FED_BATCH
                    assert live >= 50 or kinds[:1] == ["link"]
                    await bench.writer.sent([one.seq for one in batch])
                    told += [
                        one.payload.partition(b'"boot": "')[2][:6].decode() for one in batch if b"stored" in one.payload
                    ]
                    if rest_s == feeding.FEED_S and not batch:
                        break
            assert told == [f"b{n:05}" for n in range(10_000)]

        asyncio.run(go())


def test_a_store_of_before_is_told_once(tmp_path: Path) -> None:
    """Boots and studies from before the archive was switched on; not again at the next start, nor what is as it was."""
    with Store.open(tmp_path / "b.db") as store:
        store.save_boot(boot("b1"))
        store.save_study(study())
        bench = Bench(tmp_path, store)

        async def go() -> None:
            async with bench.up():
                assert rebuilt(await bench.drain()) == stored(store)
            async with bench.up():
                store.save_study(study())
                assert await bench.drain() == []

        asyncio.run(go())


def test_after_a_time_without_archive_all_is_told(tmp_path: Path) -> None:
    """Events went out meanwhile and nobody remembered what they told: whatever they said, the store is told now."""
    with Store.open(tmp_path / "b.db") as store:
        bench = Bench(tmp_path, store)
        with_archive = bench.settings

        async def go() -> None:
            async with bench.up():
                bench.tell(BootOver("at286", 0, boot("b1", codes=1)))
                bench.save()
                await bench.drain()
            bench.settings = with_archive.model_copy(update={"archive": False})
            async with bench.up():
                bench.tell(BootOver("at286", 0, boot("b1", codes=2)))
                bench.unsaved.clear()  # the store never got it
                await bench.send()
            bench.settings = with_archive
            async with bench.up():
                await bench.drain()

        asyncio.run(go())
        assert rebuilt(bench.wire) == stored(store)


def test_an_older_copy_of_the_store_is_told(tmp_path: Path) -> None:
    """A backup put back in place: what was told since and is not in it is taken back, the rest said as it is there."""
    bench: Bench
    with Store.open(tmp_path / "b.db") as store:
        store.save_boot(boot("b1", codes=1))
        store.save_study(study())
        bench = Bench(tmp_path, store)

        async def before() -> None:
            async with bench.up():
                await bench.drain()
                store.backup(tmp_path / "copy.db")
                store.save_boot(boot("b1", codes=2))
                store.save_boot(boot("b2"))
                store.delete_study("storage", HAND)
                await bench.drain()

        asyncio.run(before())
        assert rebuilt(bench.wire) == stored(store)
    with Store.open(tmp_path / "copy.db") as older:
        bench.store = older

        async def after() -> None:
            async with bench.up():
                await bench.drain()

        asyncio.run(after())
        assert rebuilt(bench.wire) == stored(older)
        assert ("boot", "b2") not in stored(older)


def test_a_kill_between_outbox_and_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In the outbox already, still in the feed: it is not told twice."""
    with Store.open(tmp_path / "b.db") as store:
        store.save_boot(boot("b1"))
        bench = Bench(tmp_path, store)

        async def go() -> None:
            async with bench.up():
                with monkeypatch.context() as patch:
                    patch.setattr(store, "fed", lambda numbers: (_ for _ in ()).throw(ExternalError("killed")))
                    with pytest.raises(ExternalError, match="killed"):
                        await bench.feeder.turn()
            async with bench.up():
                assert len(store.feed(9)) == 1
                await bench.drain()
                assert len(bench.wire) == 1 and store.feed(9) == []

        asyncio.run(go())


def test_an_outbox_put_aside_tells_all_again(tmp_path: Path) -> None:
    """A damaged file: the new one knows nothing, so all of the store is told by it; its id sorts after the old one."""
    with Store.open(tmp_path / "b.db") as store:
        for n in range(5):
            store.save_boot(boot(f"b{n}"))
        bench = Bench(tmp_path, store)

        async def go() -> None:
            async with bench.up():
                await bench.drain()
                before, made = box_of(bench).id, box_of(bench).made
            bench.outbox.write_bytes(b"no database" * 500)
            async with bench.up():
                assert box_of(bench).put_aside is not None and before < box_of(bench).id
                assert made is not None and made < str(box_of(bench).made)
                assert rebuilt(await bench.drain()) == stored(store)

        asyncio.run(go())


def test_feeding_goes_on_after_the_store_failed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It says why it stands, once, and no longer than it does."""
    monkeypatch.setattr(feeding, "FEED_S", 0.01)
    with Store.open(tmp_path / "b.db") as store:
        store.save_boot(boot("b1"))
        bench = Bench(tmp_path, store)

        async def go() -> None:
            async with bench.up():
                with monkeypatch.context() as patch:
                    patch.setattr(
                        store, "feed", lambda *a, **k: (_ for _ in ()).throw(ExternalError("the disk is full"))
                    )
                    task = asyncio.create_task(bench.feeder.run())
                    while bench.feeder.reason != "the disk is full":
                        await asyncio.sleep(0.005)
                while not bench.wire:
                    await bench.send()
                    await asyncio.sleep(0.005)
                bench.feeder.close()
                await task
                assert bench.feeder.reason == "" and bench.wire[0]["boot"] == "b1"

        asyncio.run(go())


def test_the_reference_archive_takes_the_newer() -> None:
    """The reducer itself: a smaller number that comes later, and a double, change nothing."""
    archive = Reducer()
    head = {"version": 1, "bench": "x", "at": AT, "schema": "0009", "table": "result", "key": "1"}
    for outbox, seq, row in (("0b", 1, {"n": 3}), ("0a", 9, {"n": 2}), ("0b", 1, {"n": 3}), ("0b", 2, None)):
        archive.take(head | {"id": f"{outbox}-{seq}", "seq": seq, "row": row})
        assert archive.there() == ({("result", "1"): {"n": 3}} if row else {})
