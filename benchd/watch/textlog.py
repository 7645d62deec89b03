"""Text that a terminal program saved, as records of a console link: with stamps, with a timing file, or with neither.

Times say how sure they are by the link's latency: half of what a stamp leaves open, and 2 ms for the program that wrote
it. Without stamps only the order is known, and time goes on by the line's speed.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from benchd.capture.blocks import SECTION_MAGIC
from benchd.errors import UsageError
from benchd.files import read_bytes
from benchd.rules import Matcher, load_text
from benchd.vocabulary.models import Boot
from benchd.vocabulary.records import Annotation, Chunk, LinkInfo, LinkState, Record
from benchd.vocabulary.times import NS, Anchor, byte_time_ns
from benchd.watch.pipeline import Pipeline
from benchd.watch.replay import last_records
from benchd.watch.stamps import ABSOLUTE, DAY_NS, KINDS, Stamp, find_kind, read_stamp

TIMES = ("auto", "none", *KINDS, "since-last")
LATENCY_NS = 2_000_000
"""How late a program may stamp what came, besides what its stamps leave open."""
LINK = "console"
MOST_TOLD = 5
EARLIEST_NS, LATEST_NS = (
    round(datetime(year, month, 1, tzinfo=UTC).timestamp()) * NS for year, month in ((2, 1), (9998, 12))
)
"""Wall times that can be written with any zone."""
YEAR_NS = 365 * DAY_NS
SINCE_START_NS = 60 * NS
"""A clock that begins before this counts from a start; else it is the time of day."""
CLOCKS_APART_NS = 300 * NS
"""By so much the clock that stamped may be before the one that dated the file."""
_TIMING = re.compile(r"(?:([OIHS]) )?(\d{1,9}(?:\.\d{1,9})?) (.*)")
_STARTED = re.compile(rb"Script started on (\d{4}-\d\d-\d\d \d\d:\d\d:\d\d[+-]\d\d:\d\d)")


@dataclass(slots=True)
class TextLog:
    """Records of one console link, when they were by the clock on the wall, how sure that is, and what was odd."""

    records: list[Record]
    link: LinkInfo
    anchor: Anchor
    remark: str
    problems: list[str] = field(default_factory=list)

    def boots(self, table: str, file: str, machine: str = "text") -> list[Boot]:
        """Return the boots in it by the table whose text this is. Raises FileProblems for a wrong table."""
        pipeline = Pipeline(machine, (self.link,), Matcher(load_text(table, file)), self.anchor)
        events = [event for record in self.records for event in pipeline.feed(record)]
        return last_records([*events, *pipeline.drain()])


def read_text_log(path: Path, *, times: str = "auto", timing: Path | None = None, speed: int = 9600) -> TextLog:
    """Read a saved log. `times` is one of TIMES, `timing` the timing file of `script` of util-linux, `speed` in bit/s.

    Raises UsageError with file and line for what is not as it was said to be, ExternalError where reading fails.
    """
    data = read_bytes(path, missing=UsageError)
    if data.startswith(SECTION_MAGIC):
        raise UsageError(f"{path} is a capture, not text: leave out --text")
    data = data.removeprefix(b"\xef\xbb\xbf")
    if not 0 < speed <= 4_000_000:
        raise UsageError(f"--speed {speed}: give the line's speed in bit/s, such as 9600")
    if times not in TIMES:
        raise UsageError(f"--times {times}: give one of {', '.join(TIMES)}")
    try:
        encoding = "cp437" if data.isascii() or not data.decode("utf-8") else "utf-8"
    except UnicodeDecodeError:
        encoding = "cp437"
    info = LinkInfo(LINK, LINK, "text", speed=speed, encoding=encoding)  # type: ignore[arg-type]
    if timing is not None:
        return _timed(path, data, timing, info)
    lines = re.findall(rb"[^\n]*\n|[^\n]+\Z", data)
    kind = find_kind(lines) if times == "auto" else None if times == "none" else times
    return _stamped(path, lines, kind, info) if kind else _by_speed(path, lines, info)


def _finished(records: list[Record], info: LinkInfo, wall_ns: int, remark: str, problems: list[str]) -> TextLog:
    first = records[0].t_ns if records else 0
    last = records[-1].t_ns if records else 0
    for t_ns in (wall_ns + first, wall_ns + last):
        if not EARLIEST_NS <= t_ns <= LATEST_NS:
            raise UsageError("the stamps lead to a time before the year 2 or after 9998; give another --times")
    whole = [LinkState(LINK, first, True, "saved text"), *records, Annotation(last, "end", "the text ends")]
    return TextLog(whole, info, Anchor(wall_ns, 0), remark, problems)


def _by_speed(path: Path, lines: list[bytes], info: LinkInfo) -> TextLog:
    byte_ns = byte_time_ns(info.speed)
    t_ns, records = 0, []
    for line in lines:
        t_ns += len(line) * byte_ns
        records.append(Chunk(LINK, t_ns, line))
    remark = f"times: the file has none; the order is sure, times go by a line of {info.speed} bit/s"
    wall_ns = os.stat(path).st_mtime_ns - t_ns
    return _finished([*records], replace(info, latency_ns=t_ns + LATENCY_NS), wall_ns, remark, [])


def _stamped(path: Path, lines: list[bytes], times: str, info: LinkInfo) -> TextLog:
    written_ns = os.stat(path).st_mtime_ns
    for back in (0, 1):  # a date without a year is of the one in which the file was written, or of the one before
        problems = _Problems(path)
        reader = _Stamps(path, times, problems, datetime.fromtimestamp(written_ns / NS).year - back)
        found = [reader.read(number, line) for number, line in enumerate(lines, 1)]
        if reader.kind != "date" or reader.last_ns < written_ns + DAY_NS:
            break
    if not reader.seen:
        raise UsageError(f"{path}:1: no line begins with a stamp of kind {times!r}; give another --times")
    res_ns = reader.res_ns * (reader.seen if times == "since-last" else 1)
    first = next(t_ns for t_ns, _ in found if t_ns is not None)
    t_ns, records = first, []
    for stamp_ns, rest in found:
        t_ns = t_ns if stamp_ns is None else stamp_ns
        records.append(Chunk(LINK, t_ns + res_ns // 2, rest))
    u_ns = res_ns // 2 + LATENCY_NS
    remark = f"times: stamps of kind {reader.kind}, true to {_span(u_ns)}"
    absolute = reader.kind in ABSOLUTE and times != "since-last"
    wall_ns = 0 if absolute else written_ns - t_ns
    if reader.kind == "clock" and first >= SINCE_START_NS:
        wall_ns = _midnight(first, t_ns, written_ns)
        day = datetime.fromtimestamp((wall_ns + first) / NS)
        remark += f"; of the day they say nothing: {day:%Y-%m-%d}, by the file's own date"
    return _finished([*records], replace(info, latency_ns=u_ns), wall_ns, remark, problems.told())


def _midnight(first_ns: int, last_ns: int, written_ns: int) -> int:
    """Return the wall time from which times of day count: on the last day on which they do not follow the file's own.

    `first_ns` and `last_ns` are the first stamp and the last, the days between them counted.
    """
    day = datetime.fromtimestamp((written_ns + CLOCKS_APART_NS) / NS).replace(hour=0, minute=0, second=0, microsecond=0)
    begins = day - timedelta(days=last_ns // DAY_NS)
    for back in (0, 1):
        begins -= timedelta(days=back)
        wall_ns = round((begins + timedelta(seconds=first_ns / NS)).timestamp() * NS) - first_ns
        if wall_ns + last_ns <= written_ns + CLOCKS_APART_NS:
            break
    return wall_ns


def _span(ns: int) -> str:
    return f"{ns / NS:.3g} s" if ns >= NS else f"{ns / 1e6:.3g} ms"


class _Problems:
    """What was odd, with file and line; of each sort so many that a person reads them."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._found: dict[str, list[int]] = {}

    def add(self, number: int, what: str) -> None:
        self._found.setdefault(what, []).append(number)

    def told(self) -> list[str]:
        out = []
        for what, numbers in self._found.items():
            out += [f"{self._path}:{number}: {what}" for number in numbers[:MOST_TOLD]]
            if len(numbers) > MOST_TOLD:
                out.append(f"{self._path}: {what}: {len(numbers) - MOST_TOLD:,} lines more")
        return out


class _Stamps:
    """Reads the stamps of a file one after another; time never goes back."""

    def __init__(self, path: Path, times: str, problems: _Problems, year: int) -> None:
        self._path, self._problems = path, problems
        self._since_last = times == "since-last"
        self.kind = times
        self.res_ns = 1
        self.seen = 0
        self._year = year
        self.last_ns = self._shift_ns = 0

    def read(self, number: int, line: bytes) -> tuple[int | None, bytes]:
        """Return the time of a line (None: that of the line before) and the line without its stamp."""
        try:
            stamp = self._stamp(line)
        except (ValueError, OverflowError) as error:
            raise UsageError(f"{self._path}:{number}: {line[:40]!r}: no such time: {error}") from None
        if stamp is None:
            if line.strip():
                self._problems.add(number, "no stamp; taken for the time of the line before")
            return None, line
        t_ns = self._goes_on(number, stamp)
        self.seen += 1
        self.res_ns = max(self.res_ns, stamp.res_ns)
        self.last_ns = t_ns
        return t_ns, line[stamp.length :]

    def _stamp(self, line: bytes) -> Stamp | None:
        if not self._since_last:
            return read_stamp(self.kind, line, self._year)
        for kind in ("clock", "seconds"):
            if (stamp := read_stamp(kind, line, self._year)) is not None:
                return stamp
        return None

    def _goes_on(self, number: int, stamp: Stamp) -> int:
        if self._since_last:
            return self.last_ns + stamp.t_ns
        t_ns = stamp.t_ns + self._shift_ns
        back_ns = self.last_ns - t_ns
        if not self.seen or back_ns <= 0:
            return t_ns
        period = {"clock": DAY_NS, "date": YEAR_NS}.get(self.kind)
        if period is not None and back_ns > period // 2:  # midnight, or New Year
            days = DAY_NS if self.kind == "clock" else self._new_year(t_ns)
            self._shift_ns += days
            return t_ns + days
        self._problems.add(number, "the stamp steps back; taken for a clock that was set, time goes on from there")
        self._shift_ns += back_ns
        return self.last_ns

    def _new_year(self, t_ns: int) -> int:
        """Return the length of the year that a date of the next one seems to be in, in ns."""
        year = datetime.fromtimestamp(t_ns / NS).year
        return round((datetime(year + 1, 1, 1) - datetime(year, 1, 1)).total_seconds()) * NS


def _timed(path: Path, data: bytes, timing: Path, info: LinkInfo) -> TextLog:
    header = _STARTED.match(data)
    rest = data[data.index(b"\n") + 1 :] if header and b"\n" in data else data
    wall_ns = None if header is None else _wall_ns(header[1].decode())
    t_ns = at = 0
    records: list[Record] = []
    problems: list[str] = []
    res_ns = NS
    for number, what, delay, more in _timing_lines(timing):
        t_ns += round(float(delay) * NS)
        res_ns = min(res_ns, NS // 10 ** len(delay.partition(".")[2]))
        if what == "H" and more.startswith("START_TIME "):
            wall_ns = _wall_ns(more.partition(" ")[2]) or wall_ns
        if what not in ("", "O"):
            continue
        if not more.isdecimal():
            raise UsageError(f"{timing}:{number}: {more[:40]!r} is no number of bytes")
        size = int(more)
        if at + size > len(rest):
            problems.append(f"{timing}:{number}: {size} bytes are said to follow, {path} has {len(rest) - at} more")
            break
        records.append(Chunk(LINK, t_ns, rest[at : at + size]))
        at += size
    if not records:
        raise UsageError(f"{timing}:1: no output is timed in it; name the file that `script --log-timing` wrote")
    u_ns = res_ns // 2 + LATENCY_NS
    wall = os.stat(path).st_mtime_ns - t_ns if wall_ns is None else wall_ns
    remark = f"times: by the timing file {timing}, true to {_span(u_ns)}"
    return _finished(records, replace(info, latency_ns=u_ns), wall, remark, problems)


def _timing_lines(timing: Path) -> Iterator[tuple[int, str, str, str]]:
    text = read_bytes(timing, missing=UsageError).decode("utf-8", "replace")
    for number, line in enumerate(text.splitlines(), 1):
        found = _TIMING.fullmatch(line.rstrip())
        if found is None:
            raise UsageError(
                f"{timing}:{number}: {line[:40]!r} is no line of a timing file: a delay (s), then a number of bytes"
            )
        yield number, found[1] or "", found[2], found[3]


def _wall_ns(text: str) -> int | None:
    try:
        return round(datetime.fromisoformat(text).astimezone(UTC).timestamp() * NS)
    except ValueError:
        return None
