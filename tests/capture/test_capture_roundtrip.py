"""A capture gives back exactly the records that went in, in their order."""

from __future__ import annotations

import io
import itertools
import json
import tempfile
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pcapng import FileScanner, FileWriter, blocks

from benchd import __version__
from benchd.capture import MAX_PAYLOAD, CaptureWriter, read_capture
from benchd.capture.layout import link_comment
from benchd.errors import UsageError
from benchd.vocabulary.records import Annotation, Chunk, ClockMark, LineFault, LinkInfo, LinkState, ModemLines, Record

LINKS = [LinkInfo("post", "post", "raw", tick_s=1e-6, code_port=0x80), LinkInfo("console", "console", "text")]
WALL, MONO = 1_800_000_000_123_456_789, 5_000_000_000

times = st.integers(min_value=-(2**60), max_value=2**62)
names = st.sampled_from(["post", "console"])
texts = st.text(st.characters(), max_size=40)
records: st.SearchStrategy[Record] = st.one_of(
    st.builds(Chunk, names, times, st.binary(max_size=80)),
    st.builds(LinkState, texts, times, st.booleans(), texts, st.none() | st.integers(0, 10**7)),
    st.builds(ModemLines, texts, times, *[st.booleans()] * 4),
    st.builds(LineFault, texts, times, st.sampled_from(["break", "framing", "parity", "overrun"]), st.integers()),
    st.builds(ClockMark, times),
    st.builds(Annotation, times, texts, texts),
)
links = st.builds(
    LinkInfo,
    texts,
    st.sampled_from(["post", "console"]),
    texts,
    port=texts,
    speed=st.integers(0, 2**40),
    parity=st.sampled_from("NEOMS"),
    stop_bits=st.sampled_from([1, 1.5, 2]),
    latency_ns=st.integers(0, 2**60),
    paced=st.booleans(),
    code_port=st.none() | st.integers(0, 0xFFFF),
    pattern=st.none() | texts,
    tick_s=st.none() | st.floats(min_value=1e-9, max_value=10),
)
_numbers = itertools.count()


def write(path: Path, written: list[Record], **change: object) -> Path:
    settings = {"machine": "at286", "table": "t", "links": LINKS, "wall_ns": WALL, "mono_ns": MONO} | change
    with CaptureWriter(path, **settings) as writer:  # type: ignore[arg-type]
        for record in written:
            writer.write(record)
    return path


@pytest.fixture(scope="module")
def room() -> Path:
    with tempfile.TemporaryDirectory() as name:
        yield Path(name)


@settings(deadline=None, max_examples=150)
@given(st.lists(records, max_size=12))
def test_records_come_back_exactly(room: Path, written: list[Record]) -> None:
    """Every kind of record, any text (lone surrogates and NUL too), any order of times: the same values."""
    capture = read_capture(write(room / f"{next(_numbers)}", written))
    assert list(capture.records()) == written
    assert list(capture.records()) == written
    assert capture.problem is None


@settings(deadline=None, max_examples=60)
@given(st.lists(links, max_size=4, unique_by=lambda link: link.name), texts, texts, st.integers(0, 2**62), times)
def test_header_comes_back_exactly(
    room: Path, described: list[LinkInfo], machine: str, table: str, wall: int, mono: int
) -> None:
    """Machine, table, links with all settings and both clocks are read as written, records or none."""
    path = room / f"{next(_numbers)}"
    write(path, [], links=described, machine=machine, table=table, wall_ns=wall, mono_ns=mono)
    capture = read_capture(path)
    assert (capture.machine, capture.table, capture.links) == (machine, table, tuple(described))
    assert (capture.wall_ns, capture.mono_ns, capture.version) == (wall, mono, 1)
    assert capture.problem is None


def test_library_alone_reads_wall_times_and_bytes(tmp_path: Path) -> None:
    """The reference library, unextended, sees the bytes at wall = wall_ns + (t - mono_ns)."""
    path = write(tmp_path / "a", [Chunk("console", MONO + 7, b"640K OK"), Chunk("post", MONO + 9, b"\x7e")])
    found = []
    # Only the packets are asked for: the library warns on `if_tsresol`, whose type it does not name.
    with pytest.warns(DeprecationWarning):
        for block in FileScanner(io.BytesIO(path.read_bytes())):
            if isinstance(block, blocks.EnhancedPacket):
                stamp = (block.timestamp_high << 32) | block.timestamp_low
                found.append((block.interface_id, stamp, block.packet_data))
    assert found == [(1, WALL + 7, b"640K OK"), (0, WALL + 9, b"\x7e")]


def described(described: list[LinkInfo], about: str, endianness: str = "<") -> blocks.SectionHeader:
    """The same header, made by the library."""
    section = blocks.SectionHeader(
        endianness=endianness, options={"opt_comment": about, "shb_userappl": f"benchd {__version__}"}
    )
    for link in described:
        options = {"opt_comment": link_comment(link), "if_name": link.name, "if_tsresol": b"\x09"}
        section.new_member(blocks.InterfaceDescription, link_type=147, options={**options, "if_speed": link.speed})
    options = {"opt_comment": '{"role":"events"}', "if_name": "events", "if_tsresol": b"\x09"}
    section.new_member(blocks.InterfaceDescription, link_type=147, options=options)
    return section


def packet(section: blocks.SectionHeader, number: int, stamp: int, payload: bytes, **more: object) -> Any:
    return section.new_member(
        blocks.EnhancedPacket,
        interface_id=number,
        timestamp_high=stamp >> 32,
        timestamp_low=stamp & 0xFFFFFFFF,
        packet_data=payload,
        **more,
    )


plain = st.text(st.characters(exclude_categories=["Cs"]), max_size=40)


# The library warns on `if_tsresol`, whose type it does not name.
@pytest.mark.filterwarnings("ignore:Field type should not be:DeprecationWarning")
@settings(deadline=None, max_examples=150)
@given(
    st.lists(st.builds(LinkInfo, plain, st.just("post"), plain, port=plain, speed=st.integers(0, 2**63)), max_size=3,
             unique_by=lambda link: link.name),
    plain, plain, st.lists(st.tuples(st.integers(0, 2**60), st.binary(min_size=1, max_size=70)), max_size=4),
)  # fmt: skip
def test_a_capture_is_the_librarys_bytes(
    room: Path, links: list[LinkInfo], machine: str, table: str, payloads: list[tuple[int, bytes]]
) -> None:
    """Header, interfaces and packets are byte for byte what the reference library writes of the same values."""
    path = room / f"{next(_numbers)}"
    chunks = [Chunk(links[0].name, t, data) for t, data in payloads] if links else []
    write(path, chunks, links=links, machine=machine, table=table, wall_ns=7, mono_ns=7)
    about = {"benchd-capture": 1, "machine": machine, "table": table, "links": len(links), "wall_ns": 7, "mono_ns": 7}
    section = described(links, json.dumps(about, separators=(",", ":")))
    out = io.BytesIO()
    writer = FileWriter(out, section)
    for chunk in chunks:
        writer.write_block(packet(section, 0, chunk.t_ns, chunk.data))
    assert out.getvalue() == path.read_bytes()


@pytest.mark.filterwarnings("ignore:Field type should not be:DeprecationWarning")
@pytest.mark.parametrize("endianness", ["<", ">"])
def test_what_the_library_writes_is_read(tmp_path: Path, endianness: str) -> None:
    """Either byte order, options on packets, and blocks of other types between them: skipped, nothing complained of."""
    about = {"benchd-capture": 1, "machine": "m", "table": "t", "links": 2, "wall_ns": WALL, "mono_ns": MONO}
    section = described(LINKS, json.dumps(about), endianness)
    out = io.BytesIO()
    writer = FileWriter(out, section)
    note = b'{"kind":"note","key":"trial","value":"T1"}'
    options = {"opt_comment": "seen", "epb_dropcount": 3, "epb_queue": 1}
    for number, data in ((1, b"640K OK"), (2, note), (0, b"\x7e")):
        writer.write_block(packet(section, number, WALL + number, data, options=options))
        writer.write_block(section.new_member(blocks.InterfaceStatistics, interface_id=number))
    path = tmp_path / "other"
    path.write_bytes(out.getvalue())
    capture = read_capture(path)
    assert list(capture.records()) == [
        Chunk("console", MONO + 1, b"640K OK"),
        Annotation(MONO + 2, "trial", "T1"),
        Chunk("post", MONO, b"\x7e"),
    ]
    assert capture.problem is None and capture.links == tuple(LINKS)


def test_reading_on_from_a_record(tmp_path: Path) -> None:
    """`placed` tells where each record's block is; from any of these offsets on the rest is read."""
    records: list[Record] = [Chunk("post", MONO + n, bytes([n])) for n in range(5)] + [ClockMark(MONO + 9)]
    capture = read_capture(write(tmp_path / "a", records))
    placed = list(capture.placed())
    assert [record for _, record in placed] == records
    for number, (offset, _) in enumerate(placed):
        assert list(capture.placed(offset)) == placed[number:]
    assert list(capture.placed(capture.path.stat().st_size)) == [] and capture.problem is None


def test_size_and_synced_tell_the_file(tmp_path: Path) -> None:
    """`size` is the file's length after every write, `synced` what the last sync covered."""
    path = tmp_path / "a"
    writer = CaptureWriter(path, machine="m", table="t", links=LINKS, wall_ns=WALL, mono_ns=MONO)
    assert writer.size == writer.synced == path.stat().st_size > 0
    before = writer.size
    writer.write(Chunk("post", MONO, b"\x01"))
    assert (writer.size, writer.synced) == (path.stat().st_size, before)
    writer.sync()
    assert writer.synced == writer.size
    writer.close()
    writer.close()


def test_wrong_use_is_told(tmp_path: Path) -> None:
    """Unknown link, too long a record, a file that exists, twin links, a time outside: named, not written."""
    path = tmp_path / "a"
    with CaptureWriter(path, machine="m", table="t", links=LINKS, wall_ns=WALL, mono_ns=MONO) as writer:
        size = writer.size
        with pytest.raises(UsageError, match=r"no link 'post9'.*console.*post"):
            writer.write(Chunk("post9", MONO, b"1"))
        with pytest.raises(UsageError, match=rf"{MAX_PAYLOAD + 1} bytes; at most {MAX_PAYLOAD}"):
            writer.write(Chunk("post", MONO, bytes(MAX_PAYLOAD + 1)))
        with pytest.raises(UsageError, match="does not fit"):
            writer.write(ClockMark(MONO - WALL - 1))
        assert writer.size == path.stat().st_size == size
        writer.write(Chunk("post", MONO, bytes(MAX_PAYLOAD)))
    with pytest.raises(UsageError, match="exists already"):
        write(path, [])
    assert len(list(read_capture(path).records())) == 1
    with pytest.raises(UsageError, match="share a name"):
        write(tmp_path / "b", [], links=[LINKS[0], LINKS[0]])
    with pytest.raises(UsageError, match="65535"):
        write(tmp_path / "c", [], machine="m" * 70_000)
    assert not (tmp_path / "c").exists()
