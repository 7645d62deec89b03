"""The outbox alone: order, ids, thinning, damage, a full disk, and a model of it all."""

from __future__ import annotations

import json
import sqlite3
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.errors import ExternalError
from benchd.sinks.mqtt.outbox import BATCH, Entry, Outbox, Waiting


def entry(n: int, kind: str = "stage", machine: str = "a", thinned: int = 0) -> Entry:
    return Entry(kind, f"t/{machine}/{kind}", {"n": n}, n, thinned)


def load(box: Outbox) -> list[dict[str, int]]:
    return [json.loads(w.payload) for w in box.peek(1_000_000)]


@pytest.fixture
def box(tmp_path: Path) -> Iterator[Outbox]:
    out = Outbox(tmp_path / "outbox.sqlite", codes_kept=100)
    yield out
    out.close()


def test_order_and_ids_survive_reopening(tmp_path: Path) -> None:
    """What was appended comes back in order with the same ids after closing; numbers are never used again."""
    box = Outbox(tmp_path / "o")
    box.append([entry(n) for n in range(10)])
    before = load(box)
    box.sent([1, 2, 3, 10])
    box.close()
    again = Outbox(tmp_path / "o")
    assert load(again) == before[3:9] and again.count == 6
    again.sent(range(4, 10))
    again.close()
    third = Outbox(tmp_path / "o")
    third.append([entry(99)])
    assert [e["seq"] for e in load(third)] == [11] and load(third)[0]["id"] == f"{third.id}-11"
    third.close()


def test_append_is_all_or_nothing(box: Outbox) -> None:
    """An append that fails in the middle leaves nothing of itself and can be repeated."""
    box.append([entry(0)])
    bad = Entry("stage", None, {}, 0)  # type: ignore[arg-type]  # NOT NULL fails in the file
    with pytest.raises(ExternalError, match="cannot write the outbox"):
        box.append([entry(1), bad, entry(2)])
    assert [e["n"] for e in load(box)] == [0] and box.count == 1
    box.append([entry(1), entry(2)])
    assert [(e["n"], e["seq"]) for e in load(box)] == [(0, 1), (1, 2), (2, 3)]


STEP = st.one_of(
    st.tuples(st.just("code"), st.sampled_from("ab"), st.integers(1, 60)),
    st.tuples(st.just("stage"), st.sampled_from("ab"), st.integers(1, 5)),
    st.tuples(st.just("fly"), st.just(""), st.integers(1, 80)),
    st.tuples(st.just("land"), st.just(""), st.just(0)),
    st.tuples(st.just("reopen"), st.just(""), st.just(0)),
)


@settings(deadline=None, max_examples=100)
@given(steps=st.lists(STEP, max_size=40))
def test_model(tmp_path_factory: pytest.TempPathFactory, steps: list[tuple[str, str, int]]) -> None:
    """For any story: stages all and in order; codes in order, sent + thinned = offered for each machine, also when
    codes are thinned, or the program ends, while events are with the broker and not acknowledged; doubles are equal."""
    path = tmp_path_factory.mktemp("box") / "o"
    box, n = Outbox(path, codes_kept=100), 0
    want: dict[str, list[int]] = {"a": [], "b": []}
    codes = {"a": 0, "b": 0}
    got: dict[str, tuple[str, dict[str, int]]] = {}
    flying: list[Waiting] = []

    def fly(limit: int) -> list[Waiting]:
        for w in (batch := box.peek(limit)):
            event = json.loads(w.payload)
            assert got.setdefault(event["id"], (w.topic, event)) == (w.topic, event)
        return batch

    for kind, machine, count in [*steps, ("land", "", 0), ("fly", "", 1_000_000), ("land", "", 0)]:
        if kind == "fly":
            flying = fly(count)
        elif kind == "land":
            box.sent([w.seq for w in flying])
            flying = []
        elif kind == "reopen":
            box.close()
            box, flying = Outbox(path, codes_kept=100), []
        else:
            box.append([entry(n + i, kind, machine) for i in range(count)])
            if kind == "stage":
                want[machine] += range(n, n + count)
            else:
                codes[machine] += count
            n += count
        assert box.count <= 100 + BATCH + sum(map(len, want.values()))
    assert box.count == 0
    box.close()
    seqs = [e["seq"] for _, e in got.values()]
    assert seqs == sorted(set(seqs))
    for machine in "ab":
        assert [e["n"] for topic, e in got.values() if topic == f"t/{machine}/stage"] == want[machine]
        mine = [e for topic, e in got.values() if topic == f"t/{machine}/code"]
        assert sum(1 + e["thinned"] for e in mine) == codes[machine]


def test_events_in_flight_are_not_thinned(box: Outbox) -> None:
    """What was given out for sending stays whatever comes in meanwhile: told as it is, and told as missing nowhere."""
    box.append([entry(n, "code") for n in range(90)])
    flying = box.peek(50)
    for n in range(90, 400, 10):
        box.append([entry(n + i, "code") for i in range(10)])
    assert box.peek(50) == flying and box.thinned > 0
    box.sent([w.seq for w in flying])
    rest = load(box)
    assert len(flying) + sum(1 + e["thinned"] for e in rest) == 400
    assert [e["n"] for e in rest[-20:]] == list(range(380, 400))


def test_thinning_keeps_the_newest_densest(box: Outbox) -> None:
    """After a long outage the last codes are all there, older ones ever fewer, none of the rest touched."""
    for n in range(0, 10_000, 10):
        box.append([entry(n + i, "code") for i in range(10)] + [entry(n)])
    codes = [e for e in load(box) if "thinned" in e]
    assert 50 <= len(codes) <= 100 and box.thinned == 10_000 - len(codes)
    assert [e["n"] for e in codes[-20:]] == list(range(9_980, 10_000))
    assert codes[0]["thinned"] > codes[-30]["thinned"]
    assert sum(1 for e in load(box) if "thinned" not in e) == 1000


def test_size_cap_leaves_codes_out_and_tells(tmp_path: Path) -> None:
    """Beyond the size cap no code is stored, every stage is; the next code stored says how many are missing."""
    box = Outbox(tmp_path / "o", size_cap=200_000)
    big = {"text": "x" * 1000}
    n = 0
    while box.bytes() <= 200_000:
        box.append([Entry("stage", "t/a/stage", big, n)])
        n += 1
    box.append([entry(1, "code"), Entry("stage", "t/a/stage", big, n), entry(2, "code", thinned=3)])
    assert box.count == n + 1 and box.thinned == 2
    box.close()
    box = Outbox(tmp_path / "o", size_cap=200_000)
    box.sent(range(1, n + 2))
    box.append([entry(3, "code")])
    assert load(box)[0]["thinned"] == 1 + 1 + 3
    box.close()


def test_damaged_file_is_put_aside(tmp_path: Path) -> None:
    """A file that is no database does not stop the sink: it is kept under another name, a new one is begun."""
    path = tmp_path / "outbox.sqlite"
    path.write_bytes(b"not a database at all, but long enough to look at" * 40)
    box = Outbox(path)
    assert box.put_aside is not None and box.put_aside.read_bytes().startswith(b"not a database")
    box.append([entry(1)])
    assert box.count == 1
    box.close()


def test_newer_schema_is_refused_kindly(tmp_path: Path) -> None:
    """A file of a newer program is not touched; the message names both schemas and what to do."""
    Outbox(tmp_path / "o").close()
    db = sqlite3.connect(tmp_path / "o")
    db.execute("UPDATE about SET value = '7' WHERE name = 'schema'")
    db.commit()
    db.close()
    with pytest.raises(ExternalError, match="schema 7, this program knows 1"):
        Outbox(tmp_path / "o")


def test_full_disk(box: Outbox) -> None:
    """With no room left (SQLite's own page limit) append fails with the reason; with room again all is well."""
    box.append([entry(0)])
    pages = box._db.execute("PRAGMA page_count").fetchone()[0]
    box._db.execute(f"PRAGMA max_page_count = {pages + 4}")
    large = [Entry("stage", "t", {"x": "y" * 4000}, n) for n in range(50)]
    with pytest.raises(ExternalError, match=r"full.*check the disk"):
        box.append(large)
    assert box.count == 1 and len(load(box)) == 1
    box._db.execute("PRAGMA max_page_count = 1000000")
    box.append(large)
    assert box.count == 51


def test_refused_events_do_not_block(box: Outbox) -> None:
    """An event the broker refuses for good is set aside in the file; the others go on."""
    box.append([entry(n) for n in range(3)])
    box.refuse(1, "topic name invalid")
    assert [e["n"] for e in load(box)] == [1, 2] and (box.count, box.refused) == (2, 1)
    box.close()
    again = Outbox(box.path)
    assert (again.count, again.refused) == (2, 1)
    again.close()


def test_speed_and_shrinking(box: Outbox) -> None:
    """20,000 stages go in and out within 10 s (a floor, not a target), and the space is given back after."""
    began = time.monotonic()
    for n in range(0, 20_000, 100):
        box.append([Entry("stage", "t", {"x": "y" * 300}, n + i) for i in range(100)])
    assert box.bytes() > 5_000_000
    while batch := box.peek(256):
        box.sent([w.seq for w in batch])
    assert box.bytes() < 200_000
    assert time.monotonic() - began < 10
