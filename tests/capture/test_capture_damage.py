"""However a capture ends or is damaged, what was whole is read, and what is missing is named."""

from __future__ import annotations

import random
import re
import struct
import tracemalloc
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.capture import CaptureWriter, read_capture
from benchd.capture.layout import MAX_BLOCK
from benchd.errors import UsageError
from benchd.vocabulary.records import Annotation, Chunk, ClockMark, LineFault, LinkInfo, LinkState, ModemLines, Record

LINKS = [LinkInfo("post", "post", "hex"), LinkInfo("console", "console", "text")]
RECORDS: list[Record] = [
    LinkState("post", 10, True, "opened", 9600),
    ModemLines("post", 11, True, True, False, False),
    Chunk("post", 20, b"7E\r\n"),
    Chunk("console", 21, b"640K OK\r\n\x1b[0m"),
    LineFault("console", 22, "break", 3),
    Chunk("post", 23, b""),
    Annotation(24, "trial", "T1"),
    ClockMark(25),
]
WALL = 1_750_000_000_000_000_000


def capture_bytes(tmp_path: Path) -> tuple[bytes, list[int]]:
    """A capture's bytes and the offsets at which its header and then each record is whole."""
    path = tmp_path / "whole"
    ends = []
    with CaptureWriter(path, machine="m", table="t", links=LINKS, wall_ns=WALL, mono_ns=0) as writer:
        ends.append(writer.size)
        for record in RECORDS:
            writer.write(record)
            ends.append(writer.size)
    return path.read_bytes(), ends


def test_cut_at_every_byte_gives_a_prefix(tmp_path: Path) -> None:
    """For every length the file can be cut to: exactly the whole records, and a problem unless whole."""
    data, ends = capture_bytes(tmp_path)
    path = tmp_path / "cut"
    for length in range(len(data) + 1):
        path.write_bytes(data[:length])
        capture = read_capture(path)
        whole = max(sum(length >= end for end in ends) - 1, 0)
        assert list(capture.records()) == RECORDS[:whole], length
        if length in ends:
            assert capture.problem is None, length
            assert (capture.machine, capture.links) == ("m", tuple(LINKS))
        else:
            last_block = max((end for end in ends if end <= length), default=None)
            assert capture.problem is not None and capture.problem.startswith("breaks off at offset "), length
            if last_block is not None:
                assert capture.problem.startswith(f"breaks off at offset {last_block}:"), length


def test_zeros_after_a_power_cut_are_named(tmp_path: Path) -> None:
    """File systems may leave zeros where data never arrived: all before is read, the offset told."""
    data, ends = capture_bytes(tmp_path)
    path = tmp_path / "zeros"
    path.write_bytes(data[: ends[3]] + bytes(4096))
    capture = read_capture(path)
    assert list(capture.records()) == RECORDS[:3]
    assert capture.problem is not None and f"offset {ends[3]}: a block that says it is 0 bytes" in capture.problem


def test_a_huge_length_is_not_believed(tmp_path: Path) -> None:
    """A block that claims gigabytes is refused with both numbers, without asking for the memory."""
    data, ends = capture_bytes(tmp_path)
    path = tmp_path / "huge"
    path.write_bytes(data + struct.pack("<II", 6, 0xFFFFFFFC) + bytes(64))
    capture = read_capture(path)
    assert list(capture.records()) == RECORDS
    assert capture.problem is not None and f"{0xFFFFFFFC} bytes" in capture.problem
    assert str(MAX_BLOCK) in capture.problem and str(ends[-1]) in capture.problem


def many_records(chance: random.Random) -> list[Record]:
    """An evening's worth of every kind of record, in order of time."""
    out: list[Record] = [Annotation(1, "table", "t" * 700)]
    for n in range(chance.randrange(1, 60)):
        record = chance.choice(RECORDS)
        data = {"data": chance.randbytes(chance.randrange(60))} if isinstance(record, Chunk) else {}
        out.append(replace(record, t_ns=(n + 1) * 1_000_000_000, **data))  # type: ignore[arg-type]
    return out


def strike(data: bytearray, begins: int, chance: random.Random) -> set[int]:
    """Damage bytes from an offset on, in one of the ways in which it happens; return the places that changed."""
    before = bytes(data)
    for _ in range(chance.choice([1, 1, 2, 5, 12])):
        at = chance.randrange(begins, len(data))
        size = chance.choice([1, 1, 4, 20, 200])
        new = chance.choice([chance.randbytes(size), bytes(size), b"\xff" * size, struct.pack("<I", 173_094_688)])
        if size == 1:
            new = bytes([data[at] ^ 1 << chance.randrange(8)])
        new = new[: len(data) - at]
        data[at : at + len(new)] = new
    return {place for place in range(len(data)) if data[place] != before[place]}


@settings(deadline=None, max_examples=300)
@given(seed=st.integers(0, 2**32))
def test_damage_costs_the_blocks_it_struck(tmp_path_factory: pytest.TempPathFactory, seed: int) -> None:
    """Any bytes behind the header changed: each block that they spared is read, at its place and as it was.

    Each that was struck is read too (a capture has no sums: what still has a block's form is one), or lies in what is
    told as unread, with its offset and its bytes; or the type in it changed, and a reader must skip what it does not
    know.
    """
    chance = random.Random(seed)
    path = tmp_path_factory.getbasetemp() / "struck"
    path.unlink(missing_ok=True)
    written = many_records(chance)
    with CaptureWriter(path, machine="m", table="t", links=LINKS, wall_ns=WALL, mono_ns=0) as writer:
        ends = [writer.size]
        for record in written:
            writer.write(record)
            ends.append(writer.size)
    original = path.read_bytes()
    data = bytearray(original)
    changed = strike(data, ends[0], chance)
    path.write_bytes(data)
    capture = read_capture(path)
    found = list(capture.placed())
    holes = [(at, at + int(one.value.split()[1])) for at, one in found if is_hole(one)]
    read = {at: one for at, one in found if not is_hole(one)}
    assert read.keys() <= set(ends)
    assert [at for at, _ in found] == sorted(at for at, _ in found)
    broken = re.search(r"breaks off at offset (\d+)", capture.problem or "")
    for record, begins, end in zip(written, ends, ends[1:], strict=False):
        struck = changed & set(range(begins, end))
        told = any(since <= begins < until for since, until in holes) or (broken and int(broken[1]) <= begins)
        if not struck:
            assert read[begins] == record
            assert not any(since <= begins < until for since, until in holes)
        elif begins not in read and not told:
            assert struck & set(range(begins, begins + 4))
    assert (capture.problem is not None) == bool(holes or broken)
    for since, until in holes[:5]:
        words = f"{until - since:,} bytes from offset {since} to {until} could not be read ("
        assert capture.problem is not None and words in capture.problem


def is_hole(record: Record) -> bool:
    return isinstance(record, Annotation) and record.key == "unread"


def test_what_is_missing_is_told_in_its_place(tmp_path: Path) -> None:
    """Three records overwritten in the midst: from when to when, and how many bytes; the rest is as it was."""
    data, ends = capture_bytes(tmp_path)
    path = tmp_path / "midst"
    path.write_bytes(data[: ends[2] + 4] + b"\xa5" * (ends[4] - ends[2]) + data[ends[4] + 4 :])
    capture = read_capture(path)
    hole = Annotation(11, "unread", f"12 {ends[5] - ends[2]}")
    assert list(capture.records()) == [*RECORDS[:2], hole, *RECORDS[5:]]
    assert capture.problem == (
        f"{ends[5] - ends[2]} bytes from offset {ends[2]} to {ends[5]} could not be read (a block that says it is "
        f"2779096485 bytes long; it can be 12 to {MAX_BLOCK}, by fours); what stands behind them was read"
    )


def test_a_length_beyond_the_file_asks_for_no_memory(tmp_path: Path) -> None:
    """Lengths of 390,000 bytes again and again, and one of 173,094,688, in 3 MB: read on with little memory."""
    path = tmp_path / "long"
    with CaptureWriter(path, machine="m", table="t", links=LINKS, wall_ns=WALL, mono_ns=0) as writer:
        ends = [writer.size]
        for n in range(3000):
            writer.write(Chunk("post", n * 1_000_000, bytes(1000)))
            ends.append(writer.size)
    data = bytearray(path.read_bytes())
    for number in range(100, 2900, 100):
        length = 173_094_688 if number == 100 else 390_000
        data[ends[number] + 4 : ends[number] + 8] = struct.pack("<I", length)
    path.write_bytes(data)
    capture = read_capture(path)
    tracemalloc.start()
    try:
        count = sum(isinstance(record, Chunk) for record in capture.records())
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert count == 3000 - 28
    assert peak < 4_000_000
    assert capture.problem is not None and "23 further places like these, 28,896 bytes of it in all" in capture.problem


@settings(deadline=None, max_examples=100)
@given(seed=st.integers(0, 2**32))
def test_a_damaged_header_never_raises_anything_else(tmp_path_factory: pytest.TempPathFactory, seed: int) -> None:
    """Bytes of the header changed: only UsageError may come out, and what was not read is told."""
    chance = random.Random(seed)
    room = tmp_path_factory.getbasetemp() / "heads"
    room.mkdir(exist_ok=True)
    (room / "whole").unlink(missing_ok=True)
    original, ends = capture_bytes(room)
    data = bytearray(original[: ends[0]])
    strike(data, 0, chance)
    path = room / "damaged"
    path.write_bytes(bytes(data) + original[ends[0] :])
    try:
        capture = read_capture(path)
        found = list(capture.records())
    except UsageError:
        return
    assert len([one for one in found if not is_hole(one)]) == len(RECORDS) or capture.problem is not None


def test_a_damaged_inside_is_told_in_words(tmp_path: Path) -> None:
    """Lengths inside a block that point beyond it, and text that is none: the offset and what is wrong there."""
    data, ends = capture_bytes(tmp_path)
    block = ends[2]
    words = {
        (block + 20, struct.pack("<I", 9)): (block, "a block that cannot be understood (Trying to read 9 bytes"),
        (block + 24, struct.pack("<I", 3)): (block, "a block that cannot be understood (4 bytes kept of 3)"),
        (block + 8, struct.pack("<I", 3)): (block, "a packet of interface 3, which is not described"),
        (block, struct.pack("<I", 5)): (block, "a packet that says it is a block of type 5"),
        (ends[0] + 28, b"x"): (ends[0], "an event that cannot be read: Expecting value"),
        (ends[3] + 4, struct.pack("<I", 33)): (ends[3], "a block that says it is 33 bytes long; it can be 12 to"),
        (28, b"\xff"): (0, "a block that cannot be understood ('utf-8' codec can't decode byte 0xff"),
    }
    path = tmp_path / "damaged"
    for (place, new), (offset, text) in words.items():
        path.write_bytes(data[:place] + new + data[place + len(new) :])
        problem = str(read_capture(path).problem)
        assert text in problem and f"offset {offset}" in problem, text


def test_foreign_files_are_refused_with_the_offset(tmp_path: Path) -> None:
    """Text, a bare pcapng of another program, a wrong byte-order mark, a missing file, a directory."""
    text = tmp_path / "notes.txt"
    text.write_text("POST card log\n")
    with pytest.raises(UsageError, match=r"notes\.txt is not a capture: at offset 0 stands 50 4f 53 54"):
        read_capture(text)
    foreign = tmp_path / "net.pcapng"
    foreign.write_bytes(struct.pack("<IIIHHqI", 0x0A0D0D0A, 28, 0x1A2B3C4D, 1, 0, -1, 28))
    with pytest.raises(UsageError, match=r"another program.*offset 0"):
        read_capture(foreign)
    foreign.write_bytes(struct.pack("<IIIHHqI", 0x0A0D0D0A, 28, 0x12345678, 1, 0, -1, 28))
    with pytest.raises(UsageError, match="at offset 8"):
        read_capture(foreign)
    with pytest.raises(UsageError, match="there is no such file"):
        read_capture(tmp_path / "none")
    with pytest.raises(UsageError, match="it is a folder"):
        read_capture(tmp_path)


def test_newer_layout_is_refused(tmp_path: Path) -> None:
    """A capture of a later layout is named as such, not misread."""
    data, _ = capture_bytes(tmp_path)
    path = tmp_path / "newer"
    path.write_bytes(data.replace(b'{"benchd-capture":1,', b'{"benchd-capture":9,'))
    with pytest.raises(UsageError, match=r"layout 9.*reads up to 1"):
        read_capture(path)


def test_an_empty_file_is_a_capture_without_records(tmp_path: Path) -> None:
    """Killed before the first byte: nothing to read, said so, no exception."""
    path = tmp_path / "empty"
    path.touch()
    capture = read_capture(path)
    assert list(capture.records()) == [] and capture.version == 0
    assert capture.problem is not None and "offset 0" in capture.problem


def test_two_captures_in_one_file(tmp_path: Path) -> None:
    """Files glued together: the first is read, the second is pointed at."""
    data, ends = capture_bytes(tmp_path)
    path = tmp_path / "glued"
    path.write_bytes(data + data)
    capture = read_capture(path)
    assert list(capture.records()) == RECORDS
    assert capture.problem == f"breaks off at offset {ends[-1]}: a second section starts; only the first is read"
