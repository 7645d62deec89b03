"""However bytes are cut into reads, however often time is told: one story, and every byte is accounted for."""

from __future__ import annotations

import random

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from support.card_frames import encode_frame
from support.delivery import START_NS, accounted, cut, essence, run, times_agree, ways

from benchd.decode import make_decoder
from benchd.decode.benchframe import CardWrite, Frame
from benchd.vocabulary.observations import Code, Text
from benchd.vocabulary.records import Chunk, ClockMark, LineFault, LinkInfo, LinkState, ModemLines, Record

PATTERN = r"(?:P(?P<port>[0-9A-F]+) )?C(?P<code>[0-9A-Fa-f]+)(?: T(?P<ticks>[0-9]+))?|(?P<reset>RST)"
LINKS = {
    "raw": LinkInfo("post", "post", "raw", code_port=0x80),
    "hex": LinkInfo("post", "post", "hex", speed=115200),
    "pattern": LinkInfo("post", "post", "pattern", pattern=PATTERN, tick_s=0.001, speed=19200),
    "bench": LinkInfo("post", "post", "bench", speed=38400),
    "text": LinkInfo("console", "console", "text"),
    "utf-8": LinkInfo("console", "console", "text", encoding="utf-8", speed=115200),
    "latin-1": LinkInfo("console", "console", "text", encoding="latin-1"),
    "unpaced": LinkInfo("console", "console", "text", paced=False),
    "raw-unpaced": LinkInfo("post", "post", "raw", paced=False),
}
FRAMES = [
    encode_frame(Frame(n, 1000 * n, (CardWrite(n, 0x80), CardWrite(0x100 + n, None, True, 7, n == 3))))
    for n in range(0, 12, 2)
]
PIECES: dict[str, list[bytes]] = {
    "raw": [],
    "hex": [
        b"80:3A ",
        b"0084=3a\r\n",
        b"FF",
        b" ",
        b"1234,",
        b"0x1F;",
        b"zz ",
        b"123 ",
        b"\0",
        b"\r\n",
        b"3Ah\n",
    ],
    "pattern": [
        b"C3A\r\n",
        b"P80 C1F T100\n",
        b"RST\n",
        b"C12 C34 C56\r",
        b"noise\n",
        b"\n",
        b"x" * 90,
        b"C123456\n",
    ],
    "bench": [*FRAMES, b"\0", b"\0\0", b"\x05", FRAMES[0][:5], FRAMES[1][3:]],
    "text": [
        b"Memory 000064K",
        b"\r",
        b"\n",
        b"\b\b\b",
        b"\x1b[2J",
        b"\x1b[5;10H",
        b"\x1b]0;title\x07",
        b"\x1b(B",
        b"\x1bc",
        b"\x1b[K",
        b"    ",
        b"\t",
        b"\0",
        b"\x07",
        b"\x9b\xe1\xff",
        b"Press a key",
        b"\x1b",
        b"OK\r\n",
        "µ€\N{GRINNING FACE}".encode(),
        b"\x1b[10D",
        b"\x1b[1K",
    ],
}


def bytes_for(link: str) -> st.SearchStrategy[bytes]:
    """Random bytes, and random sentences of what the framing knows."""
    pieces = PIECES.get(link, PIECES["text"])
    noise = st.binary(max_size=120)
    if not pieces:
        return noise
    return noise | st.lists(st.sampled_from(pieces) | st.binary(max_size=3), max_size=25).map(b"".join)


@pytest.mark.parametrize("link", LINKS)
@given(data=st.data())
@settings(deadline=None, max_examples=60)
def test_three_ways_tell_one_story(link: str, data: st.DataObject) -> None:
    """Whole, byte by byte and randomly cut give the same observations; times agree within their u."""
    info = LINKS[link]
    wire = data.draw(bytes_for(link))
    cuts = data.draw(st.lists(st.integers(0, len(wire)), max_size=8))
    whole, *others = [run(info, chunks) for chunks in ways(info, wire, cuts)]
    for seen, decoder in (whole, *others):
        assert accounted(decoder)
        assert decoder.counts.bytes_in == len(wire)
        assert essence(seen) == essence(whole[0])
        assert decoder.counts == whole[1].counts
        if link not in ("bench", "pattern"):
            assert times_agree(seen, whole[0])
        stamps = [one.at_ns for one in seen]
        assert stamps == sorted(stamps)
        assert all(one.t_ns <= one.at_ns and one.u_ns > 0 for one in seen)


def records_for(link: str) -> st.SearchStrategy[list[Record]]:
    """Anything a link may deliver, with times in order."""
    name = LINKS[link].name
    flag = st.booleans()
    body = st.one_of(
        bytes_for(link).filter(bool).map(lambda data: lambda t: Chunk(name, t, data)),
        st.tuples(flag, st.sampled_from((None, 300, 9600))).map(
            lambda drawn: lambda t: LinkState(name, t, drawn[0], "test", drawn[1])
        ),
        st.tuples(flag, flag).map(lambda drawn: lambda t: ModemLines(name, t, True, drawn[0], False, drawn[1])),
        st.sampled_from(("break", "framing", "parity", "overrun")).map(lambda f: lambda t: LineFault(name, t, f, 2)),
        st.just(lambda t: ClockMark(t)),
    )
    step = st.sampled_from((0, 1_000_000, 5_000_000, 30_000_000, 120_000_000, 300_000_000, 1_100_000_000))

    def lay(drawn: list[tuple[int, object]]) -> list[Record]:
        t_ns, records = START_NS, []
        for gap, make in drawn:
            t_ns += gap
            records.append(make(t_ns))  # type: ignore[operator]
        return records

    return st.lists(st.tuples(step, body), max_size=12).map(lay)


@pytest.mark.parametrize("link", LINKS)
@given(data=st.data())
@settings(deadline=None, max_examples=60)
def test_advance_changes_nothing(link: str, data: st.DataObject) -> None:
    """Telling the time often, seldom or never between records gives the very same observations and times."""
    records = data.draw(records_for(link))
    busy, lazy = make_decoder(LINKS[link]), make_decoder(LINKS[link])
    told, seen, last_ns = [], [], START_NS
    for record in records:
        ticks = data.draw(st.lists(st.integers(last_ns, record.t_ns), max_size=3).map(sorted))
        for tick in ticks:
            told += busy.advance(tick)
        told += busy.feed(record)
        seen += lazy.feed(record)
        last_ns = record.t_ns
        assert accounted(busy)
    end_ns = last_ns + 5_000_000_000
    for tick in range(last_ns, end_ns, 70_000_000):
        told += busy.advance(tick)
    told += busy.advance(end_ns)
    seen += lazy.advance(end_ns)
    assert told == seen
    assert busy.counts == lazy.counts
    stamps = [one.at_ns for one in seen]
    assert stamps == sorted(stamps)


@pytest.mark.parametrize("link", LINKS)
@given(wire=st.binary(max_size=400))
@example(wire=b"\x1b]" + b"A" * 900)
@example(wire=b"\xff" * 3000)
@example(wire=b"a" * 3000)
@settings(deadline=None, max_examples=40)
def test_link_down_leaves_nothing_pending(link: str, wire: bytes) -> None:
    """When a link goes down no byte stays pending: half a frame or sequence is refused by name."""
    info = LINKS[link]
    decoder = make_decoder(info)
    for chunk in cut(info, wire, range(0, len(wire), 7)):
        decoder.feed(chunk)
    decoder.feed(LinkState(info.name, START_NS * 2, False, "unplugged"))
    assert accounted(decoder)
    assert decoder.counts.pending == 0


@pytest.mark.parametrize("link", LINKS)
def test_pending_is_bounded(link: str) -> None:
    """200 KB of any noise, however it looks, leave less than a kilobyte pending."""
    seed = 20240917
    random.seed(seed)
    noise = [random.randbytes(50_000), b"A" * 50_000, b"\x1b]" + b"\xb0" * 50_000, b"\x1b[" + b"1;" * 25_000]
    decoder = make_decoder(LINKS[link])
    for number, wire in enumerate(noise):
        decoder.feed(Chunk(LINKS[link].name, START_NS + number * 10**12, wire))
        assert decoder.counts.pending < 1000, f"seed {seed}"
        assert accounted(decoder)


def test_other_links_do_not_speak() -> None:
    """Records of another link are not decoded."""
    decoder = make_decoder(LINKS["raw"])
    assert decoder.feed(Chunk("other", START_NS, b"\x01")) == []
    assert decoder.counts.bytes_in == 0


def test_paced_bytes_are_back_dated() -> None:
    """Five bytes at 9600 8N1 lie 1.041667 ms apart (1,843,200 Hz / 16 / 12 = 9600 bit/s, ten bits a byte)."""
    seen, _ = run(LINKS["raw"], [Chunk("post", START_NS, bytes(range(5)))])
    assert [START_NS - one.t_ns for one in seen] == [4166668, 3125001, 2083334, 1041667, 0]
    assert {one.u_ns for one in seen} == {2_000_000 + 1_041_667}


def test_clamped_bytes_say_what_it_costs() -> None:
    """Bytes that would lie before the chunk before get its time, and u grows by the move."""
    chunks = [Chunk("post", START_NS, b"\1"), Chunk("post", START_NS + 1_000_000, b"\2\3\4")]
    seen, _ = run(LINKS["raw"], chunks)
    assert [one.t_ns - START_NS for one in seen] == [0, 0, 0, 1_000_000]
    assert [one.u_ns - 3_041_667 for one in seen] == [0, 2 * 1_041_667 - 1_000_000, 41_667, 0]


def test_unpaced_bytes_are_not_back_dated() -> None:
    """On a pty all bytes of a chunk share its time; u covers a line behind it, up to the chunk before."""
    chunks = [Chunk("post", START_NS, b"\1"), Chunk("post", START_NS + 1_500_000, b"\2\3\4")]
    seen, _ = run(LINKS["raw-unpaced"], chunks)
    assert [one.t_ns - START_NS for one in seen] == [0, 1_500_000, 1_500_000, 1_500_000]
    assert [one.u_ns - 2_000_000 for one in seen] == [0, 1_500_000, 1_041_667, 0]


def test_speed_change_changes_the_byte_time() -> None:
    """A LinkState with another speed back-dates by it: 1200 8N1 is 8.3333 ms a byte."""
    decoder = make_decoder(LINKS["raw"])
    decoder.feed(LinkState("post", START_NS, True, "found 1200 bit/s", 1200))
    codes = [one for one in decoder.feed(Chunk("post", 2 * START_NS, b"\1\2")) if isinstance(one, Code)]
    assert codes[1].t_ns - codes[0].t_ns == 8_333_333


@pytest.mark.parametrize(
    ("data_bits", "parity", "stop_bits", "speed", "expected"),
    [
        (8, "N", 1, 300, 33_333_333),
        (8, "N", 2, 110, 100_000_000),
        (8, "N", 1, 115200, 86_806),
        (7, "E", 1, 9600, 1041667),
    ],
)
def test_byte_times(data_bits: int, parity: str, stop_bits: float, speed: int, expected: int) -> None:
    """Start, data, parity and stop bits: 300 8N1 33.333 ms, 115200 8N1 86.8056 us (arithmetic)."""
    line = {"speed": speed, "data_bits": data_bits, "parity": parity, "stop_bits": stop_bits}
    info = LinkInfo("post", "post", "raw", **line)  # type: ignore[arg-type]
    seen, _ = run(info, [Chunk("post", START_NS, b"\1\2")])
    assert seen[1].t_ns - seen[0].t_ns == expected


def test_text_times_lie_on_the_line() -> None:
    """`time_at` gives each character's own arrival, also after a pause in mid-line."""
    info = LINKS["text"]
    chunks = cut(info, b"abc", start_ns=START_NS) + cut(info, b"def\n", start_ns=START_NS + 50_000_000)
    seen, _ = run(info, chunks)
    (line,) = [one for one in seen if isinstance(one, Text)]
    expected = [START_NS + (n + 1) * 1_041_667 for n in range(3)]
    expected += [START_NS + 50_000_000 + (n + 1) * 1_041_667 for n in range(3)]
    assert all(abs(line.time_at(n) - at) <= line.u_ns for n, at in enumerate(expected))
    assert line.t_ns == expected[0]
    assert len(line.marks) == 2
