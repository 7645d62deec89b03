"""Taking bytes by the run tells the same as taking them one by one: the byte path is the definition."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import pytest
from decode.test_decode_delivery import LINKS as BASE
from decode.test_decode_delivery import PIECES, records_for
from hypothesis import given, settings
from hypothesis import strategies as st
from support.delivery import START_NS, accounted, line_time_ns
from support.reports import random_world

from benchd.decode import Decoder, make_decoder
from benchd.decode.arrival import Arrivals
from benchd.decode.link import Framing
from benchd.vocabulary.observations import Decoded, Text
from benchd.vocabulary.records import Chunk, ClockMark, LineFault, LinkInfo, LinkState, Record

MS = 1_000_000
LINKS = {
    **{name: BASE[name] for name in ("raw", "raw-unpaced", "text", "utf-8", "latin-1", "unpaced")},
    "fast": replace(BASE["text"], speed=115_200),
    "slow": replace(BASE["text"], speed=300),
    "code page 866": replace(BASE["text"], speed=19_200, encoding="cp866"),
}


def one_by_one(info: LinkInfo) -> Decoder:
    """A decoder that takes no run: each byte goes the way that defines what it means."""
    decoder = make_decoder(info)
    decoder._framing.run = Framing.run.__get__(decoder._framing)  # type: ignore[attr-defined]
    return decoder


def same(info: LinkInfo, records: Sequence[Record]) -> list[Decoded]:
    """Assert that all tell the same after each record, or some together, and have counted the same; return it."""
    by_run, defining, together = make_decoder(info), one_by_one(info), make_decoder(info)
    told: list[Decoded] = []
    chunks: list[Chunk] = []
    since: list[Decoded] = []
    rng = random.Random(len(records))
    for record in records:
        seen = by_run.feed(record)
        assert seen == defining.feed(record), record
        assert by_run.counts == defining.counts and by_run.deadline == defining.deadline
        told += seen
        since += seen
        if isinstance(record, Chunk) and record.link == info.name:
            chunks.append(record)
            if rng.random() < 0.9:
                continue
            seen = together.feed_all(chunks)
        else:
            seen = [*together.feed_all(chunks), *together.feed(record)]
        assert seen == since, chunks
        assert together.counts == defining.counts and together.deadline == defining.deadline
        chunks, since = [], []
    assert together.feed_all(chunks) == since
    end_ns = records[-1].t_ns + 10_000 * MS if records else START_NS
    seen = by_run.advance(end_ns)
    assert seen == defining.advance(end_ns) == together.advance(end_ns)
    assert by_run.counts == defining.counts == together.counts
    assert accounted(by_run)
    return told + seen


@pytest.mark.parametrize("link", [name for name in LINKS if name in BASE])
@given(data=st.data())
@settings(deadline=None, max_examples=40)
def test_anything_is_told_the_same(link: str, data: st.DataObject) -> None:
    """Random records of every kind: speeds change, links fall, breaks come between."""
    same(LINKS[link], data.draw(records_for(link)))


REPORT = random_world(random.Random(3)).report()
PAUSES = (0, 0, 1, 1, 1, 20, 240, 260, 700, 1100)


def life(info: LinkInfo, rng: random.Random) -> list[Record]:
    """Text as it comes from a machine, much of it plain, in reads that come at, before and after its own pace."""
    words = [bytes(rng.choices(b"abcdefghij KLMN0123456789.-", k=rng.randint(1, 40))) for _ in range(12)]
    pieces = [
        *(word + end for word in words for end in (b"\r\n", b"\n", b" ", b"\r\r\n")),
        *PIECES["text"], b"\n\r", b"   \r\n", b"  ", b"x" * 990, b"\xb0\xb1\xff\xfe", b"\x84\x9c", b"\x0c",
        *(line.encode() + b"\r\n" for line in REPORT[:4]),
    ]  # fmt: skip
    weights = [4] * 4 * len(words) + [1] * (len(pieces) - 4 * len(words))
    data = b"".join(rng.choices(pieces, weights, k=rng.randint(1, 40)))
    t_ns, at, out = START_NS, 0, []
    size = rng.choice((1, 16, 184, 4096))
    while at < len(data):
        piece = data[at : at + rng.randint(1, size)]
        at += len(piece)
        t_ns += len(piece) * line_time_ns(info) * rng.choice((0, 1, 1, 1, 2)) + rng.choice(PAUSES) * MS
        out.append(Chunk(info.name, t_ns, piece))
        if rng.random() < 0.05:
            speed = rng.choice((None, 300, info.speed))
            later = (
                ClockMark(t_ns + 300 * MS),
                LinkState(info.name, t_ns, rng.random() < 0.5, "test", speed, rng.choice((None, 9 * MS))),
                LineFault(info.name, t_ns, "break", 2),
            )
            out.append(rng.choice(later))
            t_ns = out[-1].t_ns
    return out


@pytest.mark.parametrize("link", LINKS)
@pytest.mark.parametrize("seed", range(25))
def test_text_with_pauses_and_bursts_is_told_the_same(link: str, seed: int) -> None:
    """Deadlines fall inside of reads, reads are late and early, lines are cut anywhere."""
    same(LINKS[link], life(LINKS[link], random.Random(f"{link} {seed}")))


def flow(info: LinkInfo, rng: random.Random) -> list[Record]:
    """Text that comes without a pause, in many small reads, as good as on time: most of it can be taken together."""
    ends = {b"\r\n": 40, b"\n": 9, b" \r\n": 5, b"\r\r\n": 1, b"\x1b[1m\r\n": 1, b"~\r\n": 1}
    data = b"".join(
        bytes(rng.choices(b"abcdefghij KLMN0123456789.-", k=rng.choice((0, 3, 30, 70, 90)))) + end
        for end in rng.choices([*ends], [*ends.values()], k=90)
    )
    t_ns, at, out = START_NS, 0, []
    size, late_ns = rng.choice((1, 3, 16, 60, 184)), rng.choice((0, 0, 100_000, 1_100_000, 3 * MS))
    while at < len(data):
        piece = data[at : at + rng.randint(max(1, size - 5), size + 5)]
        at += len(piece)
        t_ns = max(t_ns + rng.choice((0, 1)), START_NS + at * line_time_ns(info) + rng.randint(0, late_ns))
        out.append(Chunk(info.name, t_ns, piece))
    return out


@pytest.mark.parametrize("link", LINKS)
@pytest.mark.parametrize("seed", range(8))
def test_text_without_pauses_is_told_the_same(link: str, seed: int) -> None:
    """Reads that follow each other at once may be taken together, wherever they were cut."""
    same(LINKS[link], flow(LINKS[link], random.Random(f"{link} {seed}")))


@pytest.mark.parametrize("size", [990, 1000, 1001, 1010, 1100])
def test_a_line_of_any_length_in_one_read(size: int) -> None:
    """A line ends at 1,000 characters, also where all of it came at once."""
    data = b"one\r\n" + b"x" * size + b"\r\ntwo\r\n"
    for cut in (0, 5, 500):
        parts = [data[:cut], data[cut:]] if cut else [data]
        at, out = 0, []
        for part in parts:
            at += len(part)
            out.append(Chunk("console", START_NS + at * line_time_ns(LINKS["fast"]), part))
        told = same(LINKS["fast"], out)
        assert "".join(seen.text for seen in told if isinstance(seen, Text)) == "one" + "x" * size + "two"


@pytest.mark.parametrize("first", [6, 8])
@pytest.mark.parametrize("later", [
    LinkState("console", 0, True, "test", None, 9 * MS), LinkState("console", 0, True, "test", None, MS),
    LinkState("console", 0, True, "test", 300), LinkState("console", 0, False, "test"),
    LineFault("console", 0, "break", 2), ClockMark(0),
])  # fmt: skip
def test_what_comes_in_the_middle_of_a_line(later: Record, first: int) -> None:
    """A line that is kept as it came goes on with a link that is later, slower or away for a moment."""
    data = b"zero\r\none\r\ntwo and three\r\nand  four\r\nfive\r\nsix\r\r\r\nseven\reight\n"
    byte_ns, t_ns, out = line_time_ns(LINKS["fast"]), START_NS, []
    for size in (first, 19 - first, 7, 4, 11, 1, 1, 5, 8, 6):
        piece, data = data[:size], data[size:]
        t_ns += len(piece) * byte_ns
        out += [Chunk("console", t_ns, piece), replace(later, t_ns=t_ns)]
    told = same(LINKS["fast"], out)
    assert next(seen.text for seen in told if isinstance(seen, Text) and not seen.partial) == "zero"


@pytest.mark.long
@pytest.mark.parametrize("link", LINKS)
def test_many_more(link: str) -> None:
    for seed in range(1500):
        same(LINKS[link], life(LINKS[link], random.Random(f"more {link} {seed}")))
        if seed % 5 == 0:
            same(LINKS[link], flow(LINKS[link], random.Random(f"more {link} {seed}")))


def test_plain_lines_take_no_step_a_byte() -> None:
    """A kernel's lines go by the run but for nothing: what is checked above is what runs."""
    decoder = make_decoder(LINKS["fast"])
    decoder._framing.byte = None  # type: ignore[attr-defined]
    data = b"".join(b"[%12.6f] usb 1-1: new device number %d\r\n" % (n / 7, n) for n in range(500))
    byte_ns = line_time_ns(LINKS["fast"])
    for at in range(0, len(data), 184):
        piece = data[at : at + 184].removesuffix(b"\r")  # a read that ends between both is for `byte`
        decoder.feed(Chunk("console", START_NS + (at + len(piece)) * byte_ns, piece))
    assert decoder.counts.decoded > len(data) - 200


def test_reads_that_follow_each_other_take_no_step_each() -> None:
    decoder = make_decoder(LINKS["fast"])
    decoder._decode = None  # type: ignore[attr-defined]
    data = b"".join(b"[%12.6f] usb 1-1: new device number %d\r\n" % (n / 7, n) for n in range(500))
    byte_ns = line_time_ns(LINKS["fast"])
    ends = [*range(180, len(data), 180), len(data)]
    chunks = [Chunk("console", START_NS + end * byte_ns, data[begin:end]) for begin, end in pairwise([0, *ends])]
    assert len(decoder.feed_all(chunks)) == 500


@pytest.mark.parametrize("paced", [True, False])
def test_a_spread_is_as_its_rule_says(paced: bool) -> None:
    """The last byte has the chunk's time, each before it one byte time less, none less than the floor; that costs u."""
    rng = random.Random(5)
    for _ in range(300):
        info = LinkInfo("console", "console", "text", speed=rng.choice((300, 9600, 115_200)), paced=paced)
        arrivals, byte_ns = Arrivals(info), line_time_ns(info)
        count, t_ns = rng.randint(1, 30), START_NS
        floor = rng.choice((None, t_ns - rng.randint(0, 40) * byte_ns - rng.randint(0, byte_ns)))
        spread = arrivals.spread(t_ns, count, floor)
        for index in range(count):
            behind = (count - 1 - index) * byte_ns
            at = t_ns - behind if paced else t_ns
            held = max(0, floor - at) if paced and floor is not None else 0
            most = behind if floor is None else min(behind, t_ns - floor)
            assert spread.at(index) == at + held
            assert spread.u(index) == info.latency_ns + (byte_ns + held if paced else most)
        first = rng.randrange(count)
        end = rng.randint(first + 1, count)
        runs = [*spread.runs(first, end, 7), (7 + end - first, 0, 0)]
        each = [t + n * step for (i, t, step), (to, *_) in pairwise(runs) for n in range(to - i)]
        assert each == [spread.at(index) for index in range(first, end)]
