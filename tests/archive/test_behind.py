"""What lacks is known by its numbers, whoever took the rest and however often."""

from __future__ import annotations

import itertools
import random
from datetime import UTC, datetime

import pytest
from archive.telling import AT, Bench
from hypothesis import given, settings
from hypothesis import strategies as st
from web.rig import stored_boot

from benchd.archive.apply import Applier
from benchd.archive.behind import behind, tidy
from benchd.archive.database import ArchiveDatabase, ArchiveStore
from benchd.archive.filling import Filling, plan
from benchd.archive.intake import Intake
from benchd.archive.ranges import bits_between, bits_of, missing, newest, packed, unpacked
from benchd.errors import UsageError
from benchd.sinks.mqtt.settings import MqttSettings

Seqs = st.sets(st.integers(1, 6000), max_size=60)
Spans = st.lists(st.tuples(st.integers(1, 5000), st.integers(0, 2500)), max_size=4)


@settings(deadline=None, max_examples=60)
@given(Seqs, Spans, st.integers(0, 3000), st.integers(0, 7000))
def test_what_lacks_is_what_is_not_there(seqs: set[int], spans: list[tuple[int, int]], floor: int, top: int) -> None:
    """Against sets of numbers: between floor and top, each number is there or in one range that lacks."""
    ranges = [(first, first + more) for first, more in spans]
    pieces = bits_of(seqs)
    for piece, bits in bits_between(ranges).items():
        pieces[piece] = unpacked(packed(pieces.get(piece, 0) | bits))
    there = seqs | {n for first, last in ranges for n in range(first, last + 1)}
    lacks = missing(pieces, floor, top)
    assert [n for first, last in lacks for n in range(first, last + 1)] == [
        n for n in range(floor + 1, top + 1) if n not in there
    ]
    assert all(one[1] + 1 < other[0] for one, other in itertools.pairwise(lacks))
    assert newest(pieces) == max(there, default=0)


def test_gaps_are_told_and_forgotten_when_whole(database: ArchiveDatabase) -> None:
    """Two processes take turns; what neither took is named. What is whole is remembered as one number only."""
    bench = Bench("corner")
    messages = [bench.code("at286", "b1") for _ in range(5000)]
    status, refused = bench.status(), ("benchd/corner/entry", b"{")
    lost = messages[2999:3010] + messages[4990:]
    came = [message for message in messages if message not in set(lost)]
    random.Random(3).shuffle(came)
    one, two = (Intake(Applier(database, name), "benchd") for name in ("one", "two"))
    one.take([status, refused])
    for start in range(0, len(came), 250):
        (one if start % 500 else two).take(came[start : start + 250])
    (told,) = behind(database).benches
    assert (told.told, told.taken, told.missing, told.online, told.hears) == (5000, 4990, 21, True, True)
    assert told.boxes[0].ranges == [(3000, 3010), (4991, 5000)]
    assert (told.events, told.last_at) == (4979, "2026-03-01T20:00:00.000+00:00")
    assert [(kind.reason, kind.count) for kind in behind(database).refused] == [("not-json", 1)]
    assert tidy(database) == 4  # two whole pieces of two processes
    assert behind(database).benches[0].boxes[0].ranges == [(3000, 3010), (4991, 5000)]
    one.take(lost)
    assert behind(database).benches[0].missing == 0
    tidy(database)
    one.take(came[:100])  # again, after it was forgotten
    assert behind(database).missing == 0


def test_a_bench_that_went_is_silent(database: ArchiveDatabase) -> None:
    """The Last Will is its last word."""
    bench, other = Bench("corner"), Bench("attic")
    intake = Intake(Applier(database, "one"), "benchd")
    intake.take([bench.status(), other.status(), bench.status(online=False)])
    found = behind(database)
    assert found.silent == ["corner"]
    assert {one.bench: one.online for one in found.benches} == {"corner": False, "attic": True}


def test_what_everything_asked_for_does_not_tell_again_is_gone(database: ArchiveDatabase, place: str) -> None:
    """A boot whose removal was lost, and one that comes late: neither is there after all that is was told anew."""
    bench = Bench("corner")
    boots = [stored_boot(n, "ready", datetime(2026, 3, 1, n, tzinfo=UTC)) for n in range(3)]
    kept, lost, late = (bench.boot(boot) for boot in boots)
    study = {"name": "s", "document": {}, "created": AT, "edited": AT}
    entries = [bench.entry("study", study), bench.entry("study", study | {"name": "gone"})]
    intake = Intake(Applier(database, "one"), "benchd")
    intake.take([kept, lost, *entries, bench.status()])
    (asking,) = plan(database, "corner", everything=True)
    assert (asking.everything, asking.why_not, asking.upto) == (True, "", {bench.outbox: 5})
    Filling(database, MqttSettings(url="mqtt://x"), "club", lambda line: None)._write_down({"a1": asking})
    whole_from = bench.seq + 1
    again = [bench.boot(boots[0], "stored"), bench.entry("study", study), bench.answer("a1", whole_from=whole_from)]
    taken = Intake(Applier(database, "two"), "benchd").take(again[::-1])
    assert not taken.refused, taken.last_refused
    intake.take([late])
    with ArchiveStore.at(place) as store:
        assert [one.id for one in store.boots()] == [f"{boots[0].id}@corner"]
        assert [one.name for one in store.studies()] == ["s@corner"]
    (told,) = behind(database).benches
    assert (told.missing, bool(told.answered)) == (0, True)


def test_an_ask_is_for_what_lacks_or_says_why_not(database: ArchiveDatabase) -> None:
    """By the bench's status: not there, deaf, another outbox since; and answered ranges count as here."""
    bench, deaf, gone = Bench("corner"), Bench("deaf"), Bench("gone")
    intake = Intake(Applier(database, "one"), "benchd")
    some = [bench.code("at286", "b") for _ in range(9)]
    intake.take([*some[:3], *some[6:], bench.status()])
    intake.take([deaf.code("x", "b"), deaf.status(archive=False), gone.code("x", "b"), gone.status(online=False)])
    found = {one.bench: one for one in plan(database, None)}
    assert (found["corner"].outbox, found["corner"].ranges) == (bench.outbox, [(4, 6)])
    assert "archive = true" in found["deaf"].why_not
    assert "not there now" in found["gone"].why_not
    Filling(database, MqttSettings(url="mqtt://x"), "club", lambda line: None)._write_down({"a1": found["corner"]})
    intake.take([bench.answer("other"), deaf.answer("a1"), bench.code("at286", "b")])
    assert plan(database, "corner")[0].ranges == [(4, 6)]
    intake.take([bench.answer("a1", outbox=bench.outbox, missing=[(4, 6)])])
    assert plan(database, "corner")[0].missing == 0
    bench.outbox, bench.seq = "019fffffffffabcd", 0
    intake.take([bench.code("at286", "b"), bench.status()])
    (moved,) = plan(database, "corner")
    assert moved.everything
    with pytest.raises(UsageError, match="there are: corner, deaf, gone"):
        plan(database, "attic")
