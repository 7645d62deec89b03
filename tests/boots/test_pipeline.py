"""The pipeline: the same story however it is cut, whenever time is looked at, live or replayed.

Nothing outside the project states these; they are the promises of style habit 3 ("three ways"), of
`vocabulary/records.py` ("records are the truth") and of `watch/watcher.py` ("a replay is the same").
"""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import TypeAlias

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.delivery import accounted, line_time_ns
from support.pipelines import MS, NS, Live, boots_of, invariants, new_pipeline, replayed
from support.story import TABLE

from benchd.vocabulary.events import (
    BootChanged,
    BootOver,
    BootStarted,
    CodeSeen,
    Event,
    LineSeen,
    LinkChanged,
    LossSeen,
)
from benchd.vocabulary.models import Boot
from benchd.vocabulary.records import Annotation, Chunk, ClockMark, LineFault, LinkInfo, LinkState, ModemLines, Record
from benchd.watch.pipeline import HOLD_NS

POST = LinkInfo("post", "post", "raw", speed=9600)
CONSOLE = LinkInfo("console", "console", "text", speed=9600)
BOTH = (POST, CONSOLE)
FRAMINGS = {
    "raw": POST,
    "hex": replace(POST, framing="hex"),
    "unpaced": replace(POST, paced=False),
    "bench": replace(POST, framing="bench"),
}
CODES = [0x01, 0x05, 0x20, 0x21, 0x24, 0x40, 0xAA, 0xFF, 0x77]
LINES = ["BIOS v1\r\n", "Testing memory\r\n", "\r00064K OK", "\r00128K OK", "storage rom ready\r\n",
         "Starting\r\n", "\r\n", "half a li", "\x1b[2J\x1b[1;1HSetup", "garbage \xff\x00\x7f"]  # fmt: skip
TABLES = {
    "ladder": TABLE,
    "quick": TABLE.replace('quiet = "5s"', 'quiet = "300ms"').replace('limit = "9s"', 'limit = "700ms"'),
    "text starts": TABLE.replace('{ code = "01" }]', '{ code = "01" }, { text = "BIOS" }]'),
    "loops": TABLE + '[[loop]]\nname = "twice"\ncodes = ["20", "21"]\ntimes = 2\n'
    '[[order]]\nname = "rom-first"\nfirst = "storage-rom"\nthen = "rom-scan"\n'
    '[[fault]]\nname = "garbage"\nseen = { text = "garbage" }\n'
    '[[check]]\nname = "count"\npass = "128K OK"\nfail = "bad"\n',
}
tables = st.sampled_from(sorted(TABLES))


def on_the_wire(info: LinkInfo, codes: list[int]) -> bytes:
    """Codes as a card of this framing writes them."""
    return " ".join(f"{code:02X}" for code in codes).encode() + b"\r\n" if info.framing == "hex" else bytes(codes)


Piece: TypeAlias = tuple[int, list[int] | str, int]
PAUSE_MS = st.one_of(st.integers(0, 60), st.integers(60, 900), st.integers(900, 9000), st.just(31_000))
PIECES = st.lists(
    st.tuples(
        PAUSE_MS,
        st.one_of(
            st.lists(st.sampled_from(CODES), min_size=1, max_size=6),
            st.just(CODES[:4]),
            st.sampled_from(LINES),
            st.sampled_from(["on", "off", "down", "up", "break", "overrun"]),
        ),
        st.integers(0, 40),
    ),
    max_size=25,
)
"""(pause after the piece before on either link, what, lateness in ms)."""


def wire_records(pieces: list[Piece], post: LinkInfo) -> list[list[tuple[int, Record]]]:
    """Each piece as records a byte each, or one event: [(lateness in ns, record)], stamps ascending on each link."""
    out: list[list[tuple[int, Record]]] = []
    free = {"post": NS, "console": NS + 333}  # never the same instant on both: such a tie has no right order
    t_ns = NS
    for pause_ms, what, late_ms in pieces:
        t_ns += pause_ms * MS
        name = "post" if isinstance(what, list) else "console"
        begin = max(t_ns + (333 if name == "console" else 0), free[name])
        if what in ("on", "off"):
            lit = what == "on"
            piece: list[Record] = [ModemLines(name, begin, True, lit, False, lit)]
        elif what in ("down", "up"):
            piece = [LinkState("post", max(t_ns, free["post"]), what == "up", "test")]
            name = "post"
        elif what in ("break", "overrun"):
            piece = [LineFault(name, begin, what)]  # type: ignore[arg-type]
        else:
            info = post if isinstance(what, list) else CONSOLE
            data = on_the_wire(post, what) if isinstance(what, list) else what.encode("latin-1")
            byte_ns = line_time_ns(info)
            piece = [Chunk(name, begin + (i + 1) * byte_ns, data[i : i + 1]) for i in range(len(data))]
        free[name] = piece[-1].t_ns
        out.append([(late_ms * MS, record) for record in piece])
    return out


def merged(piece: list[tuple[int, Record]], cuts: set[int]) -> list[Record]:
    """One piece with its bytes cut at `cuts` only: what a reader delivers that wakes up then."""
    out: list[Record] = []
    for i, (_, record) in enumerate(piece):
        if isinstance(record, Chunk) and out and i not in cuts:
            out[-1] = Chunk(record.link, record.t_ns, out[-1].data + record.data)  # type: ignore[union-attr]
        else:
            out.append(record)
    return out


def told(records: list[Record], table: str, links: tuple[LinkInfo, ...]) -> list[Event]:
    """Events of records in order of their stamps, and of a minute of silence after them."""
    ordered = sorted(records, key=lambda record: record.t_ns)
    end_ns = max([NS, *(record.t_ns for record in ordered)]) + 60 * NS
    return replayed(TABLES[table], links, [*ordered, ClockMark(end_ns)])


def without_times(boot: Boot) -> Boot:
    stages = [stage.model_copy(update={"t": 0.0, "u": 0.0}) for stage in boot.stages]
    findings = [
        f.model_copy(update={"t": 0.0, "cleared_t": f.cleared_t and 1.0, "detail": None}) for f in boot.findings
    ]
    checks = [check.model_copy(update={"t": 0.0}) for check in boot.checks]
    timeless = {"id": "", "started": "", "ended": boot.ended and "x", "duration_s": 0.0, "passes_of": None}
    return boot.model_copy(update={**timeless, "stages": stages, "findings": findings, "checks": checks})


def partials(events: list[Event]) -> list[tuple[int, str]]:
    """Unfinished lines that were told: whether one is depends on where a piece ends (see `support.delivery`)."""
    return [(event.line, event.text) for event in events if isinstance(event, LineSeen) and event.partial]


def plot(events: list[Event]) -> list[tuple[object, ...]]:
    """What is told of codes, whole lines, losses and boots' ends, in order of its own link, without times."""
    out: list[tuple[object, ...]] = []
    for event in events:
        match event:
            case CodeSeen():
                out.append(("code", event.link, event.code, event.known))
            case LineSeen(partial=False):
                out.append(("line", event.link, event.text))
            case LossSeen():
                out.append(("lost", event.link, event.reason, event.count))
            case LinkChanged():
                out.append(("link", event.link, event.up))
    return sorted(out, key=lambda row: str(row[1]))


@settings(deadline=None, max_examples=120)
@given(
    pieces=PIECES,
    table=tables,
    framing=st.sampled_from(["raw", "hex"]),
    cuts=st.sets(st.integers(0, 24)),
)
def test_three_ways_give_the_same_boots(pieces: list[Piece], table: str, framing: str, cuts: set[int]) -> None:
    """Whole, byte by byte or cut at random: the same codes, lines and boots, times within the stated u."""
    links = (FRAMINGS[framing], CONSOLE)
    parts = wire_records(pieces, links[0])
    ways = [[r for part in parts for r in merged(part, set(how))] for how in (range(99), (), cuts)]
    bytewise, *others = [told(records, table, links) for records in ways]
    invariants(bytewise)
    for other in others:
        assert plot(other) == plot(bytewise)
        if partials(other) != partials(bytewise):
            continue  # a quarter second of silence ended inside a piece: what was known when differs, rightly
        ours, theirs = boots_of(bytewise), boots_of(other)
        assert list(map(without_times, theirs)) == list(map(without_times, ours))
        for one, two in zip(ours, theirs, strict=True):
            for a, b in zip(one.stages, two.stages, strict=True):
                assert abs(a.t - b.t) <= a.u + b.u + 1e-6, (a, b)


def test_a_boot_joined_by_a_line_starts_with_its_first_character() -> None:
    """Found by the test above: said early as a partial line or late as a whole one, it began when it began."""
    pipeline = new_pipeline(TABLE, (CONSOLE,))
    text = b"00064K OK, Testing memory\r\n"
    events = [e for i in range(len(text)) for e in pipeline.feed(Chunk("console", NS + i * 200 * MS, text[i : i + 1]))]
    (boot,) = boots_of(events + pipeline.feed(ClockMark(20 * NS)))
    assert boot.start_reason == "first sign of life" and boot.started.endswith(":41.000+00:00")
    assert [(s.name, round(s.t, 1)) for s in boot.stages] == [("memory", 2.2)]


TICKS = st.lists(st.integers(0, 120_000), max_size=60)


def comings(pieces: list[Piece], notes: list[tuple[int, str, int]]) -> list[tuple[int, Record]]:
    """Records with the moment at which they come in; of one link never out of order."""
    out: list[tuple[int, Record]] = []
    last = {"post": 0, "console": 0}
    for part in wire_records(pieces, POST):
        late_ns = part[0][0]
        for record in merged(part, set()):
            link = record.link  # type: ignore[union-attr]
            last[link] = max(last[link], record.t_ns + late_ns)
            out.append((last[link], record))
    for at_ms, value, ago_ms in notes:
        key, _, value = value.partition(":")
        out.append((at_ms * MS + NS, Annotation(max(0, (at_ms - ago_ms) * MS + NS), key, value)))
    return out


NOTES = st.lists(
    st.tuples(
        st.integers(0, 60_000),
        st.sampled_from(
            [
                "trial:T1",
                "trial:T2",
                "trial:",
                "limit:memory=0.4:learned-normal:7",
                "phase:over",
                "wall:1750003600000000000",
                "attention:0.800",
            ]
        ),
        st.integers(0, 3000),
    ),
    max_size=5,
)


TURNS = st.lists(st.integers(0, 3), max_size=80)
"""How far keeping and judging get at each step, see `Live`: now and then they are behind."""


@settings(deadline=None, max_examples=1200)
@given(
    pieces=PIECES, notes=NOTES, ticks=TICKS, table=tables, two=st.booleans(), tail_ms=st.integers(0, 70_000),
    turns=TURNS, late=st.integers(1, 20),
)  # fmt: skip
def test_a_replay_gives_what_was_told_live(
    pieces: list[Piece],
    notes: list[tuple[int, str, int]],
    ticks: list[int],
    table: str,
    two: bool,
    tail_ms: int,
    turns: list[int],
    late: int,
) -> None:
    """Records up to 0.8 s late, time told at any moments, judging behind: event for event, and every stamp as read."""
    links = BOTH if two else (POST,)
    pieces = [(pause, what, late_ms * late) for pause, what, late_ms in pieces]
    rows = [row for row in comings(pieces, notes) if two or getattr(row[1], "link", "post") == "post"]
    end_ns = max([NS, *(when for when, _ in rows)]) + tail_ms * MS
    live = Live.of(TABLES[table], links, rows, [NS + t * MS for t in ticks if NS + t * MS < end_ns], end_ns, turns)
    assert replayed(TABLES[table], live.links, live.kept) == live.events
    came = [row[1] for row in sorted(rows, key=lambda row: row[0])]
    assert [r for r in live.kept if not isinstance(r, ClockMark) and getattr(r, "key", "") != "end"] == came
    invariants(live.events, settled=False)
    for decoder in live.pipeline.decoders.values():
        assert accounted(decoder)


def told_by(events: list[Event]) -> list[Event]:
    """Events without the last word on an open boot, which is dated to the moment of asking."""
    return events[:-1] if events and isinstance(events[-1], BootChanged) else events


@settings(deadline=None, max_examples=120)
@given(pieces=PIECES, ticks=TICKS, table=tables)
def test_what_is_told_does_not_depend_on_when_time_was_looked_at(
    pieces: list[Piece], ticks: list[int], table: str
) -> None:
    """Ticks at random moments, every 10 ms, or none: the same events in the same order."""
    rows = comings(pieces, [])
    end_ns = max([NS, *(when for when, _ in rows)]) + 40 * NS
    every = range(NS, min(end_ns, 20 * NS), 10 * MS)
    some = [NS + t * MS for t in ticks if NS + t * MS < end_ns]
    lives = [Live.of(TABLES[table], BOTH, rows, moments, end_ns) for moments in ([], some, every)]
    assert all(live.late == 0 for live in lives)
    assert lives[0].events == lives[1].events == lives[2].events


def test_order_across_links_is_that_of_time_not_of_arrival() -> None:
    """A code stamped before a line but come in 40 ms later is judged before it."""
    link_b = LinkInfo("post2", "post", "raw")
    live = Live(TABLE, (POST, link_b))
    live.take(Chunk("post", NS, b"\x01"))
    live.take(Chunk("post2", NS + 30 * MS, b"\x20"))
    live.take(Chunk("post", NS + 10 * MS, b"\x05"))
    live.finish(NS + 200 * MS)
    assert [e.code for e in live.events if isinstance(e, CodeSeen)] == ["01", "05", "20"]
    assert [s.name for s in boots_of(live.events)[0].stages] == ["early", "memory"]


def test_a_link_is_not_judged_silent_before_its_late_records_are_in() -> None:
    """Half a hex code, then a record of the other link: the second digit, 40 ms late, still completes the code."""
    pipeline = new_pipeline(TABLE, (FRAMINGS["hex"], CONSOLE))
    events = pipeline.feed(Chunk("post", NS, b"0")) + pipeline.feed(Chunk("console", NS + 110 * MS, b"x"))
    events += pipeline.feed(Chunk("post", NS + 90 * MS, b"1 ")) + pipeline.feed(ClockMark(2 * NS))
    assert [e.code for e in events if isinstance(e, CodeSeen)] == ["01"]
    assert not any(isinstance(e, LossSeen) for e in events)


def test_word_of_a_trial_is_dated_alike_live_and_in_a_replay() -> None:
    """A trial that began before the open boot: found by the tests above as a difference; ticks do not date it."""
    rows: list[tuple[int, Record]] = [(NS, Chunk("post", NS, b"\x01")), (3 * NS, Annotation(NS // 2, "trial", "T1"))]
    live = Live.of(TABLE, (POST,), rows, [2 * NS], 4 * NS)
    (change,) = [e for e in live.events if isinstance(e, BootChanged) and e.boot.trial == "T1"][:1]
    assert change.t_ns == NS
    assert replayed(TABLE, live.links, live.kept) == live.events


def test_with_one_link_nothing_is_held_back() -> None:
    """A code is told the moment it comes in; with two links after HOLD_NS at most."""
    alone = new_pipeline(TABLE, (POST,))
    assert type(alone.feed(Chunk("post", NS, b"\x01"))[0]) is BootStarted
    both = new_pipeline(TABLE, BOTH)
    assert both.feed(Chunk("post", NS, b"\x01")) == [] and both.holding
    assert both.feed(ClockMark(NS + HOLD_NS - 5 * MS)) == []
    assert both.feed(ClockMark(NS + HOLD_NS)) != [] and not both.holding


def test_records_of_unknown_links_only_let_time_pass() -> None:
    """A capture may hold links that the pipeline was not told of."""
    pipeline = new_pipeline(TABLE, (POST,))
    pipeline.feed(Chunk("post", NS, b"\x01"))
    events = pipeline.feed(Chunk("other", 40 * NS, b"\x05"))
    assert "05" not in [e.code for e in events if isinstance(e, CodeSeen)]
    assert boots_of(events)[0].outcome == "stalled"


def test_a_mark_that_did_nothing_says_so_and_one_that_did_too() -> None:
    """`stirred` is what the capture's size rests on: a mark every 50 ms for a week would be 1 GB."""
    pipeline = new_pipeline(TABLE, BOTH)
    pipeline.feed(Chunk("post", NS, b"\x01"))
    for t_ms, stirred in ((1050, False), (1110, True), (1200, False), (30_900, False), (31_110, True), (31_200, False)):
        pipeline.feed(ClockMark(t_ms * MS))
        assert pipeline.stirred is stirred, t_ms


def test_a_record_is_ended_by_its_drain_once() -> None:
    """Drained twice, nothing new is told but how the open boot stands."""
    pipeline = new_pipeline(TABLE, BOTH)
    pipeline.feed(Chunk("post", NS, b"\x01\x05"))
    first = pipeline.drain()
    assert [type(e) for e in pipeline.drain()] == [BootChanged]
    assert sum(isinstance(e, BootStarted) for e in first) == 1
    assert not any(isinstance(e, BootOver) for e in first)


@pytest.mark.parametrize("name", ["raw", "hex", "bench"])
@settings(deadline=None, max_examples=60)
@given(data=st.binary(max_size=200), text=st.binary(max_size=200))
def test_noise_is_accounted_for_and_never_fatal(name: str, data: bytes, text: bytes) -> None:
    """A wrong speed makes noise of everything: every byte is decoded, pending or refused, and boots stay sane."""
    links = (FRAMINGS[name], CONSOLE)
    pipeline = new_pipeline(TABLES["loops"], links)
    events: list[Event] = []
    for i, (a, b) in enumerate(itertools.zip_longest(data, text, fillvalue=0x01)):
        t_ns = NS + i * 2 * line_time_ns(POST)
        events += pipeline.feed(Chunk("post", t_ns, bytes([a]))) + pipeline.feed(Chunk("console", t_ns + 7, bytes([b])))
        assert all(accounted(decoder) for decoder in pipeline.decoders.values())
    events += pipeline.feed(ClockMark(90 * NS)) + pipeline.drain()
    assert all(accounted(decoder) for decoder in pipeline.decoders.values())
    invariants(events)
