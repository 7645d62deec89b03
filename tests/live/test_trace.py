"""Codes and lines of one boot: from the index as by reading everything, whatever the machine did meanwhile."""

from __future__ import annotations

import json
import pickle
import random
import time
from dataclasses import replace
from pathlib import Path

import pytest
from boots.test_rotation import GOOD as GOOD_MS
from boots.test_rotation import LIFE, Bench
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from live.by_capture import GOOD, WALL_NS, codes, write
from support.card_frames import encode_frame
from support.story import TABLE

from benchd.capture import Capture, CaptureWriter, read_capture
from benchd.decode.benchframe import CardWrite, Frame
from benchd.errors import UsageError
from benchd.vocabulary.events import BootStarted, CodeSeen, Event, LineSeen
from benchd.vocabulary.records import Annotation, Chunk, ClockMark, LinkInfo, LinkState, ModemLines, Record
from benchd.vocabulary.times import NS
from benchd.watch import index as indexing
from benchd.watch.index import find_boot, freeze, index_of, last_state, thaw
from benchd.watch.pipeline import Pipeline
from benchd.watch.replay import Replay, new_pipeline
from benchd.watch.trace import TraceReader, boot_of

MS = 1_000_000
POST = LinkInfo("post", "post", "raw")
CONSOLE = LinkInfo("console", "console", "text", speed=115_200)
FRAMINGS = [
    LinkInfo("post", "post", "hex"),
    LinkInfo("post", "post", "bench", tick_s=1e-4),
    LinkInfo("post", "post", "pattern", pattern="POST (?P<code>[0-9A-F]{2})"),
]


def told(events: list[Event], boot: str) -> list[Event]:
    """What was told of a boot until the next one began, with its lines numbered from 0."""
    first: dict[str, int] = {}
    out: list[Event] = []
    for event in events:
        if out and isinstance(event, BootStarted):
            break
        if boot_of(event) == boot:
            if isinstance(event, LineSeen):
                event = replace(event, line=event.line - first.setdefault(event.link, event.line))
            out.append(event)
    return out


def boots_in(events: list[Event]) -> list[str]:
    return [event.boot.id for event in events if isinstance(event, BootStarted)]


STEP = st.one_of(
    st.tuples(st.just("code"), st.sampled_from([0x01, 0x01, 0x05, 0x20, 0x40, 0xAA, 0xFF, 0x77])),
    st.tuples(st.just("text"), st.sampled_from([b"Testing memory", b"\r\n", b"64K\r128K\r", b"storage rom ready\r\n",
                                                b"Starting\r\n", b"\x1b[2J\x1b[1;1H", b"half a li"])),
    st.tuples(st.just("modem"), st.booleans()),
    st.tuples(st.just("link"), st.booleans()),
    st.tuples(st.just("trial"), st.sampled_from(["T1", "T2", ""])),
    st.tuples(st.just("limit"), st.sampled_from(["memory=0.5:learned-normal:7", "memory=x"])),
    st.tuples(st.just("wait"), st.sampled_from([6000, 31_000])),
    st.tuples(st.just("file"), st.booleans()),
)  # fmt: skip


def life(steps: list[tuple[str, object]], gaps: list[int]) -> list[list[Record]]:
    """The records of a life, file by file."""
    files: list[list[Record]] = [[]]
    t = NS
    for number, (what, value) in enumerate(steps):
        t += gaps[number % len(gaps)] * MS
        match what:
            case "code":
                files[-1].append(Chunk("post", t, bytes([value])))  # type: ignore[list-item]
            case "text":
                files[-1].append(Chunk("console", t, value))  # type: ignore[arg-type]
            case "modem":
                files[-1].append(ModemLines("console", t, True, bool(value), False, bool(value)))
            case "link":
                files[-1].append(LinkState("post", t, bool(value), "test"))
            case "trial" | "limit":
                files[-1].append(Annotation(t, what, str(value)))
            case "wait":
                t += int(value) * MS  # type: ignore[call-overload]
                files[-1].append(ClockMark(t))
            case "file" if files[-1]:
                files.append([])
    return files


@settings(deadline=None, max_examples=120)
@given(
    steps=st.lists(STEP, max_size=60),
    gaps=st.lists(st.sampled_from([1, 20, 150, 700, 2500]), min_size=1, max_size=5),
    tight=st.booleans(),
)
def test_from_the_index_as_by_reading_everything(
    steps: list[tuple[str, object]], gaps: list[int], tight: bool, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Random lives in one to many files, cut anywhere: each boot's events are those of the replay of all files."""
    folder = tmp_path_factory.mktemp("life")
    paths = []
    with pytest.MonkeyPatch.context() as patch:
        if tight:  # a state at almost every record, instead of one for several boots
            patch.setattr(indexing, "EVERY", 20)
            patch.setattr(indexing, "APART", 0)
        for number, records in enumerate(life(steps, gaps)):
            path = folder / f"{number}.pcapng"
            with CaptureWriter(
                path, machine="pc", table="story", links=[POST, CONSOLE], wall_ns=WALL_NS, mono_ns=0
            ) as w:
                t = records[0].t_ns if records else NS
                w.write(Annotation(t, "table", TABLE))
                w.write(Annotation(t, "again", "0"))
                for record in records:
                    w.write(record)
            paths.append(path)
        whole: list[Event] = []
        began: dict[str, Path] = {}
        replay = Replay(paths)
        for event in replay.events():
            whole.append(event)
            if isinstance(event, BootStarted):
                assert replay.reading is not None
                began[event.boot.id] = replay.reading
        for boot in reversed(boots_in(whole)):
            expected = told(whole, boot)
            assert list(TraceReader().events(boot, began[boot])) == expected  # the index is made, or is there
            assert list(TraceReader().events(boot, began[boot])) == expected


@pytest.mark.parametrize("info", FRAMINGS, ids=lambda info: info.framing)
@settings(deadline=None, max_examples=20)
@given(cuts=st.lists(st.integers(1, 12), min_size=1, max_size=12), seed=st.integers(0, 99))
def test_a_state_is_the_whole_pipeline(info: LinkInfo, cuts: list[int], seed: int) -> None:
    """Frozen after any record and thawed, it goes on with the same events and counts, whatever the framing."""
    chance = random.Random(seed)
    wire = {
        "hex": b"01\r\n05\r\n20\r\n4",
        "pattern": b"POST 01\rPOST 05 POST 2",
        "bench": b"".join(
            encode_frame(Frame(n, 100 * n, (CardWrite(code=code),))) for n, code in enumerate((1, 5, 0x20))
        ),
    }[info.framing]
    records: list[Record] = []
    at, t = 0, NS
    while at < 3 * len(wire):
        size = cuts[len(records) % len(cuts)]
        t += chance.choice([1, 90, 300]) * MS
        records.append(Chunk("post", t, (wire * 3)[at : at + size]))
        at += size
    capture = Capture(Path("x"), "pc", "story", (info,), WALL_NS, 0, 1)

    def fresh() -> Pipeline:
        return new_pipeline(capture, TABLE, "t")

    whole = fresh()
    for number, record in enumerate(records):
        whole.feed(record)
        second = thaw(freeze(whole), fresh())
        first = thaw(freeze(whole), fresh())
        for later in records[number + 1 :]:
            assert second.feed(later) == first.feed(later)
        assert second.drain() == first.drain()
        assert second.decoders["post"].counts == first.decoders["post"].counts
    again = fresh()
    events = [event for record in records for event in again.feed(record)]
    thawed, later_events = fresh(), []
    for record in records:
        thawed = thaw(freeze(thawed), fresh())
        later_events += thawed.feed(record)
    assert later_events == events and any(isinstance(event, CodeSeen) for event in events)


def many(folder: Path, boots: int, name: str = "a.pcapng") -> Path:
    records: list[Record] = []
    for n in range(boots):
        records += codes(1 + n * 20)
    return write(folder / name, [*records, Annotation((boots * 20 + 10) * NS, "end", "stopped")], text=TABLE)


def test_reading_costs_what_the_boot_weighs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With an index, a boot late in a capture is read in as few records as an early one."""
    path = many(tmp_path, 400)
    ids = boots_in(list(Replay([path]).events()))
    fed = 0
    feed = Pipeline.feed

    def counted(self: Pipeline, record: Record) -> list[Event]:
        nonlocal fed
        fed += 1
        return feed(self, record)

    monkeypatch.setattr(Pipeline, "feed", counted)
    costs = []
    for boot in (ids[-2], ids[3], ids[200], ids[-2]):
        fed = 0
        assert sum(isinstance(event, CodeSeen) for event in TraceReader().events(boot, path)) == len(GOOD)
        costs.append(fed)
    assert costs[0] > 2000  # the index had to be made first
    assert max(costs[1:]) < 300


def test_an_index_goes_on_where_it_ended(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A capture that grew is read on from the last state, not from its beginning."""
    monkeypatch.setattr(indexing, "EVERY", 2_048)
    monkeypatch.setattr(indexing, "APART", 0)
    path = many(tmp_path, 50)
    reader = TraceReader()
    reader.index(read_capture(path))
    text = path.with_name("a.pcapng.index").read_bytes()
    assert last_state(text) > path.stat().st_size * 0.9
    part = text[: text.rfind(b'\n{"at"') + 1]
    path.with_name("a.pcapng.index").write_bytes(part)
    ids = boots_in(list(Replay([path]).events()))
    assert find_boot(part, ids[-1]) is None
    assert len(list(reader.events(ids[-1], path))) > len(GOOD)
    assert len(path.with_name("a.pcapng.index").read_bytes()) < 1.5 * len(text)


@pytest.mark.parametrize("damage", ["cut", "cut in a boot's line", "another program", "garbage", "state", "gone"])
def test_a_bad_index_is_made_anew(tmp_path: Path, damage: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is a cache: cut, of another version, damaged or gone, the answer is the same."""
    monkeypatch.setattr(indexing, "APART", 0)
    path = many(tmp_path, 30)
    whole = list(Replay([path]).events())
    ids = boots_in(whole)
    list(TraceReader().events(ids[5], path))
    file = path.with_name("a.pcapng.index")
    text = file.read_bytes()
    match damage:
        case "cut":
            file.write_bytes(text[: len(text) // 2])
        case "cut in a boot's line":
            file.write_bytes(text[: text.index(b'{"boot"', len(text) // 3) + 9])
        case "another program":
            file.write_bytes(text.replace(b'"key": "', b'"key": "0', 1))
        case "garbage":
            file.write_bytes(b"\x00\xff" * 1000)
        case "state":
            file.write_bytes(text.replace(b'"state": "', b'"state": "00000'))
        case "gone":
            file.unlink()
    for boot in ids:
        assert list(TraceReader().events(boot, path)) == told(whole, boot)
    assert json.loads(file.read_bytes().splitlines()[0])["benchd-index"] == 1


def test_a_state_may_hold_nothing_but_a_state(tmp_path: Path) -> None:
    """An index may come with a folder that somebody sent: no other class or function is ever looked up."""
    path = many(tmp_path, 1)
    capture = read_capture(path)
    fresh = new_pipeline(capture, TABLE, "t")

    class Evil:
        def __reduce__(self) -> object:
            return print, ("a stranger's code ran",)

    for state in (pickle.dumps(Evil()), pickle.dumps(time.sleep), b"", b"\x80", pickle.dumps([1, 2])):
        with pytest.raises(ValueError, match="a state"):
            thaw(state, fresh)
    assert type(thaw(freeze(fresh), fresh)) is Pipeline
    with pytest.raises(ValueError, match="no state at offset 7"):
        index_of(capture, tmp_path).state(b"", 7)


def test_what_is_not_there_is_told(tmp_path: Path) -> None:
    """A boot that the capture does not hold, a capture that breaks off in its header."""
    path = many(tmp_path, 2)
    with pytest.raises(UsageError, match=r"a\.pcapng does not hold boot pc-1: it holds other boots"):
        list(TraceReader().events("pc-1", path))
    path.write_bytes(path.read_bytes()[:100])
    with pytest.raises(UsageError, match=r"does not hold boot pc-1: .*a\.pcapng: breaks off at offset"):
        list(TraceReader().events("pc-1", path))


def test_reading_can_be_ended(tmp_path: Path) -> None:
    """What `pause` raises comes out at once; it is asked every few records, also while an index is made."""
    path = many(tmp_path, 200)
    asked = 0

    class Enough(Exception):
        pass

    def pause() -> None:
        nonlocal asked
        asked += 1
        if asked == 5:
            raise Enough

    with pytest.raises(Enough):
        list(TraceReader(pause=pause).events("pc-none", path))
    assert asked == 5


@settings(deadline=None, max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(life=LIFE, tight=st.booleans())
@example(life=[("off", 100), ("on", 100)], tight=False)  # the boot begins with what is held back at the end
def test_what_the_watcher_writes_is_enough(
    life: list[tuple[str, int]], tight: bool, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """A run's own index, written as it goes over several files: every boot in it is as by reading everything."""
    with pytest.MonkeyPatch.context() as patch:
        if tight:
            patch.setattr(indexing, "EVERY", 20)
            patch.setattr(indexing, "APART", 0)
        bench = Bench(tmp_path_factory.mktemp("life"))
        began: dict[str, Path] = {}
        bench.live(life)
        replay = Replay(bench.captures)
        whole = []
        for event in replay.events():
            whole.append(event)
            if isinstance(event, BootStarted) and replay.reading is not None:
                began[event.boot.id] = replay.reading
        patch.setattr(TraceReader, "index", None)  # nothing is left to be made
        for boot, path in began.items():
            assert list(TraceReader().events(boot, path)) == told(whole, boot)


def test_an_index_has_no_gaps(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Boots that waited for the disk are found as well: where a place is not known the watcher's index ends."""
    monkeypatch.setattr(indexing, "EVERY", 20)
    monkeypatch.setattr(indexing, "APART", 0)
    bench = Bench(tmp_path)
    bench.boot(GOOD_MS)
    bench.go(2000)
    real = bench.run.keeper._write
    monkeypatch.setattr(bench.run.keeper, "_write", lambda *records: None)
    bench.boot(GOOD_MS)
    bench.go(2000)
    monkeypatch.setattr(bench.run.keeper, "_write", real)
    bench.run.keeper.retry()
    bench.boot(GOOD_MS)
    bench.go(2000)
    bench.finish()
    whole = list(Replay(bench.captures).events())
    assert len(boots_in(whole)) == 3
    for boot in boots_in(whole):
        assert list(TraceReader().events(boot, bench.captures[0])) == told(whole, boot)
