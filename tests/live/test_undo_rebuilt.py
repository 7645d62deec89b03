"""What people decide about boots stands, whatever puts boots into the store again: rebuild, judging again, recovery."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from live.by_capture import GOOD, NS, codes, write
from support.story import TABLE

from benchd.store import Hand, Result, Store, StoredStudy
from benchd.vocabulary.models import Boot
from benchd.vocabulary.records import Annotation
from benchd.watch.progress import Progress
from benchd.watch.rebuild import captures_under, rebuild
from benchd.watch.recover import Recovery
from benchd.watch.rejudge import rejudge

AT = "2026-03-01T20:00:00+01:00"
ME = Hand(AT)
ONE_BOOT = (
    '[table]\nname = "wrong"\nsource = "invented"\n[boot]\nstarts = [{ code = "EE" }]\nquiet = "2h"\n'
    '[[stage]]\nname = "x"\nenter = [{ code = "77" }]\nfinal = true\n'
)


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """Captures that tell of two boots in T1 and two in T2."""
    records = [Annotation(NS, "trial", "T1"), *codes(10), *codes(60, GOOD[:3]), Annotation(100 * NS, "trial", "T2")]
    records += [*codes(110), *codes(160), Annotation(900 * NS, "end", "")]
    write(tmp_path / "captures/pc/1.pcapng", records, text=TABLE)
    return tmp_path


@pytest.fixture
def store(data: Path) -> Iterator[Store]:
    """The boots in the store, each decided about: moved, moved out, left out, with note and labels and a result."""
    with Store.open(data / "b.db", data=data) as opened:
        opened.save_study(StoredStudy(name="s", created=AT, edited=AT))
        for _ in range(3):
            opened.start_trial(study="s", machine="pc", setup={}, changed={}, started=AT)
        rebuild(opened, captures_under(data), data)
        first, second, third, fourth = (boot.id for boot in opened.boots(newest_first=False))
        opened.move_boot(first, "T2", ME)
        opened.move_boot(second, None, ME)
        opened.leave_out(third, "mains failed", ME)
        opened.note_boot(third, "fan loud", ME)
        opened.label_boot(fourth, ["cold"], ME)
        opened.add_result(Result(trial="T1", boot=first, check="video", passed=True, entered=AT))
        yield opened


def decided(store: Store) -> list[tuple[object, ...]]:
    return [(boot.id, boot.trial, boot.left_out, boot.note, boot.labels) for boot in store.boots(newest_first=False)]


def results(store: Store) -> list[tuple[str | None, str | None, str]]:
    return [(one.trial, one.boot, one.check) for one in store.results()]


def test_a_rebuild_lets_it_stand(store: Store, data: Path) -> None:
    """Of what is lacking, of all, and after a boot was lost from the store."""
    before, entered = decided(store), results(store)
    assert [one[1] for one in before] == ["T2", None, "T2", "T2"] and entered == [("T2", before[0][0], "video")]
    assert rebuild(store, captures_under(data), data).stored == 0, "what was decided is nothing that captures lack"
    assert rebuild(store, captures_under(data), data, everything=True).stored == 4
    assert (decided(store), results(store)) == (before, entered)
    for boot in store.boots():
        store.replace_boots({boot.id: None})
    assert store.boots() == []
    rebuild(store, captures_under(data), data)
    assert (decided(store), results(store)) == (before, entered)
    assert store.move_boot(str(before[0][0]), "T1", ME).trial == "T1"
    told = store.told_boot(str(before[0][0]))
    assert told is not None and (told.trial, told.left_out) == ("T1", None)


def test_judging_again_lets_it_stand(store: Store, data: Path) -> None:
    """By the same table; by one that takes all for one boot, which then has all of it; and back, each has its own."""
    before, entered, paths = decided(store), results(store), captures_under(data)
    rejudge(store, paths, data, TABLE)
    assert (decided(store), results(store)) == (before, entered)
    rejudge(store, paths, data, ONE_BOOT)
    (whole,) = store.boots()
    assert (whole.left_out, whole.note, whole.labels) == ("mains failed", "fan loud", ["cold"])
    rejudge(store, paths, data, None)
    assert (decided(store), results(store)) == (before, entered)


def test_what_is_decided_about_a_boot_that_stands_for_several_holds(store: Store, data: Path) -> None:
    """Counted again while four are one: none of them is left out any more."""
    paths = captures_under(data)
    rejudge(store, paths, data, ONE_BOOT)
    (whole,) = store.boots()
    assert store.count_boot(whole.id, ME).left_out is None
    assert store.move_boot(whole.id, "T3", ME).trial == "T3"
    assert [boot.id for boot in store.boots(trial="T3")] == [whole.id] and store.boots(trial="T2") == []
    rejudge(store, paths, data, None)
    assert [boot.left_out for boot in store.boots()] == [None] * 4


def test_a_recovery_lets_it_stand(store: Store, data: Path) -> None:
    """A start after a kill reads the captures again and stores the boots that were not over."""
    before = decided(store)
    for boot in store.boots():
        told = store.told_boot(boot.id)
        assert told is not None
        store.save_boot(told.model_copy(update={"ended": None, "outcome": "running"}))
    recovery = Recovery(store, "pc", data / "captures/pc", data)
    progress = Progress(data / "captures/pc")
    for entry in progress.entries.values():
        entry.done = False
    recovery.run(progress, recovery.find(progress))
    assert decided(store) == before
    assert all(boot.ended is not None for boot in store.boots())


def test_a_daemon_that_saves_on_lets_it_stand(store: Store) -> None:
    """The daemon knows the trial that it told the boot of, and saves it so again and again."""
    first: Boot = store.boots(newest_first=False)[0]
    told = store.told_boot(first.id)
    assert told is not None and told.trial == "T1"
    store.save_boot(told.model_copy(update={"codes": 99}))
    assert (store.boot(first.id).codes, store.boot(first.id).trial) == (99, "T2")
