"""Boots come out as they went in, are found by what people know of them, and lists stay quick."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from random import Random

import pytest
import sqlalchemy as sa
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.reports import framed, random_world

from benchd.decode.report import ReportReader
from benchd.errors import UsageError
from benchd.store import Store
from benchd.store import boots as boots_in_store
from benchd.vocabulary.models import Blind, Boot, Check, Finding, Stage

START = datetime(2026, 3, 1, 20, 0, tzinfo=UTC)


def boot(number: int, **values: object) -> Boot:
    base: dict[str, object] = {
        "id": f"b{number:04d}",
        "machine": "at286",
        "table": "bench-at",
        "started": (START + timedelta(minutes=number)).isoformat(),
        "outcome": "finished",
    }
    return Boot(**(base | values))


def stages(*times: float) -> list[Stage]:
    return [Stage(name=f"s{n}", t=t, u=0.001) for n, t in enumerate(times)]


plain = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=30)
seconds = st.floats(min_value=0, max_value=1e9, allow_nan=False)
maybe = st.none() | plain
whole_boots = st.builds(
    Boot,
    id=plain.filter(bool),
    machine=plain,
    trial=maybe,
    table=plain,
    started=st.datetimes(timezones=st.timezones()).map(lambda moment: moment.isoformat()),
    start_reason=plain,
    ended=maybe,
    outcome=st.sampled_from(["finished", "stalled", "looped", "cut-short", "link-lost", "running"]),
    last_stage=maybe,
    last_code=maybe,
    duration_s=seconds,
    stages=st.lists(st.builds(Stage, name=plain, t=seconds, u=seconds), max_size=4),
    findings=st.lists(
        st.builds(
            Finding,
            kind=st.sampled_from(
                [
                    "stall",
                    "loop",
                    "skipped",
                    "late",
                    "slow",
                    "fault",
                    "unknown-code",
                    "quiet",
                    "wrong-table",
                    "wrong-speed",
                    "swapped-links",
                ]
            ),
            rule=plain,
            stage=maybe,
            code=maybe,
            t=seconds,
            limit_s=st.none() | seconds,
            limit_kind=st.sampled_from([None, "explicit", "learned-normal", "distribution-free", "default"]),
            cleared_t=st.none() | seconds,
            means=maybe,
            try_=st.lists(st.text(st.characters(), max_size=20), max_size=3),
            caution=maybe,
            detail=maybe,
        ),
        max_size=3,
    ),
    checks=st.lists(st.builds(Check, name=plain, passed=st.booleans(), t=seconds), max_size=3),
    codes=st.integers(0, 2**62),
    lines=st.integers(0, 2**62),
    lost=st.integers(0, 2**62),
    passes_of=maybe,
)


@settings(deadline=None, max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(first=whole_boots, second=whole_boots)
def test_boots_come_back_exactly(store: Store, first: Boot, second: Boot) -> None:
    """Any boot is read back equal, and saving under a known id replaces all of it."""
    store.save_boot(first)
    assert store.boot(first.id) == first
    replaced = second.model_copy(update={"id": first.id})
    store.save_boot(replaced)
    assert store.boot(first.id) == replaced
    assert [found for found in store.boots() if found.id == first.id] == [replaced]


def test_text_no_database_takes_is_made_harmless(store: Store) -> None:
    """NUL and lone surrogates, which PostgreSQL refuses, never lose a boot; all else is untouched."""
    wild = Finding(kind="fault", rule="r", t=1.0, detail="a\0b\udc80c\x1b[31m", try_=["x\0"])
    store.save_boot(boot(1, findings=[wild], last_stage="\0"))
    found = store.boot("b0001")
    assert found.findings[0].detail == "a\u2400b\\udc80c\x1b[31m"
    assert found.findings[0].try_ == ["x\0"]
    assert found.last_stage == "\u2400"


def test_boots_are_found_by_machine_trial_outcome_and_time(store: Store) -> None:
    """Each filter, all together, the limit (newest) and both orders."""
    for number in range(12):
        store.save_boot(
            boot(
                number,
                machine="at286" if number % 2 else "xt88",
                trial=f"T{number % 3}",
                outcome="stalled" if number % 4 == 0 else "finished",
            )
        )

    def numbers(**asked: object) -> list[int]:
        return [int(found.id[1:]) for found in store.boots(**asked)]  # type: ignore[arg-type]

    assert numbers() == list(range(11, -1, -1))
    assert numbers(newest_first=False) == list(range(12))
    assert numbers(machine="xt88") == [10, 8, 6, 4, 2, 0]
    assert numbers(trial="T1", machine="xt88") == [10, 4]
    assert numbers(outcome="stalled") == [8, 4, 0]
    assert numbers(since=START + timedelta(minutes=10)) == [11, 10]
    assert numbers(since="2026-03-01T21:10:00+01:00") == [11, 10]
    assert numbers(limit=2) == [11, 10]
    assert numbers(limit=2, newest_first=False) == [10, 11]
    assert numbers(limit=0) == []
    with pytest.raises(UsageError, match="limit of -1"):
        store.boots(limit=-1)
    with pytest.raises(UsageError, match="zone"):
        store.boots(since="2026-03-01T21:10:00")
    with pytest.raises(UsageError, match="yesterday"):
        store.boots(since="yesterday")


def test_order_is_by_instant_not_by_text(store: Store) -> None:
    """When clocks are put back, 02:30 summer time came before 02:10 winter time."""
    store.save_boot(boot(1, started="2026-10-25T02:30:00+02:00"))
    store.save_boot(boot(2, started="2026-10-25T02:10:00+01:00"))
    assert [found.id for found in store.boots()] == ["b0002", "b0001"]


def test_one_boot_by_id_or_unique_prefix(store: Store) -> None:
    """A whole id wins over a longer one; unknown and ambiguous names say what there is."""
    for name in ("20260301-1", "20260301-12", "20260302-a%_"):
        store.save_boot(boot(1, id=name), capture=f"{name}.pcapng")
    assert store.boot("20260301-1").id == "20260301-1"
    assert store.boot("20260302").id == "20260302-a%_"
    assert Path(str(store.capture_of("20260302"))).name == "20260302-a%_.pcapng"
    with pytest.raises(UsageError, match=r"no boot '%'"):
        store.boot("%")
    with pytest.raises(UsageError, match=r"could be boot 20260301-12, 20260301-1;"):
        store.boot("20260301")
    with pytest.raises(UsageError, match="no boot 'x'"):
        store.capture_of("x")


@pytest.mark.parametrize("asked", ["\0", "a\0b", "\ud800"], ids=ascii)
def test_no_text_is_too_strange_to_ask_for(store: Store, asked: str) -> None:
    """PostgreSQL has no NUL in text (manual, 8.3), UTF-8 no half pairs (RFC 3629): there is just no such boot."""
    with pytest.raises(UsageError, match="no boot"):
        store.boot(asked)
    assert store.boots(machine=asked) == [] == store.boots(trial=asked)
    with pytest.raises(UsageError, match="no trial"):
        store.trial(asked)
    with pytest.raises(UsageError, match="no study"):
        store.study(asked)


def test_capture_stays_known_when_a_save_does_not_name_it(store: Store) -> None:
    """A boot is saved many times while it runs; the capture is named once, and may be changed."""
    store.save_boot(boot(1))
    assert store.capture_of("b0001") is None
    store.save_boot(boot(1), capture="a")
    store.save_boot(boot(1, outcome="stalled"))
    assert Path(str(store.capture_of("b0001"))).name == "a"
    store.save_boot(boot(1), capture="b")
    assert Path(str(store.capture_of("b0001"))).name == "b"


def test_captures_are_stored_relative_to_the_data_folder(place: str, tmp_path: Path) -> None:
    """A data folder may be moved: what lies in it is found again, what does not stays where it was."""
    data, outside = tmp_path / "data", tmp_path / "elsewhere.pcapng"
    with Store.open(place, data=data) as store:
        store.save_boot(boot(1), capture=str(data / "captures/pc/a.pcapng"))
        store.save_boot(boot(2), capture=str(outside))
        store.save_boot(boot(3), capture=str(data / "captures/../../elsewhere.pcapng"))
        assert store.capture_of("b0001") == str(data / "captures/pc/a.pcapng")
    with Store.open(place, data=tmp_path / "moved") as store:
        assert store.capture_of("b0001") == str(tmp_path / "moved/captures/pc/a.pcapng")
        assert store.capture_of("b0002") == str(outside)
        assert Path(str(store.capture_of("b0003"))).resolve() == outside


def test_neighbours_are_the_boots_before_and_after(store: Store) -> None:
    """Of the same machine, by start, then id; never the boot itself, also where several began at the same instant."""
    for number in (1, 2, 4):
        store.save_boot(boot(number))
    store.save_boot(boot(3, machine="other"))
    same = boot(2).started
    store.save_boot(boot(2, id="b0002-2", started=same))
    assert store.neighbours("b0001") == (None, "b0002")
    assert store.neighbours("b0002") == ("b0001", "b0002-2")
    assert store.neighbours("b0002-2") == ("b0002", "b0004")
    assert store.neighbours("b0004") == ("b0002-2", None)
    assert store.neighbours("b0003") == (None, None) == store.neighbours("none")


def test_boots_left_running_are_closed(store: Store) -> None:
    """Only the named machine's running boots become cut-short, ended when last seen, with the reason kept."""
    store.save_boot(boot(1, outcome="running", duration_s=12.5))
    store.save_boot(boot(2, outcome="running", machine="xt88"))
    store.save_boot(boot(3))
    assert store.close_running("at286", "the daemon was killed") == ["b0001"]
    closed = store.boot("b0001")
    assert (closed.outcome, closed.ended) == ("cut-short", "2026-03-01T20:01:12.500000+00:00")
    assert store.closed_reason("b0001") == "the daemon was killed"
    assert store.closed_reason("b0003") is None
    assert store.boot("b0002").outcome == "running"
    assert store.close_running("at286", "again") == []


def test_good_times_are_those_of_good_boots(store: Store) -> None:
    """Next stage's t minus its own, newest first; not of unfinished boots nor of ones with trouble there."""
    store.save_boot(boot(1, stages=stages(0, 2, 5)))
    store.save_boot(boot(2, stages=stages(0, 2, 6)))
    store.save_boot(boot(3, stages=stages(0, 2, 90), outcome="stalled"))
    stall = Finding(kind="stall", rule="r", stage="s1", t=9, cleared_t=30)
    store.save_boot(boot(4, stages=stages(0, 2, 31), findings=[stall]))
    store.save_boot(boot(5, stages=stages(0, 2, 40), findings=[Finding(kind="slow", rule="r", stage="s1", t=9)]))
    store.save_boot(boot(6, stages=stages(0, 2, 9), findings=[Finding(kind="slow", rule="r", stage="s0", t=9)]))
    store.save_boot(boot(7, stages=stages(0, 2)))
    store.save_boot(boot(8, stages=stages(0, 2, 8), table="other"))
    store.save_boot(boot(9, stages=stages(0, 2, 8), machine="other"))
    store.save_boot(boot(10, stages=stages(0, 2, 20), anchored=False))
    out = Blind(link="console", t=1.0, until=2.0, why="down")
    store.save_boot(boot(11, stages=stages(0, 2, 30), blind=[out]))
    assert store.boot("b0011").blind == [out] and not store.boot("b0010").anchored
    good = store.good_times("at286", "bench-at")
    assert good == {"s1": [7.0, 4.0, 3.0], "s0": [2.0, 2.0, 2.0, 2.0, 2.0]}
    assert store.good_times("at286", "none") == {}


def test_a_boot_that_a_person_left_out_is_no_good_one(store: Store) -> None:
    """Neither read with all nor by its id, and it takes no place of those looked at; counted again, it is one again."""
    for number in range(4):
        store.save_boot(boot(number, stages=stages(0, 2 + number)))
    store.leave_out("b0003", "wrong board in the slot")
    store.note_boot("b0002", "a note leaves nothing out")
    assert store.good_times("at286", "bench-at") == {"s0": [4.0, 3.0, 2.0]}
    assert store.good_times("at286", "bench-at", limit=2) == {"s0": [4.0, 3.0]}
    assert [good.id for good in store.good_boots("at286", "bench-at", of=["b0003", "b0001"])] == ["b0001"]
    store.count_boot("b0003")
    assert store.good_times("at286", "bench-at") == {"s0": [5.0, 4.0, 3.0, 2.0]}


def test_only_the_newest_good_boots_are_learned_from(store: Store) -> None:
    """The newest so many that finished, whatever came between; older ones are not even looked at."""
    for number in range(9):
        store.save_boot(boot(number, stages=stages(0, number, 20), outcome="stalled" if number % 2 else "finished"))
    assert store.good_times("at286", "bench-at", limit=3) == {"s0": [8.0, 6.0, 4.0], "s1": [12.0, 14.0, 16.0]}
    if store._database.is_sqlite:
        seen: list[tuple[str, tuple[object, ...]]] = []
        sa.event.listen(store._database._engine, "before_cursor_execute", lambda *args: seen.append(args[2:4]))
        store.good_times("at286", "bench-at")
        query, values = next(one for one in seen if one[0].startswith("SELECT"))
        with store._database.read() as connection:
            plan = connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {query}", values).all()
        assert any("USING INDEX boot_good (machine=? AND table_name=? AND outcome=?)" in str(row) for row in plan)


@pytest.mark.parametrize("seed", range(4))
def test_good_boots_are_those_that_the_boots_themselves_tell(
    store: Store, monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    """Of any boots, whatever is read at once: what `good_boots` says in words, done with each boot as it is listed."""
    monkeypatch.setattr(boots_in_store, "ROWS", 3)
    chance = Random(seed)
    for number in range(25):
        found = [
            Finding(kind=chance.choice(["stall", "slow", "late"]), rule="r", stage=f"s{chance.randrange(4)}", t=1)
            for _ in range(chance.choice((0, 0, 1, 2)))
        ]
        blind = [Blind(link="post", t=0, why="down")] if chance.random() < 0.1 else []
        store.save_boot(
            boot(
                number, stages=stages(*sorted(chance.uniform(0, 60) for _ in range(chance.randrange(6)))),
                outcome=chance.choice(["finished", "finished", "finished", "stalled"]), findings=found, blind=blind,
                anchored=chance.random() < 0.9, table=chance.choice(["bench-at", "bench-at", "other"]),
            )
        )  # fmt: skip
    good = [
        one
        for one in store.boots()
        if one.outcome == "finished" and one.anchored and not one.blind and one.table == "bench-at"
    ]
    for limit in (7, 100):
        wanted = {}
        for one in good[:limit]:
            trouble = {finding.stage for finding in one.findings if finding.kind in ("stall", "slow")}
            lasted = [(a.name, b.t - a.t) for a, b in pairwise(one.stages) if a.name not in trouble]
            if lasted:
                wanted[one.id] = sorted(lasted)
        assert {one.id: sorted(one.lasted) for one in store.good_boots("at286", "bench-at", limit)} == wanted


def test_a_boot_without_a_time_is_refused(store: Store) -> None:
    """A start that is no time cannot be sorted: told, nothing stored."""
    with pytest.raises(UsageError, match="soon"):
        store.save_boot(boot(1, started="soon"))
    assert store.boots() == []


def test_a_thousand_boots_are_listed_quickly_in_six_queries(store: Store) -> None:
    """1,000 boots of 12 stages and 2 findings: well under a second, and the queries do not grow with them."""
    finding = Finding(kind="slow", rule="r", stage="s1", t=1.0, means="m", try_=["a", "b"])
    some = boot(0, stages=stages(*range(12)), findings=[finding] * 2)
    with store._database.write() as connection:  # one transaction, so that the test itself stays quick
        from benchd.store import schema

        row = {
            "machine": "at286",
            "table_name": "t",
            "outcome": "finished",
            "start_reason": "",
            "duration_s": 1.0,
        }
        row |= {"codes": 1, "lines": 1, "lost": 0}
        ids = [f"b{number:04d}" for number in range(1000)]
        connection.execute(
            sa.insert(schema.boot),
            [row | {"id": i, "started": some.started, "started_us": n} for n, i in enumerate(ids)],
        )
        connection.execute(
            sa.insert(schema.stage),
            [{"boot": i, "position": p, **s.model_dump()} for i in ids for p, s in enumerate(some.stages)],
        )
        connection.execute(
            sa.insert(schema.finding),
            [
                {"boot": i, "position": p} | {name: getattr(f, name) for name in Finding.model_fields}
                for i in ids
                for p, f in enumerate(some.findings)
            ],
        )
    queries = []
    sa.event.listen(store._database._engine, "before_cursor_execute", lambda *args: queries.append(args[2]))
    begun = time.process_time()
    found = store.boots(limit=1000)
    took = time.process_time() - begun
    assert len(found) == 1000
    assert found[0].stages == some.stages and found[999].findings == some.findings
    assert took < 1.0
    assert sum(query.startswith("SELECT") for query in queries) == 6


def test_a_report_comes_out_as_it_went_in_and_its_boot_teaches_no_limits(store: Store) -> None:
    """Every part of it; a boot without one has none. A report takes seconds, so its times are no usual ones."""
    world = random_world(Random(7))
    reader = ReportReader()
    for line in [*world.report()[:-1], framed(99, "nothing")]:
        reader.take(line)
    measured = reader.measured
    assert measured is not None and measured.blocks and measured.roms and measured.tests and measured.notes
    store.save_boot(boot(1, measured=measured, stages=stages(1.0, 3.0)))
    store.save_boot(boot(2, stages=stages(1.0, 4.0)))
    assert store.boot("b0001").measured == measured
    assert store.boot("b0002").measured is None
    assert store.good_times("at286", "bench-at") == {"s0": [3.0]}
    store.save_boot(boot(1, stages=stages(1.0, 3.0)))
    assert store.boot("b0001").measured is None
