"""What is wrong with table, speed or links, as findings of a boot: through the pipeline, live as in a replay."""

from __future__ import annotations

from links.uart_sim import plain, received
from support.pipelines import new_pipeline
from support.story import TABLE, Story, findings

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


def test_a_table_for_another_text_is_the_wrong_table() -> None:
    """Forty lines, and none of them on the ladder; with one that is, nothing is said; nor where boots are recorded."""
    lines = [(0.1 * n, f"> line {n} of another firmware") for n in range(60)]
    assert findings(Story().tell(*lines, until=7).boots[0]) == [("wrong-table", "story")]
    assert not findings(Story().tell((0, "> Testing memory"), *lines, until=7).boots[0])
    record = Story(read_table_text(shipped_tables()["record"])).tell(*lines, until=7)
    assert not findings(record.boots[0])
