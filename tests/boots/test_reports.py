"""A report on a console link becomes part of its boot: the same live and replayed, however cut; no text for rules."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from random import Random

import pytest
from support.delivery import cut, ways
from support.pipelines import MS, NS, HandClock, Live, boots_of, invariants, new_pipeline, replayed
from support.reports import World, as_sent, random_world
from support.story import TABLE

from benchd.sinks.page_feed import PageFeed
from benchd.vocabulary.events import BootChanged, Event, FindingRaised, LineSeen
from benchd.vocabulary.measured import REPORT_NS
from benchd.vocabulary.models import Boot
from benchd.vocabulary.records import Annotation, Chunk, ClockMark, LinkInfo, Record
from benchd.watch.index import freeze, thaw

POST = LinkInfo("post", "post", "raw", speed=9600)
CONSOLE = LinkInfo("console", "console", "text", speed=9600)
BOTH = (POST, CONSOLE)
EVIL = TABLE + (
    '[[fault]]\nname = "memory-bad"\nseen = { text = "errors" }\n'
    '[[stall]]\nname = "after-storage"\nafter = { text = "storage rom ready" }\nquiet = "2s"\nmeans = "It hangs."\n'
)
"""A table whose rules a report's words would fire, and with a stall point after a text."""
BEGIN_NS = 10 * NS


def world(seed: int = 7) -> World:
    made = random_world(Random(seed))
    made.tests = [("window", 0xD0000, 0xD7FFF, 0, None, 0), ("display-2", 0xA0000, 0xAFFFF, 3, 0xA1234, 8)]
    return made


def sent(data: bytes, at_ns: int) -> list[Chunk]:
    return cut(CONSOLE, data, range(16, len(data), 16), at_ns)


def codes(*values: tuple[int, int]) -> list[Record]:
    return [Chunk("post", t_ns, bytes([code])) for t_ns, code in values]


def story(records: Iterable[Record], end_s: int = 60, table: str = EVIL) -> list[Event]:
    pipeline = new_pipeline(table, BOTH)
    events = [event for record in sorted(records, key=lambda r: r.t_ns) for event in pipeline.feed(record)]
    events += pipeline.feed(ClockMark(end_s * NS))
    events += pipeline.drain()
    invariants(events, settled=False)
    return events


def only(events: Sequence[Event]) -> Boot:
    (boot,) = boots_of(events)
    return boot


def test_a_report_is_part_of_its_boot_and_its_tests_are_checks() -> None:
    made = world()
    boot = only(story([*codes((9 * NS, 1), (BEGIN_NS - NS // 2, 5)), *sent(as_sent(made.report()), BEGIN_NS)]))
    assert boot.measured is not None and boot.measured.complete
    assert boot.measured.machine is not None and boot.measured.machine.memory_k == made.memory_k
    assert {check.name: check.passed for check in boot.checks} == {"test-window": True, "test-display-2": False}


def test_report_lines_are_life_and_no_text() -> None:
    """They keep a stall away while they come and fire no text rule; the text before them stays the last text."""
    report = as_sent(world().report())
    lasts_ns = len(report) * 10 * NS // 9600
    records = [*codes((9 * NS, 1)), *sent(b"storage rom ready\r\n", BEGIN_NS), *sent(report, BEGIN_NS + NS)]
    events = story(records)
    assert lasts_ns > 2 * NS, "the report must last longer than the stall point waits"
    boot = only(events)
    assert [finding.rule for finding in boot.findings if finding.kind == "fault"] == []
    (stall,) = [event.finding for event in events if isinstance(event, FindingRaised)]
    assert stall.rule == "after-storage"
    began_s = (BEGIN_NS + NS - 9 * NS) / NS
    assert stall.t == pytest.approx(began_s + lasts_ns / NS + 2, abs=0.1), "silence counts from the report's end"
    marked = [event for event in events if isinstance(event, LineSeen) and event.report]
    assert len({event.line for event in marked}) == len(world().report())
    quiet = only(story([*codes((9 * NS, 1)), *sent(b"12 errors\r\n", BEGIN_NS)]))
    assert [finding.rule for finding in quiet.findings if finding.kind == "fault"] == ["memory-bad"]


def test_bios_text_before_a_report_on_its_line_is_matched() -> None:
    """Where the report's own line end was lost, the text before it still says what it says."""
    records = [*codes((9 * NS, 1)), *sent(b"storage rom ready" + as_sent(world().report())[2:], BEGIN_NS)]
    boot = only(story(records))
    assert boot.last_stage == "storage-rom" and boot.measured is not None and boot.measured.complete


def test_a_report_after_the_boot_is_over_still_belongs_to_it() -> None:
    """A floppy's or an operating system's program reports when the ladder is done."""
    hand_over = [(9 * NS, 1), (9 * NS + 500 * MS, 0xAA)]
    boot = only(story([*codes(*hand_over), *sent(as_sent(world().report(wrapper="com")), 20 * NS)]))
    assert boot.outcome == "finished" and boot.measured is not None and boot.measured.complete
    assert boot.measured.program is not None and boot.measured.program.wrapper == "com"
    assert len(boot.checks) == 2


def test_a_report_that_stops_is_told_as_it_stands() -> None:
    """Also in a boot that is over: after ten seconds without a further line."""
    lines = world().report()
    data = as_sent(lines[:20])
    events = story([*codes((9 * NS, 1), (9 * NS + 500 * MS, 0xAA)), *sent(data, 20 * NS)])
    boot = only(events)
    assert boot.measured is not None and not boot.measured.complete
    assert boot.measured.notes[-1].endswith("from line 20 on is not known")
    end_ns = 20 * NS + len(data) * 10 * NS // 9600
    told = [event.t_ns for event in events if isinstance(event, BootChanged) and event.boot.measured is not None]
    assert told and abs(told[-1] - (end_ns + REPORT_NS)) < 10 * MS
    early = story([*codes((9 * NS, 1), (9 * NS + 500 * MS, 0xAA)), *sent(data, 20 * NS)], end_s=22)
    assert only(early).measured == boot.measured, "the end of a capture tells it too"


def test_the_last_whole_report_of_a_boot_is_kept() -> None:
    """It saw most of the machine's start; one that comes later and is cut off does not take its place."""
    one, two, three = world(1), world(2), world(3)
    records = [*codes((9 * NS, 1)), *sent(as_sent(one.report()), BEGIN_NS), *sent(as_sent(two.report()), 25 * NS)]
    boot = only(story(records))
    assert boot.measured is not None and boot.measured.vectors[0].to == f"{two.vectors[0x10]:05X}"
    records += sent(as_sent(three.report()[:30]), 35 * NS)
    boot = only(story(records))
    assert boot.measured is not None and boot.measured.complete
    assert boot.measured.vectors[0].to == f"{two.vectors[0x10]:05X}"


def damaged(data: bytes, seed: int) -> bytes:
    rng = Random(seed)
    return bytes(byte ^ (rng.random() < 0.004) << rng.randrange(8) for byte in data if rng.random() > 0.003)


@pytest.mark.parametrize("seed", range(4))
def test_any_delivery_gives_the_same_report(seed: int) -> None:
    """Whole, byte by byte, randomly cut: the boot's record is the same, damage and all."""
    rng = Random(seed)
    data = damaged(as_sent(world(seed).report()), seed) if seed else as_sent(world().report())
    found = []
    for chunks in ways(CONSOLE, data, [rng.randrange(len(data)) for _ in range(60)]):
        events = story([Chunk("post", chunks[0].t_ns - NS, b"\x01"), *chunks], end_s=chunks[-1].t_ns // NS + 60)
        found.append(only(events).measured)
    assert found[0] is not None and found[0] == found[1] == found[2]
    assert found[0].complete == (seed == 0)


@pytest.mark.parametrize("seed", range(3))
def test_a_replay_of_a_report_is_the_live_run(seed: int) -> None:
    """The capture gives the same events, also with time looked at in between and a finding that came as a note."""
    rng = Random(seed)
    data = damaged(as_sent(world(seed).report()), seed) if seed else as_sent(world().report())
    chunks = sent(data, BEGIN_NS)
    boot_id = "at286-20250615-150649-000"
    value = (
        f'{{"boot":"{boot_id}","factor":"rom-base","declared":"D000","level":"C800",'
        '"means":"You said D000; it answers at C8000.","detail":"x"}'
    )
    records: list[Record] = [Chunk("post", 9 * NS, b"\x01"), *chunks, Annotation(40 * NS, "differs", value)]
    comings = [(record.t_ns, record) for record in records]
    ticks = sorted(rng.randrange(9 * NS, 80 * NS) for _ in range(200))
    live = Live.of(EVIL, BOTH, comings, [t for t in ticks if all(t != r.t_ns for r in records)], 80 * NS)
    again = replayed(EVIL, BOTH, live.kept)
    assert boots_of(live.events) == boots_of(again)
    (boot,) = boots_of(again)
    assert boot.id == boot_id and boot.measured is not None
    (differs,) = [finding for finding in boot.findings if finding.kind == "setup-differs"]
    assert differs.rule == "rom-base" and differs.means == "You said D000; it answers at C8000."
    assert [e for e in live.events if isinstance(e, FindingRaised)] == [
        e for e in again if isinstance(e, FindingRaised)
    ]


@pytest.mark.parametrize("cut_at", [3, 700, 1900])
def test_a_state_in_the_middle_of_a_report_goes_on_from_there(cut_at: int) -> None:
    """A reader of captures begins anew from states that were put by; the report is then the same."""
    whole = new_pipeline(EVIL, BOTH)
    chunks = [*codes((9 * NS, 1)), *sent(as_sent(world().report()), BEGIN_NS)]
    events = [event for record in chunks[:cut_at] for event in whole.feed(record)]
    again = thaw(freeze(whole), new_pipeline(EVIL, BOTH))
    for record in [*chunks[cut_at:], ClockMark(60 * NS)]:
        events += again.feed(record)
    boot = only([*events, *again.drain()])
    assert boot.measured is not None and boot.measured.complete


def test_the_page_s_picture_of_a_machine_carries_no_report() -> None:
    """It is sent many times a second; the boot has the report where it is asked for."""
    events = story([*codes((9 * NS, 1)), *sent(as_sent(world().report()), BEGIN_NS)], end_s=15)
    feed = PageFeed(HandClock(15 * NS))
    feed.add("at286", "story", [], ["post", "console"])
    for event in events:
        feed.offer(event)
    picture = feed.picture("at286")
    assert only(events).measured is not None
    assert picture.boot is not None and picture.boot.measured is None and picture.boot.checks
