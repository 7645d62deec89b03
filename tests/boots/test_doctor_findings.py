"""What is wrong with table, speed or links, as findings of a boot: through the pipeline, live as in a replay."""

from __future__ import annotations

from random import Random

from links.uart_sim import plain, received
from support.delivery import cut
from support.pipelines import new_pipeline
from support.reports import as_sent, random_world
from support.story import TABLE, Story, findings

from benchd.boots.strange import WRONG_LINES
from benchd.rules.files import read_table_text, shipped_tables
from benchd.vocabulary.models import Boot
from benchd.vocabulary.records import Chunk, ClockMark, LinkInfo
from benchd.vocabulary.times import NS
from benchd.watch.replay import last_records

SECOND = (
    b"Bench BIOS 1.02 for 286 boards\r\n00064 KB OK\r00640 KB OK\r\nFixed disk 0: 40 MB  Keyboard OK\r\n"
    b"storage rom ready at C800\r\nStarting the system from the fixed disk, please wait a moment\r\n"
)


def boots(links: list[LinkInfo], *chunks: tuple[str, bytes]) -> list[Boot]:
    pipeline = new_pipeline(TABLE, links)
    events = []
    for n, (link, data) in enumerate(chunks):
        events += pipeline.feed(Chunk(link, (n + 1) * NS, data))
    events += pipeline.feed(ClockMark((len(chunks) + 2) * NS))
    return last_records(events)


def test_a_wrong_speed_is_a_finding_that_names_the_right_one() -> None:
    """A console of 9600 read at 19200: once a boot, with what to change."""
    console = LinkInfo("console", "console", "text", speed=19200)
    got = plain(received(SECOND * 4, 9600, 19200))
    (boot,) = boots([console], *[("console", got[n : n + 100]) for n in range(0, len(got), 100)])
    (found,) = [f for f in boot.findings if f.kind == "wrong-speed"]
    assert found.rule == "console" and "set speed = 9600" in found.try_[0] and found.means


def test_swapped_links_are_a_finding() -> None:
    """The console's cable in the card's port, and the other way round."""
    links = [LinkInfo("post", "post", "raw"), LinkInfo("console", "console", "text")]
    codes = bytes((1, 5, 0x20, 0x21, 0x83, 0x84, 0x85, 0x9A, 0xB0, 0xF1))
    (boot,) = boots(links, ("console", codes), ("post", SECOND))[:1]
    assert ("swapped-links", "post") in findings(boot)


LINES = [(0.1 * n, f"> line {n} of another firmware") for n in range(60)]
TEXT_LINK = LinkInfo("console", "console", "text")


def test_a_table_for_another_text_is_the_wrong_table() -> None:
    """Forty lines, and none of them on the ladder; with one that is, nothing is said; nor where boots are recorded."""
    assert findings(Story(links=[TEXT_LINK]).tell(*LINES, until=7).boots[0]) == [("wrong-table", "story")]
    known = Story(links=[TEXT_LINK]).tell((0, "> Testing memory"), *LINES, until=7)
    assert not findings(known.boots[0])
    record = Story(read_table_text(shipped_tables()["record"]), [TEXT_LINK]).tell(*LINES, until=7)
    assert not findings(record.boots[0])


def test_lines_say_nothing_of_a_table_that_could_not_know_them() -> None:
    """A ladder of codes alone; a ladder of both, where the card is silent and its stages cannot come."""
    codes_only = TABLE.replace(', { text = "Testing memory" }', "").replace(', { text = "Starting" }', "")
    codes_only = codes_only.replace('{ text = "storage rom ready" }', '{ code = "B0" }')
    assert "text" not in codes_only
    assert not findings(Story(codes_only, [TEXT_LINK]).tell(*LINES, until=7).boots[0])
    assert not findings(Story().tell(*LINES, until=7).boots[0])


def test_lines_of_a_report_say_nothing_of_the_table() -> None:
    """A good report has more than forty lines, and no table knows any of them."""
    report = random_world(Random(7)).report()
    assert len(report) > WRONG_LINES
    pipeline = new_pipeline(TABLE, [TEXT_LINK])
    events = [e for chunk in cut(TEXT_LINK, as_sent(report), [], NS) for e in pipeline.feed(chunk)]
    events += pipeline.feed(ClockMark(events[-1].t_ns + 2 * NS))
    (boot,) = last_records(events)
    assert boot.measured is not None and boot.measured.complete and boot.lines >= len(report)
    assert not findings(boot)
