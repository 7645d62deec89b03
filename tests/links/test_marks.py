"""Marks in the data are taken out exactly as POSIX writes them in, however reads cut them."""

from __future__ import annotations

import os
import struct
import termios
import tty

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.links.marks import (
    COUNTERS,
    Counters,
    MarkParser,
    mark_faults,
    parse_counters,
    read_counters,
)
from benchd.links.terminal import in_force, set_speed

# POSIX.1-2017 XBD 11.2.2, in short: with PARMRK set, a byte X with a framing or parity error (other than break)
# is given to the application as '\377', 0, X; a good '\377' as '\377', '\377'; a break as '\377', '\0', '\0'.
VECTORS = [
    (b"AB", [b"AB"]),
    (b"\xff\xff", [b"\xff"]),
    (b"\xff\x00\x00", ["break"]),
    (b"\xff\x00A", ["framing", b"A"]),
    (b"A\xff\x00\x00B", [b"A", "break", b"B"]),
    (b"\xff\xff\x00\x00", [b"\xff\x00\x00"]),
    (b"\xff\x00\xff", ["framing", b"\xff"]),
    (b"\xff\xff\xff\x00\x00\xff\xff", [b"\xff", "break", b"\xff"]),
    (b"\x00\x00", [b"\x00\x00"]),
]


def joined(pieces: list) -> list:
    """Neighbouring bytes as one piece."""
    out: list = []
    for piece in pieces:
        if isinstance(piece, bytes) and out and isinstance(out[-1], bytes):
            out[-1] += piece
        else:
            out.append(piece)
    return out


@pytest.mark.parametrize(("marked", "want"), VECTORS)
@pytest.mark.parametrize("step", [1, 2, 100])
def test_vectors(marked: bytes, want: list, step: int) -> None:
    """Whole, in twos and byte by byte: the same pieces."""
    parser = MarkParser()
    got = [p for i in range(0, len(marked), step) for p in parser.feed(marked[i : i + step])]
    assert joined(got) == want
    assert parser.flush() == b""


def test_parity_is_named_where_parity_is_on() -> None:
    """With parity on, a bad character is one of bad parity unless told otherwise."""
    assert MarkParser("parity").feed(b"\xff\x00A") == ["parity", b"A"]


def test_unmarked_input_loses_no_byte() -> None:
    """FFh before a byte that no driver would put there is kept, and an unfinished mark is given back."""
    parser = MarkParser()
    assert joined(parser.feed(b"\xff\x41\xff")) == [b"\xff\x41"]
    assert parser.flush() == b"\xff"
    assert parser.flush() == b""


events = st.lists(
    st.one_of(st.integers(0, 255), st.just("break"), st.tuples(st.just("framing"), st.integers(1, 255))),
    max_size=60,
)


@settings(deadline=None, max_examples=150)
@given(events, st.integers(1, 7))
def test_marking_and_taking_out_are_inverse(line: list, step: int) -> None:
    """Whatever the line brings, the pieces are the line again (a bad NUL is marked like a break)."""
    marked, want = bytearray(), []
    for event in line:
        if event == "break":
            marked += b"\xff\0\0"
            want.append("break")
        elif isinstance(event, tuple):
            marked += b"\xff\0" + bytes([event[1]])
            want += ["framing", bytes([event[1]])]
        else:
            marked += b"\xff\xff" if event == 255 else bytes([event])
            want.append(bytes([event]))
    parser = MarkParser()
    got = [p for i in range(0, len(marked), step) for p in parser.feed(bytes(marked[i : i + step]))]
    assert joined(got) == joined(want)


def test_the_kernel_doubles_ff_as_the_parser_expects() -> None:
    """A real terminal driver (Linux, pty) with PARMRK set: FFh arrives doubled, everything else as it was."""
    master, slave = os.openpty()
    try:
        tty.setraw(slave)
        assert mark_faults(slave)
        sent = bytes(range(256)) + b"\xff\xff\x00"
        os.write(master, sent)
        read = os.read(slave, 4096)
        assert read.count(b"\xff") == 2 * sent.count(b"\xff")
        assert MarkParser().feed(read) == [sent]
    finally:
        os.close(master)
        os.close(slave)


def test_speed_changes_keep_the_marking() -> None:
    """Setting the speed of a terminal leaves its other modes, with a constant for the rate and without (31250)."""
    master, slave = os.openpty()
    try:
        tty.setraw(slave)
        mark_faults(slave)
        set_speed(slave, 19200)
        attributes = termios.tcgetattr(slave)
        assert attributes[5] == termios.B19200
        assert attributes[0] & termios.PARMRK
        set_speed(slave, 31250)
        assert in_force(slave).speed == 31250
        assert termios.tcgetattr(slave)[0] & termios.PARMRK
    finally:
        os.close(master)
        os.close(slave)


def test_marking_what_is_no_terminal() -> None:
    """A pipe cannot mark, and has no counters."""
    r, w = os.pipe()
    try:
        assert not mark_faults(r)
        assert read_counters(r) is None
    finally:
        os.close(r)
        os.close(w)


def test_counters_stand_where_the_kernel_header_says() -> None:
    """linux/serial.h: cts dsr rng dcd rx tx frame overrun parity brk buf_overrun reserved[9]: 80 bytes."""
    assert COUNTERS.size == 80
    raw = struct.pack("20i", 1, 2, 3, 4, 5, 6, 70, 80, 90, 100, 110, *[0] * 9)
    assert parse_counters(raw) == Counters(framing=70, overrun=80 + 110, parity=90, breaks=100)
    later = parse_counters(struct.pack("20i", 1, 2, 3, 4, 5, 6, 71, 80, 95, 1, 111, *[0] * 9))
    assert later.since(parse_counters(raw)) == Counters(framing=1, overrun=1, parity=5, breaks=1)
