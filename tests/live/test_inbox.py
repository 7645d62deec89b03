"""A machine's inbox: bounds a link, order, how far time may go, and gaps in our own attention."""

from __future__ import annotations

from pathlib import Path

from benchd.capture.keeper import RECORD_BYTES
from benchd.vocabulary.records import Annotation, Chunk, ClockMark, LinkState, Record
from benchd.vocabulary.times import NS
from benchd.watch.inbox import ABSENT_NS, TICK_LAG_NS, WAITING_BYTES, Inbox, Rotation

MS = 1_000_000


def keep(inbox: Inbox) -> list[object]:
    items = inbox.next_to_keep()
    inbox.kept(items)
    return list(items)


def judge(inbox: Inbox) -> list[Record]:
    out = []
    while judged := inbox.next_to_judge():
        out += [record for record, _ in judged]
    return out


def test_time_waits_for_the_oldest_record_in_either_queue() -> None:
    """Neither what is not kept nor what is not judged may be overtaken; then time goes on, a tick's lag behind."""
    inbox = Inbox()
    inbox.deliver(Chunk("post", 3 * NS, b"a"))
    inbox.deliver(Chunk("console", 2 * NS, b"b"))
    assert inbox.tell(10 * NS) == 2 * NS and inbox.tell(11 * NS) is None
    keep(inbox)
    assert inbox.tell(12 * NS) is None and inbox.oldest_ns == 2 * NS
    assert [record.t_ns for record in judge(inbox)] == [3 * NS, 2 * NS], "in the order in which they came"
    assert inbox.tell(12 * NS) == 12 * NS - TICK_LAG_NS


def test_a_late_record_keeps_its_stamp_behind_a_mark() -> None:
    """Its thread was held up: the mark says how far time was told, so that a replay judges it alike."""
    inbox = Inbox()
    told = inbox.tell(10 * NS)
    assert told is not None
    late, fresh = Chunk("post", 9 * NS, b"a"), Chunk("post", 11 * NS, b"b")
    inbox.deliver(late)
    inbox.deliver(fresh)
    assert keep(inbox) == [ClockMark(told), late, fresh] == judge(inbox)


def test_one_link_that_brings_too_much_loses_its_own_only() -> None:
    """The newest are dropped, counted, and its reader rests; another link of the same machine does not notice."""
    rests: list[float] = []
    inbox = Inbox(rests.append)
    fits = WAITING_BYTES // (RECORD_BYTES + 4096)
    for n in range(fits + 3):
        inbox.deliver(Chunk("console", n, bytes(4096)))
    inbox.deliver(Chunk("post", 5, b"x"))
    assert (inbox.lost, len(rests)) == ({"console": 3 * 4096}, 3)
    assert inbox.brought == {"console": fits * 4096, "post": 1} and len(inbox) == fits + 1
    while not inbox.all_kept:
        keep(inbox)
    judge(inbox)
    inbox.deliver(Chunk("console", 99, bytes(4096)))
    assert len(rests) == 3, "what was judged makes room"


def test_a_gap_is_noted_once_before_whatever_comes_first() -> None:
    """A reader, a tick or the watching thread: who runs first after the gap notes it; from where, and how long."""
    for first in ("reader", "tick", "thread"):
        inbox = Inbox()
        inbox.awake(10 * NS)
        inbox.awake(10 * NS + ABSENT_NS)
        since, now = 10 * NS + ABSENT_NS, 50 * NS
        if first == "tick":
            assert inbox.tell(now) == since, "time does not pass over a gap that is not judged yet"
        elif first == "thread":
            inbox.awake(now)
        chunk = Chunk("post", now, b"x")
        inbox.deliver(chunk)
        inbox.awake(now + 1)
        note = Annotation(since, "attention", "39.500")
        assert keep(inbox) == [note, chunk], first


def test_until_somebody_watches_no_gap_is_noted() -> None:
    inbox = Inbox()
    inbox.deliver(Chunk("post", 10 * NS, b"x"))
    inbox.deliver(Chunk("post", 99 * NS, b"x"))
    assert len(keep(inbox)) == 2


def test_links_that_we_close_ourselves_tell_nothing() -> None:
    """At a stop: neither kept nor judged. One that fell before that is."""
    inbox = Inbox()
    inbox.closing_ns = 10 * NS
    gone = LinkState("post", 9 * NS, False, "unplugged")
    inbox.deliver(gone)
    inbox.deliver(LinkState("post", 10 * NS, False, "closed on request"))
    assert keep(inbox) == [gone]


def test_a_file_begins_only_where_nothing_waits() -> None:
    """A rotation stands in the file where the judging is; it is kept in its turn and never judged."""
    inbox = Inbox()
    rotation = Rotation("t", "", "over")
    inbox.deliver(Chunk("post", NS, b"x"))
    assert not inbox.put_if_empty(rotation)
    keep(inbox)
    assert not inbox.put_if_empty(rotation), "kept is not judged"
    judge(inbox)
    assert inbox.put_if_empty(rotation)
    assert keep(inbox) == [rotation] and judge(inbox) == [] and len(inbox) == 0


def test_what_is_judged_at_once_is_little_and_of_one_file() -> None:
    """Others wait meanwhile: eight records, no more behind 512 bytes, none behind the end of a file."""
    inbox, one, other = Inbox(), Path("one"), Path("other")
    sizes = [1] * 10 + [500, 20, 1] + [4096, 4096]
    items = [Chunk("post", n, bytes(size)) for n, size in enumerate(sizes)]
    inbox.kept(items, [(one if n < 3 else other, 100 * n, 100 * n + 100) for n in range(len(items))])
    found = []
    while judged := inbox.next_to_judge():
        found.append([len(record.data) for record, _ in judged if isinstance(record, Chunk)])
    assert found == [[1] * 3, [1] * 7 + [500], [20, 1, 4096], [4096]]
