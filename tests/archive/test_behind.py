"""What lacks is known by its numbers, whoever took the rest and however often."""

from __future__ import annotations

import itertools
import random

from archive.telling import Bench
from hypothesis import given
from hypothesis import strategies as st

from benchd.archive.apply import Applier
from benchd.archive.behind import behind, tidy
from benchd.archive.database import ArchiveDatabase
from benchd.archive.intake import Intake
from benchd.archive.ranges import bits_between, bits_of, missing, newest, packed, unpacked

Seqs = st.sets(st.integers(1, 6000), max_size=60)
Spans = st.lists(st.tuples(st.integers(1, 5000), st.integers(0, 2500)), max_size=4)


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
