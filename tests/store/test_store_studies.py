"""Studies, trials, results, images and predictions: kept as given, numbered once, refused with a reason."""

from __future__ import annotations

import hashlib
import threading

import pytest
from pydantic import ValidationError

from benchd.errors import UsageError
from benchd.store import Hand, Result, Store, StoredImage, StoredStudy

AT = [f"2026-03-01T20:{minute:02d}:00+01:00" for minute in range(60)]
DOCUMENT = {
    "question": "why does the storage card's ROM not run?",
    "goal": {"kind": "stage-reached", "target": "storage-rom"},
    "factors": [{"name": "rom-base", "levels": ["C800", "D800"], "minutes": 6.5}],
    "exclusions": [],
    "reference": None,
}


def study(name: str = "storage", minute: int = 0, **document: object) -> StoredStudy:
    return StoredStudy(name=name, document=document or DOCUMENT, created=AT[minute], edited=AT[minute])


def start(store: Store, minute: int, machine: str = "at286", of: str = "storage", **setup: str) -> str:
    return store.start_trial(study=of, machine=machine, setup=setup, changed=setup, started=AT[minute]).id


def test_a_study_is_kept_as_given(store: Store) -> None:
    """The document comes back equal; saving again replaces it and keeps when the study was made."""
    store.save_study(study())
    assert store.study("storage") == study()
    edited = StoredStudy(name="storage", document={"question": "?\0\udc80"}, created=AT[9], edited=AT[9])
    store.save_study(edited)
    assert store.study("storage") == edited.model_copy(update={"created": AT[0]})
    store.save_study(study("video", 5))
    assert [found.name for found in store.studies()] == ["storage", "video"]
    with pytest.raises(UsageError, match=r"no study 'vid'; there are storage, video"):
        store.study("vid")
    with pytest.raises(UsageError, match="JSON"):
        store.save_study(study(limit=float("nan")))


def test_one_trial_runs_on_a_machine(store: Store) -> None:
    """Starting a trial ends the one before on that machine at the same moment, and no other."""
    store.save_study(study())
    first = start(store, 1, **{"rom-base": "C800"})
    elsewhere = start(store, 2, machine="xt88")
    second = start(store, 3, **{"rom-base": "D800"})
    assert (first, elsewhere, second) == ("T1", "T2", "T3")
    assert store.trial("T1").ended == AT[3]
    current = store.current_trial("at286")
    assert current is not None and current.id == "T3" and current.setup == {"rom-base": "D800"}
    assert current.changed == {"rom-base": "D800"} and current.ended is None
    assert store.current_trial("xt88") == store.trial("T2")
    assert store.end_trial("T3", AT[4]).ended == AT[4]
    assert store.end_trial("T3", AT[5]).ended == AT[4]
    assert store.current_trial("at286") is None
    assert store.current_trial("never") is None


def test_trials_are_listed_in_order_and_numbered_across_studies(store: Store) -> None:
    """Ids are the store's, not the study's, so that a trial can be named without its study."""
    store.save_study(study())
    store.save_study(study("video"))
    for minute in range(12):
        start(store, minute, machine=f"m{minute % 3}", of="video" if minute % 2 else "storage")
    assert [trial.id for trial in store.trials()] == [f"T{n}" for n in range(1, 13)]
    assert [trial.id for trial in store.trials(study="video")] == ["T2", "T4", "T6", "T8", "T10", "T12"]
    assert [trial.id for trial in store.trials(study="video", machine="m0")] == ["T4", "T10"]
    with pytest.raises(UsageError, match="no study 'x'"):
        store.trials(study="x")
    with pytest.raises(UsageError, match=r"no trial 'T99'; the latest are T12, T11"):
        store.trial("T99")


def test_a_trial_that_cannot_be_is_refused_and_takes_no_number(store: Store) -> None:
    """Unknown study, a time without zone: nothing changes, the running trial goes on."""
    store.save_study(study())
    start(store, 1)
    with pytest.raises(UsageError, match="no study 'x'"):
        start(store, 2, of="x")
    with pytest.raises(UsageError, match=r"trial: started: .*zone"):
        store.start_trial(study="storage", machine="at286", setup={}, changed={}, started="2026-03-01T20:00:00")
    assert store.trial("T1").ended is None
    assert start(store, 3) == "T2"


def test_notes_are_added_line_by_line(store: Store) -> None:
    """A note never replaces one written before."""
    store.save_study(study())
    trial = start(store, 1)
    store.note_trial(trial, "second jumper was loose")
    assert store.note_trial(trial, "pushed home").note == "second jumper was loose\npushed home"


def test_results_belong_to_trials_or_boots(store: Store) -> None:
    """Results by hand, console and CSV are found by study, trial and boot; one can be taken back."""
    store.save_study(study())
    store.save_study(study("video"))
    one, two = start(store, 1), start(store, 2, of="video")
    by_hand = Result(trial=one, check="banner seen", passed=True, note="green", entered=AT[3])
    of_boot = Result(boot="b1", check="video-memory", passed=False, source="console", entered=AT[4])
    many = [
        Result(trial=two, boot="b2", check=f"test {n}", passed=n > 1, source="csv", entered=AT[5]) for n in range(3)
    ]
    first = store.add_result(by_hand)
    assert first.id is not None and first.model_copy(update={"id": None}) == by_hand
    store.add_result(of_boot)
    stored = store.add_results(many)
    assert [result.check for result in store.results()] == [
        "banner seen",
        "video-memory",
        "test 0",
        "test 1",
        "test 2",
    ]
    assert store.results(trial=two) == stored == store.results(study="video") == store.results(boot="b2")
    assert [result.passed for result in stored] == [False, False, True]
    store.take_back(first.id, Hand(AT[5]))
    assert store.results(study="storage") == []
    with pytest.raises(UsageError, match=f"result {first.id} is taken back already"):
        store.take_back(first.id, Hand(AT[5]))
    with pytest.raises(UsageError, match="no result 999"):
        store.take_back(999, Hand(AT[5]))
    with pytest.raises(UsageError, match="no trial 'T77'"):
        store.add_results([many[0], Result(trial="T77", check="c", passed=True, entered=AT[6])])
    assert len(store.results()) == 4
    with pytest.raises(ValidationError, match="a trial or a boot"):
        Result(check="c", passed=True, entered=AT[6])


def test_images_are_known_by_their_sha256(store: Store) -> None:
    """The same bytes are one image whatever the file is called; prefixes must be unique."""
    digests = [hashlib.sha256(bytes([n])).hexdigest() for n in range(20)]
    for number, digest in enumerate(digests):
        store.add_image(StoredImage(sha256=digest, name=f"rom{number:02d}.bin", size=8192, path=f"/r/{number}"))
    store.add_image(StoredImage(sha256=digests[3], name="again.bin", size=8192))
    assert store.image(digests[3][:12].upper()) == StoredImage(sha256=digests[3], name="again.bin", size=8192)
    assert [image.name for image in store.images()][:2] == ["again.bin", "rom00.bin"]
    assert len(store.images()) == 20
    with pytest.raises(UsageError, match="give more of its SHA-256"):
        store.image("")
    with pytest.raises(UsageError, match="no image"):
        store.image("zz")


def test_predictions_are_kept_for_their_trial(store: Store) -> None:
    """Documents come back equal, in the order made."""
    store.save_study(study())
    trial = start(store, 1)
    first = store.add_prediction(trial, {"scan": ["C800", "CA00"], "free": None}, AT[2])
    second = store.add_prediction(trial, {"scan": []}, AT[3])
    assert store.predictions(trial) == [first, second]
    with pytest.raises(UsageError, match="no trial 'T9'"):
        store.add_prediction("T9", {}, AT[3])
    with pytest.raises(UsageError, match="no trial 'T9'"):
        store.predictions("T9")


def test_trials_started_at_once_get_different_numbers(store: Store) -> None:
    """Eight threads start five trials each: forty numbers, none twice."""
    store.save_study(study())
    got: list[str] = []

    def work(machine: str) -> None:
        got.extend(start(store, minute, machine=machine) for minute in range(5))

    threads = [threading.Thread(target=work, args=(f"m{n}",)) for n in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(got, key=lambda name: int(name[1:])) == [f"T{n}" for n in range(1, 41)]
    assert all(len([t for t in store.trials(machine=f"m{n}") if t.ended is None]) == 1 for n in range(8))
