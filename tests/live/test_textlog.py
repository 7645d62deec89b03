"""Text that a terminal program saved becomes boots: real stamps of `ts`, real timing files of `script`, and damage."""

from __future__ import annotations

import itertools
import os
import shlex
import subprocess
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from support.story import TABLE

from benchd.errors import UsageError
from benchd.vocabulary.models import Boot
from benchd.vocabulary.records import Chunk
from benchd.watch.textlog import TextLog, read_text_log

BOOT = ("Testing memory", "storage rom ready", "Starting")
STARTS = TABLE.replace('starts = [{ code = "01" }]', 'starts = [{ text = "Testing memory" }]')
SAY = f"printf '{BOOT[0]}\\n'; sleep 0.3; printf '{BOOT[1]}\\n'; sleep 0.2; printf '{BOOT[2]}\\n'"


def boot_of(log: TextLog) -> Boot:
    (boot,) = log.boots(STARTS, "story.toml")
    return boot


def saved(path: Path, lines: Sequence[str], end: str = "\n", encoding: str = "utf-8") -> Path:
    path.write_bytes("".join(line + end for line in lines).encode(encoding))
    return path


def texts(log: TextLog) -> list[bytes]:
    return [record.data for record in log.records if isinstance(record, Chunk)]


def seconds(log: TextLog) -> list[float]:
    """When each line came, from the first on."""
    times = [record.t_ns for record in log.records if isinstance(record, Chunk)]
    return [(t - times[0]) / 1e9 for t in times]


def _said(stamp: str) -> float:
    """A stamp as seconds of some day, by its last colons alone."""
    clock = stamp.rpartition("T")[2].partition("+")[0].split(":")
    return sum(float(part) * 60**n for n, part in enumerate(reversed(clock)))


@pytest.mark.peer("ts")
@pytest.mark.parametrize(
    ("words", "times", "u_s"),
    [
        ("", "auto", 0.502),
        ("-s", "auto", 0.502),
        ("%.s", "auto", 0.0021),
        ("-s %.s", "auto", 0.0021),
        ("-i %.s", "since-last", 0.0021),
        ("-i", "since-last", 1.502),
        ("%Y-%m-%dT%H:%M:%.S%z", "auto", 0.0021),
        ("%H:%M:%.S", "auto", 0.0021),
    ],
)
def test_stamps_of_ts(words: str, times: str, u_s: float, tmp_path: Path) -> None:
    """Each form that `ts` writes: the text without stamps, the boot, and times that hold within what is told."""
    path = tmp_path / "log.txt"
    before = datetime.now().astimezone()
    command = f"({SAY}) | ts {' '.join(map(shlex.quote, words.split()))}"
    path.write_bytes(subprocess.run(command, shell=True, capture_output=True, check=True).stdout)
    log = read_text_log(path, times=times)
    assert texts(log) == [f"{line}\n".encode() for line in BOOT] and log.problems == []
    assert log.link.latency_ns / 1e9 == pytest.approx(u_s, abs=1e-4)
    boot = boot_of(log)
    assert (boot.outcome, [stage.name for stage in boot.stages]) == ("finished", ["memory", "storage-rom", "hand-over"])
    here, raw = seconds(log), [line.split()[0] for line in path.read_text().splitlines()]
    assert here == sorted(here)
    if ".s" in words.lower():  # what the stamps say, read in another way; how fast this computer is does not matter
        said = list(itertools.accumulate(map(float, raw))) if "-i" in words else [_said(stamp) for stamp in raw]
        assert here == pytest.approx([t - said[0] for t in said], abs=1e-5)
    if "T%H" in words or words in ("", "%.s"):
        assert abs((datetime.fromisoformat(boot.started) - before).total_seconds()) < 60


@pytest.mark.peer("script")
@pytest.mark.parametrize("form", ["classic", "advanced"])
def test_timing_files_of_script(form: str, tmp_path: Path) -> None:
    """What `script` wrote beside its log: bytes in pieces as they came, without its own head and tail."""
    log, timing = tmp_path / "s.log", tmp_path / "s.tm"
    subprocess.run(
        ["script", "-q", "-m", form, "-O", log, "--log-timing", timing, "-c", SAY],
        check=True, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
    )  # fmt: skip
    assert b"Script started" in log.read_bytes()
    read = read_text_log(log, timing=timing)
    assert b"".join(texts(read)) == "".join(f"{line}\r\n" for line in BOOT).encode() and read.problems == []
    boot = boot_of(read)
    assert boot.outcome == "finished" and len(boot.stages) == 3
    delays = [line.split() for line in timing.read_text().splitlines() if line[0] not in "HIS"]
    said = list(itertools.accumulate(float(words[-2]) for words in delays))
    assert seconds(read) == pytest.approx([t - said[0] for t in said], abs=1e-5)
    assert boot.stages[2].t == pytest.approx(said[-1] - said[0], abs=0.05) and boot.stages[1].u < 0.05
    assert abs(datetime.fromisoformat(boot.started).timestamp() - log.stat().st_mtime) < 60


def test_without_stamps_only_the_order_is_known(tmp_path: Path) -> None:
    """Time goes on by the line's speed, and every time is as unsure as the file is long."""
    log = read_text_log(saved(tmp_path / "a.txt", BOOT), speed=300)
    whole_s = sum(len(line) + 1 for line in BOOT) * 10 / 300
    assert "the file has none; the order is sure" in log.remark
    assert log.link.latency_ns / 1e9 == pytest.approx(whole_s + 0.002)
    boot = boot_of(log)
    assert [stage.name for stage in boot.stages] == ["memory", "storage-rom", "hand-over"]
    assert all(stage.u >= whole_s for stage in boot.stages)


@pytest.mark.parametrize("kind", ["epoch", "iso", "clock", "seconds", "bracketed"])
def test_windows_line_ends_gaps_and_code_pages(kind: str, tmp_path: Path) -> None:
    """A carriage return before the line end, lines without a stamp, empty ones; text in UTF-8 and in CP437."""
    stamps = {
        "epoch": ("1700000000.5", "1700000002.5", "1700000003.5"),
        "iso": ("2026-03-01T20:15:00.5+01:00", "2026-03-01T20:15:02.5+01:00", "2026-03-01T20:15:03.5+01:00"),
        "clock": ("20:15:00.5", "20:15:02.5", "20:15:03.5"),
        "seconds": ("0.5", "2.5", "3.5"),
        "bracketed": ("[2026-03-01 20:15:00,5]", "[2026-03-01 20:15:02,5]", "[2026-03-01 20:15:03,5]"),
    }[kind]
    lines = [f"{stamp} {text}" for stamp, text in zip(stamps, BOOT, strict=True)]
    log = read_text_log(saved(tmp_path / "a.txt", lines, end="\r\n"))
    assert texts(log) == [f"{line}\r\n".encode() for line in BOOT]
    assert seconds(log) == pytest.approx([0, 2, 3]) and log.link.latency_ns == 52_000_000
    odd = [*(f"{stamps[0]} line {n}" for n in range(20)), "", "a line that was torn", f"{stamps[1]} "]
    log = read_text_log(saved(tmp_path / "b.txt", odd))
    assert log.problems == [f"{tmp_path / 'b.txt'}:22: no stamp; taken for the time of the line before"]
    assert seconds(log)[-3:] == pytest.approx([0, 0, 2]) and texts(log)[-1] == b"\n"
    for encoding in ("utf-8", "cp437"):
        log = read_text_log(saved(tmp_path / "c.txt", [f"{stamps[0]} Größe: 640"], encoding=encoding))
        assert log.link.encoding == encoding
        assert texts(log) == ["Größe: 640\n".encode(encoding)]


def test_midnight_new_year_and_a_clock_that_was_set(tmp_path: Path) -> None:
    """A day change goes on; a stamp that steps back a little is told with its line, and time stands."""
    log = read_text_log(saved(tmp_path / "a.txt", ["23:59:58 a", "23:59:59 b", "00:00:01 c"]))
    assert seconds(log) == [0, 1, 3] and log.problems == []
    path = saved(tmp_path / "b.txt", ["Dec 31 23:59:58 a", "Jan  1 00:00:01 b"])
    new_year = datetime(2026, 1, 1, 0, 0, 5).timestamp()
    os.utime(path, (new_year, new_year))
    log = read_text_log(path)
    assert seconds(log) == [0, 3] and log.problems == []
    first = next(record.t_ns for record in log.records if isinstance(record, Chunk))
    assert log.anchor.wall(first).astimezone().year == 2025
    log = read_text_log(saved(tmp_path / "c.txt", ["20:15:10 a", "20:15:05 b", "20:15:06 c"]))
    assert seconds(log) == [0, 0, 1]
    assert log.problems == [
        f"{tmp_path / 'c.txt'}:2: the stamp steps back; taken for a clock that was set, time goes on from there"
    ]


@pytest.mark.parametrize(
    ("written", "lines", "first"),
    [
        ("2026-03-07T21:00:00", ["20:15:03 a", "20:15:09 b"], "2026-03-07T20:15:03"),
        ("2026-03-07T07:53:45", ["20:15:03 a", "20:15:09 b"], "2026-03-06T20:15:03"),
        ("2026-03-07T20:15:05", ["20:15:03.2 a", "20:15:09 b"], "2026-03-07T20:15:03.200"),  # clocks differ a little
        ("2026-03-07T08:00:00", ["23:59:58 a", "00:00:01 b"], "2026-03-06T23:59:58"),
        ("2026-03-06T23:58:00", ["23:59:58 a", "00:00:01 b"], "2026-03-06T23:59:58"),
        ("2026-07-01T12:00:00", ["[20:15:03] a", "[20:15:09] b"], "2026-06-30T20:15:03"),
    ],
)
def test_a_time_of_day_stays_what_it_says(written: str, lines: list[str], first: str, tmp_path: Path) -> None:
    """Stamps of the time of day are that, on the day that the file's own date leaves; the remark says which."""
    path = saved(tmp_path / "a.txt", lines)
    at = datetime.fromisoformat(written).timestamp()
    os.utime(path, (at, at))
    log = read_text_log(path)
    u = timedelta(microseconds=log.link.latency_ns / 1000)
    began = next(record.t_ns for record in log.records if isinstance(record, Chunk))
    here = log.anchor.wall(began).astimezone().replace(tzinfo=None)
    assert abs(here - datetime.fromisoformat(first)) <= u
    assert first[:10] in log.remark


def test_a_clock_since_a_start_is_dated_by_the_file(tmp_path: Path) -> None:
    """`ts -s` begins at 00:00:00: the last line came when the file was written."""
    path = saved(tmp_path / "a.txt", ["00:00:00 a", "00:00:06 b"])
    os.utime(path, (1_750_000_000, 1_750_000_000))
    log = read_text_log(path)
    last = [record.t_ns for record in log.records if isinstance(record, Chunk)][-1]
    assert abs(log.anchor.wall(last).timestamp() - 1_750_000_000) <= 1


def test_what_the_machine_itself_stamps_is_no_recorder_s(tmp_path: Path) -> None:
    """A kernel's seconds in brackets stay text, unless they are asked for."""
    lines = [f"[    {n}.000000] driver {n}" for n in range(3)]
    log = read_text_log(saved(tmp_path / "a.txt", lines))
    assert texts(log)[0] == b"[    0.000000] driver 0\n" and "the file has none" in log.remark


@pytest.mark.parametrize(
    ("lines", "times", "says"),
    [
        (["20:15:00 a", "25:61:00 b"], "clock", r"a\.txt:2: .*no such time: there is no such time of day"),
        (["2026-03-01 20:15:00 a", "2026-13-45 20:15:00 b"], "auto", r"a\.txt:2: .*no such time"),
        (["Mar  1 20:15:00 a", "Mrz  1 20:15:00 b"], "date", r"a\.txt:2: .*there is no such month"),
        (["hello", "there"], "epoch", r"a\.txt:1: no line begins with a stamp of kind 'epoch'"),
        (["hello"], "yearly", "--times yearly: give one of auto, none, iso"),
    ],
)
def test_wrong_stamps_name_file_and_line(lines: list[str], times: str, says: str, tmp_path: Path) -> None:
    """Whoever has to mend it finds the place."""
    with pytest.raises(UsageError, match=says):
        read_text_log(saved(tmp_path / "a.txt", lines), times=times)


def test_wrong_timing_files_name_file_and_line(tmp_path: Path) -> None:
    """A line that is none, a count that is none, a log that is shorter than it is said to be, no output at all."""
    log = saved(tmp_path / "a.txt", BOOT)
    for lines, says in (
        (["0.1 5", "hello"], r"t\.tm:2: 'hello' is no line of a timing file"),
        (["O 0.1 x"], r"t\.tm:1: 'x' is no number of bytes"),
        (["H 0.0 SHELL sh"], "no output is timed"),
    ):
        with pytest.raises(UsageError, match=says):
            read_text_log(log, timing=saved(tmp_path / "t.tm", lines))
    short = read_text_log(log, timing=saved(tmp_path / "t.tm", ["0.5 15", "0.5 999"]))
    assert texts(short) == [b"Testing memory\n"] and "t.tm:2: 999 bytes are said to follow" in short.problems[0]


def test_any_bytes_are_read_or_refused(tmp_path: Path) -> None:
    """Stamps cut anywhere, and what looks like one: no error but ours, and no byte of the text is lost."""
    data = b"".join(b"1700000000.%d line \xff %d\r\n" % (n, n) for n in range(8))
    for end in range(0, len(data), 3):
        (tmp_path / "a.txt").write_bytes(data[:end])
        log = read_text_log(tmp_path / "a.txt")
        stamped = "epoch" in log.remark
        assert b"".join(texts(log)).count(b"line") == data[:end].count(b"line")
        assert stamped or b"".join(texts(log)) == data[:end]
    for kind in itertools.islice(("iso", "date", "clock", "seconds"), 4):
        with pytest.raises(UsageError):
            read_text_log(saved(tmp_path / "b.txt", ["\0\xff", "99:99:99 x", "Foo 99 99:99:99 x"]), times=kind)
