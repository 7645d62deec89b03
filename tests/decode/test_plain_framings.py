"""Raw bytes, hex text and patterns: what becomes a code, what is refused and under which name."""

from __future__ import annotations

import pytest
from support.delivery import START_NS, accounted, cut, essence, run

from benchd.decode import make_decoder
from benchd.errors import UsageError
from benchd.vocabulary.observations import Break, Code, LinkChange, Lost, Observation, Reset
from benchd.vocabulary.records import Chunk, LineFault, LinkInfo, LinkState

MS = 1_000_000
RAW = LinkInfo("post", "post", "raw", code_port=0x80)
HEX = LinkInfo("post", "post", "hex")
RESET = Reset("post", 0, 0)


def code(value: int, port: int | None = None, wide: bool = False) -> Code:
    return Code("post", 0, 0, value, port, wide)


def lost(reason: str, count: int) -> Lost:
    return Lost("post", 0, 0, reason, count)


def tell(info: LinkInfo, data: bytes) -> list[Observation]:
    seen, decoder = run(info, cut(info, data))
    assert accounted(decoder) and decoder.counts.pending == 0
    return essence(seen)


def with_pattern(pattern: str | None, tick_s: float | None = None) -> LinkInfo:
    return LinkInfo("post", "post", "pattern", pattern=pattern, tick_s=tick_s, code_port=0x80)


def test_raw_every_byte_is_a_code() -> None:
    """All 256 values are codes, FFh and 00h too: what they mean is not decided here."""
    assert tell(RAW, bytes(range(256))) == [code(value, 0x80) for value in range(256)]


def test_break_takes_its_own_nul() -> None:
    """A break shows as one 00h (TL16C550C datasheet, LSR bit 4): only that one is refused."""
    decoder = make_decoder(RAW)
    (broken,) = decoder.feed(LineFault("post", START_NS, "break"))
    assert broken == Break("post", START_NS, RAW.latency_ns)
    seen = decoder.feed(Chunk("post", START_NS + MS, b"\0\0\x01"))
    assert essence(seen) == [code(0, 0x80), code(1, 0x80)]
    assert decoder.counts.refused == {"break-nul": 1}
    decoder.feed(LineFault("post", START_NS + 1000 * MS, "break"))
    assert essence(decoder.feed(Chunk("post", START_NS + 2000 * MS, b"\0"))) == [code(0, 0x80)]


@pytest.mark.parametrize("count", [1, 2, 3])
def test_as_many_nuls_are_dropped_as_there_were_breaks(count: int) -> None:
    """A driver that tells of several breaks at once left a 00h for each (termios(3), BRKINT and PARMRK off):
    so many are refused, over several chunks and between codes, and the next 00h is a code again.
    """
    decoder = make_decoder(RAW)
    decoder.feed(LineFault("post", START_NS, "break", count))
    seen = decoder.feed(Chunk("post", START_NS + 10 * MS, b"\0\x41"))
    seen += decoder.feed(Chunk("post", START_NS + 20 * MS, b"\0\0\0\0"))
    assert essence(seen) == [code(0x41, 0x80), *[code(0, 0x80)] * (5 - count)]
    assert accounted(decoder) and decoder.counts.refused == {"break-nul": count}


@pytest.mark.parametrize(("late_ns", "dropped"), [(0, True), (1, False)])
def test_a_breaks_nul_comes_soon(late_ns: int, dropped: bool) -> None:
    """What comes later than 50 ms after the break is a code; so is a 00h after the link went down."""
    decoder = make_decoder(RAW)
    decoder.feed(LineFault("post", START_NS, "break", 2))
    seen = decoder.feed(Chunk("post", START_NS + 50 * MS + late_ns, b"\0"))
    assert essence(seen) == ([] if dropped else [code(0, 0x80)])
    decoder.feed(LineFault("post", START_NS + 60 * MS, "break", 2))
    decoder.feed(LinkState("post", START_NS + 61 * MS, False, "gone"))
    assert essence(decoder.feed(Chunk("post", START_NS + 62 * MS, b"\0"))) == [code(0, 0x80)]


@pytest.mark.parametrize("fault", ["framing", "parity", "overrun"])
def test_line_faults_are_losses(fault: str) -> None:
    """Framing, parity and overrun faults are Lost with their own name and count."""
    decoder = make_decoder(RAW)
    (seen,) = decoder.feed(LineFault("post", START_NS, fault, 3))  # type: ignore[arg-type]
    assert seen == Lost("post", START_NS, RAW.latency_ns, fault, 3)


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (b"3A\r\n", [code(0x3A)]),
        (b"3a 3B,3C;3D\t3E\n", [code(value) for value in range(0x3A, 0x3F)]),
        (b"80:3A 0084=C0\n", [code(0x3A, 0x80), code(0xC0, 0x84)]),
        (b"7201 0080:7203\n", [code(0x7201, None, True), code(0x7203, 0x80, True)]),
        (b"0x3A 3Bh 80h:3Ch 0x80=0x3D\n", [code(0x3A), code(0x3B), code(0x3C, 0x80), code(0x3D, 0x80)]),
        (b"\r\n\r\n  \r\n", []),
        (b"card v1\r\n", [lost("not-hex", 4), lost("not-hex", 2)]),
        (b"3 123 12345\n", [lost("half-code", 1), lost("half-code", 3), lost("too-long", 5)]),
        (
            b"8:3A 12345:3A :3A 3A: ==\n",
            [*[lost("bad-port", n) for n in (4, 8, 3)], lost("not-hex", 3), lost("bad-port", 2)],
        ),
        (b"0" * 50 + b" 3A\n", [lost("too-long", 50), code(0x3A)]),
        (b"3A\xff 3B\n", [lost("not-hex", 3), code(0x3B)]),
        (b"3\0A 3B\n", [code(0x3A), code(0x3B)]),
        (b"3A", [code(0x3A)]),
    ],
)
def test_hex_text(data: bytes, expected: list[Observation]) -> None:
    """Two or four digits are a code, with its port if told; everything else is refused by name."""
    assert tell(HEX, data) == expected


def test_hex_code_does_not_wait_for_the_next() -> None:
    """The last code before a hang is said 0.1 s after its digits, and dated to its first digit."""
    decoder = make_decoder(HEX)
    assert decoder.feed(Chunk("post", START_NS, b"\r\n3A")) == []
    assert decoder.advance(START_NS + 100 * MS - 1) == []
    (seen,) = decoder.advance(START_NS + 100 * MS)
    assert (seen.t_ns, seen.value) == (START_NS - 1_041_667, 0x3A)


def test_digits_cut_by_a_slow_adapter_stay_together() -> None:
    """A latency timer of 16 ms between the digits of one code does not make two of it."""
    decoder = make_decoder(HEX)
    decoder.feed(Chunk("post", START_NS, b"72"))
    assert essence(decoder.feed(Chunk("post", START_NS + 16 * MS, b"01 "))) == [code(0x7201, None, True)]


def test_link_down_keeps_a_whole_code_and_refuses_half() -> None:
    """At link down a whole code is said before the link change, half a code is refused as link-down."""
    decoder = make_decoder(HEX)
    decoder.feed(Chunk("post", START_NS, b"3A"))
    whole, change = decoder.feed(LinkState("post", START_NS + MS, False, "unplugged"))
    assert essence([whole]) == [code(0x3A)] and isinstance(change, LinkChange)
    decoder.feed(Chunk("post", START_NS + 2 * MS, b"4"))
    half, _ = decoder.feed(LinkState("post", START_NS + 3 * MS, False, "unplugged"))
    assert essence([half]) == [lost("link-down", 1)]
    assert decoder.counts.refused == {"link-down": 1}


CARD = r"t=(?P<ticks>\d+) port (?P<port>[0-9A-F]+) -> (?P<code>[0-9A-F]+)|(?P<reset>RESET)"


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (b"t=001234 port 80 -> 3A\r\n", [code(0x3A, 0x80)]),
        (b"t=1 port 0084 -> 7201\n", [code(0x7201, 0x84, True)]),
        (b"RESET\nt=1 port 80 -> 01\n", [RESET, code(1, 0x80)]),
        (b"t=1 port 80 -> 01 t=2 port 80 -> 02\n", [code(1, 0x80), code(2, 0x80)]),
        (b"hello\n\n  \n", [lost("no-match", 5)]),
        (b"t=1 port 80 -> 12345\n", [lost("bad-value", 20)]),
        (b"t=1 port 12345 -> 12\n", [lost("bad-value", 20)]),
        (b"t=" + b"9" * 30 + b" port 80 -> 12\n", [lost("bad-value", 46)]),
        (b"x" * 300 + b"\nRESET\n", [lost("line-too-long", 300), RESET]),
        (b"RESET", [RESET]),
        (b"t=900 port 80 -> 01\nt=5 port 80 -> 02\n", [code(1, 0x80), RESET, code(2, 0x80)]),
    ],
)
def test_pattern_lines(data: bytes, expected: list[Observation]) -> None:
    """Groups become codes, ports and resets; other lines are refused by name."""
    assert tell(with_pattern(CARD), data) == expected


def test_pattern_port_falls_back_to_the_link() -> None:
    """Without a port group the link's own port is used."""
    assert tell(with_pattern("(?P<code>[0-9a-f]{2})!"), b"3a!\n") == [code(0x3A, 0x80)]


@pytest.mark.parametrize(
    ("pattern", "message"),
    [
        (None, "is missing"),
        ("", "is missing"),
        ("(?P<code>", "is no re2 expression"),
        (r"(?P<code>\d)(?=x)", "is no re2 expression"),
        ("[0-9]+", "has neither"),
        ("(?P<code>..)(?P<when>.)", r"unknown groups \['when'\]"),
        ("(?P<code>.)\N{GREEK SMALL LETTER OMEGA}", "not Latin-1 at 11"),
    ],
)
def test_bad_patterns_are_the_callers_error(pattern: str | None, message: str) -> None:
    """A pattern that cannot work is refused with the link's name and the reason."""
    with pytest.raises(UsageError, match=f"link post: pattern.*{message}"):
        make_decoder(with_pattern(pattern))


def test_pattern_cannot_run_away() -> None:
    """An expression that backtracking engines choke on takes no time here (re2: linear in the line)."""
    info = with_pattern("(?P<code>(a+)+)$|(?P<reset>z)")
    assert tell(info, b"a" * 200 + b"b\n") == [lost("no-match", 201)]


@pytest.mark.parametrize(
    ("info", "message"),
    [
        (
            LinkInfo("post", "post", "text"),
            'framing "text" is unknown for a post link: use raw, hex, pattern, bench',
        ),
        (LinkInfo("con", "console", "raw"), 'framing "raw" is unknown for a console link: use text'),
        (LinkInfo("post", "post", "raw", speed=0), "speed 0 must be above 0"),
        (LinkInfo("post", "post", "bench", tick_s=0.0), "tick_s 0.0 must be above 0"),
    ],
)
def test_wrong_settings_are_the_callers_error(info: LinkInfo, message: str) -> None:
    """Unknown framings, speeds and ticks are refused with what to use instead."""
    with pytest.raises(UsageError, match=f"link {info.name}: {message}"):
        make_decoder(info)


def test_speed_change_drops_half_a_code() -> None:
    """What came at another speed is no part of what comes now."""
    decoder = make_decoder(HEX)
    decoder.feed(Chunk("post", START_NS, b"4"))
    half, change = decoder.feed(LinkState("post", START_NS + MS, True, "found 1200 bit/s", 1200))
    assert essence([half]) == [lost("speed-change", 1)]
    assert isinstance(change, LinkChange) and change.up and change.reason == "found 1200 bit/s"
