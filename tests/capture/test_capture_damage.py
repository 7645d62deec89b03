"""However a capture ends or is damaged, what was whole is read and the break is named."""

from __future__ import annotations

import random
import struct
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


def not_packets(original: bytes, damaged: bytes) -> bool:
    """Whether a block's type changed, so that a reader must skip it as unknown without complaint."""
    place, changed = 0, False
    while place < len(original):
        changed |= original[place : place + 4] != damaged[place : place + 4]
        place += struct.unpack_from("<I", original, place + 4)[0]
    return changed


@settings(deadline=None, max_examples=400)
@given(seed=st.integers(0, 2**32))
def test_damaged_bytes_never_raise_anything_else(tmp_path_factory: pytest.TempPathFactory, seed: int) -> None:
    """Any bytes changed: records before the first damaged block are exact; only UsageError may come out."""
    room = tmp_path_factory.getbasetemp() / "flips"
    room.mkdir(exist_ok=True)
    (room / "whole").unlink(missing_ok=True)
    original, ends = capture_bytes(room)
    (section_end,) = struct.unpack_from("<I", original, 4)
    data = bytearray(original)
    chance = random.Random(seed)
    changed = [chance.randrange(len(data)) for _ in range(chance.choice([1, 1, 2, 8]))]
    for place in changed:
        data[place] ^= chance.choice([1 << chance.randrange(8), 0xFF])
    path = room / "damaged"
    path.write_bytes(data)
    try:
        capture = read_capture(path)
        found = list(capture.records())
    except UsageError:
        assert min(changed) < section_end  # only the section header decides what a file is
        return
    before = max(sum(end <= min(changed) for end in ends) - 1, 0)
    assert found[:before] == RECORDS[:before]
    assert len(found) <= len(RECORDS)
    assert len(found) == len(RECORDS) or capture.problem is not None or not_packets(original, data)


def test_a_damaged_inside_is_told_in_words(tmp_path: Path) -> None:
    """Lengths inside a block that point beyond it, and text that is none: the offset and what is wrong there."""
    data, ends = capture_bytes(tmp_path)
    block = ends[2]
    words = {
        (
            block + 20,
            struct.pack("<I", 9),
        ): f"offset {block}: a block that cannot be understood (Trying to read 9 bytes",
        (block + 8, struct.pack("<I", 3)): f"offset {block}: a packet of interface 3, which is not described",
        (ends[0] + 28, b"x"): f"offset {ends[0]}: an event that cannot be read: Expecting value",
        (ends[3] + 4, struct.pack("<I", 33)): "a block that says it is 33 bytes long; it can be 12 to",
        (28, b"\xff"): "offset 0: a block that cannot be understood ('utf-8' codec can't decode byte 0xff",
    }
    path = tmp_path / "damaged"
    for (place, new), text in words.items():
        path.write_bytes(data[:place] + new + data[place + len(new) :])
        assert text in str(read_capture(path).problem), text


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
