"""The captures are what the pcapng draft says: programs written elsewhere read and rewrite them."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from benchd.capture import CaptureWriter, read_capture
from benchd.vocabulary.records import Annotation, Chunk, ClockMark, LinkInfo, LinkState, ModemLines, Record

LINKS = [LinkInfo("post", "post", "raw", speed=115_200), LinkInfo("console", "console", "text")]
WALL, MONO = 1_783_000_000_000_000_001, 42_000_000_000
RECORDS: list[Record] = [
    LinkState("post", MONO, True, "opened", 115_200),
    Chunk("post", MONO + 1_500_000_001, b"\x01\x7e"),
    Chunk("console", MONO + 1_500_000_002, b"640K OK\r\n"),
    ModemLines("post", MONO + 2_000_000_000, False, True, False, True),
    Annotation(MONO + 2_000_000_001, "trial", "T1"),
    ClockMark(MONO + 60_000_000_000),
]


@pytest.fixture
def capture(tmp_path: Path) -> Path:
    path = tmp_path / "boot.pcapng"
    with CaptureWriter(path, machine="at286", table="t", links=LINKS, wall_ns=WALL, mono_ns=MONO) as writer:
        for record in RECORDS:
            writer.write(record)
    return path


def run(*args: str) -> str:
    done = subprocess.run(args, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.mark.peer("tshark")
def test_tshark_shows_interface_true_time_and_bytes(capture: Path) -> None:
    """tshark names each packet's interface, its wall time to the nanosecond, link type 147 and its bytes."""
    fields = ["frame.interface_name", "frame.time_epoch", "frame.encap_type", "data.data"]
    args = [part for name in fields for part in ("-e", name)]
    rows = [line.split("\t") for line in run("tshark", "-r", str(capture), "-T", "fields", *args).splitlines()]
    assert [row[0] for row in rows] == ["events", "post", "console", "events", "events", "events"]
    for row, record in zip(rows, RECORDS, strict=True):
        seconds, fraction = row[1].split(".")
        assert int(seconds) * 10**9 + int(fraction) == WALL + record.t_ns - MONO
        assert row[2] == "45"  # the peer's own number for USER 0
    assert rows[1][3] == "017e"
    assert bytes.fromhex(rows[2][3]) == b"640K OK\r\n"
    assert bytes.fromhex(rows[4][3]) == b'{"kind":"note","key":"trial","value":"T1"}'


@pytest.mark.peer("tshark")
def test_tshark_opens_a_capture_cut_in_mid_block(capture: Path) -> None:
    """After a kill the peer, too, shows all whole packets (it then complains, which is its right)."""
    data = capture.read_bytes()
    cut = capture.with_name("cut.pcapng")
    cut.write_bytes(data[:-5])
    done = subprocess.run(
        ["tshark", "-r", str(cut), "-T", "fields", "-e", "frame.number"],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.stdout.split() == ["1", "2", "3", "4", "5"]
    assert list(read_capture(cut).records()) == RECORDS[:-1]


@pytest.mark.peer("tshark")
def test_capture_rewritten_by_editcap_reads_the_same(capture: Path, tmp_path: Path) -> None:
    """A peer that parses the file and writes it anew keeps every record and the whole header."""
    rewritten = tmp_path / "rewritten.pcapng"
    run("editcap", "-F", "pcapng", str(capture), str(rewritten))
    first, second = read_capture(capture), read_capture(rewritten)
    assert list(second.records()) == RECORDS
    assert second.problem is None
    assert (second.machine, second.links, second.mono_ns) == (first.machine, first.links, first.mono_ns)


@pytest.mark.peer("tshark")
def test_capinfos_counts_and_times(capture: Path) -> None:
    """capinfos (of the same package) sees three interfaces in nanoseconds, the line speed, and all packets."""
    report = run("capinfos", str(capture))
    assert "Number of packets:   6" in report
    assert "Number of interfaces in file: 3" in report
    assert report.count("Time precision = nanoseconds (9)") == 3
    assert "Speed = 115200" in report
