"""Console text: counters, wiped lines, escape sequences, pauses, hostile input."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.delivery import START_NS, accounted, cut, run

from benchd.decode import make_decoder
from benchd.decode.console import counts_on
from benchd.errors import UsageError
from benchd.vocabulary.observations import LinkChange, Text
from benchd.vocabulary.records import Chunk, LinkInfo, LinkState

INFO = LinkInfo("console", "console", "text", speed=115200)
MS = 1_000_000


def lines(data: bytes, info: LinkInfo = INFO) -> list[str]:
    """The final lines that `data`, sent without a pause, gives."""
    seen, decoder = run(info, cut(info, data + b"\n"))
    assert accounted(decoder)
    texts = [one for one in seen if isinstance(one, Text) and not one.partial]
    assert [one.line for one in texts] == list(range(len(texts)))
    return [one.text for one in texts]


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (b"one\r\ntwo\nthree\n\rfour", ["one", "two", "three", "four"]),
        (b"\r\n\r\n   \r\n", []),
        (b"000064K\r000128K\r000640K OK\r\n", ["000640K OK"]),
        (b"Memory 064K\b\b\b\b128K\b\b\b\b640K OK", ["Memory 640K OK"]),
        (b"A\tB", ["A       B"]),
        (b"trailing   ", ["trailing"]),
        (b"  indented", ["  indented"]),
        (b"/\b-\b\\\b|\bdone", ["done"]),
        (b"long text\rshort", ["shorttext"]),
        (b"\b\b\bx", ["x"]),
    ],
)
def test_lines_as_a_reader_sees_them(data: bytes, expected: list[str]) -> None:
    """CR and BS move, what follows overwrites; one line with its last value (ECMA-48 CR and BS)."""
    assert lines(data) == expected


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (b"Press Ctrl-B to set up\r                      \rStarting", ["Press Ctrl-B to set up", "Starting"]),
        (b"Press a key" + b"\b \b" * 11 + b"Booting", ["Press a key", "Booting"]),
        (b"Loading\r\x1b[KBooting", ["Loading", "Booting"]),
        (b"Progress 10%\r\x1b[KProgress 20%\r\x1b[KProgress 100%", ["Progress 100%"]),
        (b"Progress 10%\r\x1b[KProgress 20%\r\x1b[K", ["Progress 20%"]),
        (b"64K\r   \r128K\r    \r640K", ["640K"]),
        (b"64K\r   \r", ["64K"]),
        (b"Wait\r\x1b[KReady\r\x1b[KDone", ["Wait", "Ready", "Done"]),
    ],
)
def test_wiped_text_is_not_lost(data: bytes, expected: list[str]) -> None:
    """A text wiped away for another one was a line of its own; a counter wiped for its next value is not."""
    assert lines(data) == expected


@pytest.mark.parametrize(
    "sequence",
    [
        b"\x1bc",
        b"\x1b[?7l",
        b"\x1b[2J",
        b"\x1b[0m",
        b"\x1b[38;5;196m",
        b"\x1b(B",
        b"\x1b%G",
        b"\x1b#8",
        b"\x1b7",
        b"\x1b]0;title\x07",
        b"\x1b]0;title\x1b\\",
        b"\x1bP1$r0m\x1b\\",
        b"\x1b[5n",
        b"\x0e",
        b"\x0f",
        b"\x1b[6;3H",
    ],
)
def test_sequences_leave_no_trace(sequence: bytes) -> None:
    """Control functions (ECMA-48 5.4, 5.6; ECMA-35 charset designations) before a text leave only the text."""
    for data in (sequence + b"Ready", sequence * 3 + b"Ready"):
        seen, decoder = run(INFO, cut(INFO, data + b"\r\n"))
        assert [one.text.strip() for one in seen if isinstance(one, Text) and not one.partial] == ["Ready"]
        assert decoder.counts.refused == {}


def test_open_firmware_prologue() -> None:
    """What SeaBIOS 1.16.2 sends before its first line on a serial console is gone, its lines stay whole."""
    data = b"\x1bc\x1b[?7l\x1b[2J\x1b[0mSeaBIOS (version 1.16.2-debian-1.16.2-1)\r\nBooting from Hard Disk...\r\n"
    data += b"Boot failed: not a bootable disk\r\n\r\nNo bootable device.\r\n"
    assert lines(data) == [
        "SeaBIOS (version 1.16.2-debian-1.16.2-1)",
        "Booting from Hard Disk...",
        "Boot failed: not a bootable disk",
        "No bootable device.",
    ]


def test_network_rom_that_erases_its_prompt() -> None:
    """As captured from Debian's ipxe-qemu ROM under QEMU 7.2: the prompts that it takes back are kept."""
    data = b"Press Ctrl-B to configure iPXE (PCI 00:03.0)...\r" + b" " * 79 + b"\r\n\n\n"
    data += b"\x1b[0;1miPXE 1.0.0\x1b[0m -- Open Source Network Boot Firmware -- \x1b[0;36mhttp\r\n"
    data += b"\nPress Ctrl-B for the iPXE command line..." + b"\x08 \x08" * 41 + b"No more network devices\r\n"
    assert lines(data) == [
        "Press Ctrl-B to configure iPXE (PCI 00:03.0)...",
        "iPXE 1.0.0 -- Open Source Network Boot Firmware -- http",
        "Press Ctrl-B for the iPXE command line...",
        "No more network devices",
    ]


def test_cursor_addressing_separates_rows() -> None:
    """Texts put on different rows are different lines; on the same row they share a line."""
    assert lines(b"\x1b[1;1HTop\x1b[5;3HLow\x1b[5;9Hright") == ["Top", "  Low   right"]


def test_letters_of_code_page_437_are_not_controls() -> None:
    """80h-9Fh are letters in cp437 (9Bh is the cent sign), but controls in ISO 8859-1 (9Bh is CSI)."""
    assert lines(b"\x9b31mX \x84\xe1\xb0") == ["¢31mX äß░"]
    latin = LinkInfo("console", "console", "text", encoding="latin-1")
    assert lines(b"\x9b31mX \xe4", latin) == ["X ä"]


def test_utf8_and_its_damage() -> None:
    """UTF-8 characters arrive whole; damaged ones show U+FFFD and are refused as undecodable (RFC 3629)."""
    info = LinkInfo("console", "console", "text", encoding="utf-8")
    assert lines("5 µs €\N{GRINNING FACE}".encode(), info) == ["5 µs €\N{GRINNING FACE}"]
    seen, decoder = run(info, cut(info, b"a\xe2\x82b\xffc\xe2\n"))
    assert [one.text for one in seen if isinstance(one, Text) and not one.partial] == ["a�b�c�"]
    assert decoder.counts.refused == {"undecodable": 4}


@pytest.mark.parametrize("encoding", ["no-such", "utf-16", "cp932", "cp037", "rot13", "base64"])
def test_unfit_encodings_are_the_callers_error(encoding: str) -> None:
    """Encodings that are unknown, of several bytes or not ASCII are refused with the link's name."""
    with pytest.raises(UsageError, match=r"link console: encoding .* use"):
        make_decoder(LinkInfo("console", "console", "text", encoding=encoding))


def test_ignored_and_broken_bytes_have_names() -> None:
    """NUL, BEL, broken and endless sequences are counted by name; the text around them stays."""
    data = b"A\0\0B\x07C\x1b[12\x01D\x1b]" + b"x" * 600 + b"\r\nE\r\n"
    seen, decoder = run(INFO, cut(INFO, data))
    texts = [one.text for one in seen if isinstance(one, Text) and not one.partial]
    assert texts == ["ABCD" + "x" * 90, "E"]
    assert decoder.counts.refused == {"nul": 2, "control": 2, "bad-escape": 4 + 512}


def test_damaged_string_does_not_swallow_the_boot() -> None:
    """A stray ESC ] costs its own line's rest at most: line ends break it."""
    assert lines(b"\x1b]oops\r\nNext line\r\n") == ["Next line"]


def test_unfinished_line_comes_after_silence() -> None:
    """A line without end is said as partial 0.25 s after its last character, then whole under the same line."""
    decoder = make_decoder(INFO)
    assert decoder.feed(Chunk("console", START_NS, b"Press F1")) == []
    assert decoder.advance(START_NS + 250 * MS - 1) == []
    (partial,) = decoder.advance(START_NS + 3000 * MS)
    assert (partial.text, partial.partial, partial.line) == ("Press F1", True, 0)
    assert partial.at_ns == START_NS + 250 * MS
    assert decoder.advance(START_NS + 60_000 * MS) == []
    (final,) = decoder.feed(Chunk("console", START_NS + 61_000 * MS, b" now\n"))
    assert (final.text, final.partial, final.line) == ("Press F1 now", False, 0)


def test_slow_line_speaks_inside_one_chunk() -> None:
    """At 300 bit/s one read may bring 3 s of text: its partials come as they do byte by byte (33.3 ms each)."""
    info = LinkInfo("console", "console", "text", speed=300)
    data = b"." * 90
    whole, _ = run(info, cut(info, data))
    single, _ = run(info, cut(info, data, range(90)))
    assert [one.text for one in whole] == [one.text for one in single]
    assert [one.at_ns for one in whole] == [one.at_ns for one in single]
    assert len(whole) == 3


def test_growing_line_speaks_once_a_second() -> None:
    """A counter rewritten every 10 ms for 5 s gives a partial a second, never more, and one final line."""
    decoder = make_decoder(INFO)
    seen = []
    for step in range(500):
        seen += decoder.feed(Chunk("console", START_NS + step * 10 * MS, b"\r%06dK" % step))
    partials = [one for one in seen if isinstance(one, Text)]
    assert 4 <= len(partials) <= 5
    gaps = [b.at_ns - a.at_ns for a, b in pairwise(partials)]
    assert min(gaps) >= 1000 * MS
    assert {one.line for one in partials} == {0}
    *_, final = decoder.feed(Chunk("console", START_NS + 5010 * MS, b" OK\n"))
    assert (final.text, final.line, final.partial) == ("000499K OK", 0, False)


def test_slow_typing_is_bounded_too() -> None:
    """One character each 0.3 s (longer than the silence) still gives at most one partial a second."""
    decoder = make_decoder(INFO)
    seen = []
    for step in range(40):
        seen += decoder.feed(Chunk("console", START_NS + step * 300 * MS, b"."))
    stamps = [one.at_ns for one in seen]
    assert 8 <= len(stamps) <= 12
    assert min(b - a for a, b in pairwise(stamps)) >= 1000 * MS


def test_counter_keeps_the_time_of_what_did_not_change() -> None:
    """The word before a counter has stood since the first pass; only the changed digits are new."""
    first, second = START_NS, START_NS + 3000 * MS
    decoder = make_decoder(INFO)
    decoder.feed(Chunk("console", first, b"Memory 64K"))
    (_, line) = [*decoder.feed(Chunk("console", second, b"\rMemory 80K\n"))]
    assert line.text == "Memory 80K"
    assert abs(line.time_at(0) - first) <= MS
    assert abs(line.time_at(7) - second) <= MS
    assert line.t_ns == line.time_at(0)


def test_long_lines_end() -> None:
    """A line ends at 1,000 characters and that is noted; nothing is lost."""
    seen, decoder = run(INFO, cut(INFO, b"x" * 2500 + b"\n"))
    assert [len(one.text) for one in seen if isinstance(one, Text) and not one.partial] == [1000, 1000, 500]
    assert decoder.counts.notes == {"long-line": 2}
    assert decoder.counts.decoded == 2501


def test_cursor_far_out_is_bounded() -> None:
    """Enormous parameters move the cursor no further than the line limit."""
    (text,) = lines(b"\x1b[99999999999999Cx")
    assert len(text) <= 1000


def test_link_down_says_the_unfinished_line() -> None:
    """An unfinished line is said when the link goes down, before the link change; half escapes are refused."""
    decoder = make_decoder(INFO)
    decoder.feed(Chunk("console", START_NS, b"Testing\x1b[1"))
    text, change = decoder.feed(LinkState("console", START_NS + MS, False, "unplugged"))
    assert isinstance(text, Text) and text.text == "Testing" and not text.partial
    assert isinstance(change, LinkChange) and not change.up
    assert decoder.counts.refused == {"link-down": 3}


def test_counting_is_told_from_other_text() -> None:
    """Only numbers differ, or it is the beginning of such a text."""
    assert counts_on("Memory 64K", "Memory 128K OK")
    assert counts_on("Progress 10%", "Progr")
    assert not counts_on("Loading", "Booting")


@given(st.binary(max_size=500))
@settings(deadline=None, max_examples=150)
def test_text_never_holds_a_control(data: bytes) -> None:
    """Whatever arrives, no C0, DEL or C1 character gets into a text (ECMA-48 control sets)."""
    for encoding in ("cp437", "latin-1", "utf-8"):
        seen, _ = run(LinkInfo("console", "console", "text", encoding=encoding), [Chunk("console", START_NS, data)])
        for one in seen:
            assert isinstance(one, Text)
            assert one.text == one.text.rstrip() != ""
            assert not any(ord(char) < 0x20 or 0x7F <= ord(char) < 0xA0 for char in one.text)
            assert [mark for mark, _ in one.marks] == sorted({mark for mark, _ in one.marks})
            assert one.marks[0][0] == 0
            assert len(one.text) <= 1000
