"""What the whole pipeline costs, from bytes to events, and whether a week of babble makes it grow.

Run: python tests/boots/speed_pipeline.py [DAYS]

Not collected by pytest (times depend on the machine). The measure to compare between machines is the ratio to
the least there is: getting the same pieces out of a pipe, one system call each.
"""

from __future__ import annotations

import gc
import itertools
import os
import random
import statistics
import sys
import time
import tracemalloc
from collections.abc import Callable, Iterator
from pathlib import Path

sys.path[:1] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[1])]

from live.speed_console import console_lines  # noqa: E402
from live.speed_console import table as rule_table  # noqa: E402
from support.pipelines import ANCHOR, MS, NS  # noqa: E402

from benchd.rules import Matcher, load_text  # noqa: E402
from benchd.rules.files import load_table  # noqa: E402
from benchd.vocabulary.records import Chunk, ClockMark, LinkInfo, ModemLines, Record  # noqa: E402
from benchd.vocabulary.times import byte_time_ns  # noqa: E402
from benchd.watch.pipeline import Pipeline  # noqa: E402

SPEED = 115_200
BYTE_NS = byte_time_ns(SPEED)
POST = LinkInfo("post", "post", "raw", speed=SPEED)
CONSOLE = LinkInfo("console", "console", "text", speed=SPEED)
BYTES = 60_000
ROUNDS = 5
TABLE = "demo-at286"


def make_pipeline() -> Pipeline:
    return Pipeline("bench", (POST, CONSOLE), Matcher(load_table(TABLE, Path("/"))), ANCHOR)


def boot_codes(count: int) -> bytes:
    """Codes of boots that finish, over and over: every stage is entered, every boot is closed."""
    one = bytes([0x01, 0x04, 0x07, 0x0B, 0x10, 0x11, 0x12, 0x13, 0x20, 0x28, 0x2C, 0x30, 0x40, 0x45, 0x48, 0x60, 0x6F])
    return (one * (count // len(one) + 1))[:count]


def steady_codes(count: int) -> bytes:
    """One start, then a machine that goes on within one stage: the cost of a code that changes nothing."""
    return b"\x01" + bytes(itertools.islice(itertools.cycle((0x10, 0x11, 0x12, 0x13)), count - 1))


def console_text(count: int) -> bytes:
    """Kernel-like lines of some 70 characters, none of which a rule knows."""
    rng = random.Random(1)
    lines = []
    size = 0
    while size < count:
        words = " ".join("".join(rng.choices("abcdefghijkl", k=rng.randint(3, 9))) for _ in range(9))
        lines.append(f"[{size / 11520:12.6f}] {words}\r\n")
        size += len(lines[-1])
    return "".join(lines).encode()[:count]


def records(link: str, data: bytes, size: int) -> list[Record]:
    """The bytes at line speed in pieces of `size`, with the marks of the daemon's ticks every 50 ms."""
    out: list[Record] = []
    next_mark = NS + 50 * MS
    for i in range(0, len(data), size):
        t_ns = NS + (i + size) * BYTE_NS
        while next_mark < t_ns - 50 * MS:
            out.append(ClockMark(next_mark))
            next_mark += 50 * MS
        out.append(Chunk(link, t_ns, data[i : i + size]))
    return out


def seconds(work: Callable[[], object]) -> float:
    gc.collect()
    start = time.process_time()
    work()
    return time.process_time() - start


def read_from_pipe(pieces: list[bytes]) -> None:
    """Get every piece out of a pipe: the cost of reading alone, as the reader does it. Writing is not counted."""
    for piece in pieces:
        os.read(READ_END, len(piece))


READ_END, WRITE_END = os.pipe()


def reading(data: bytes, size: int) -> float:
    """Seconds to read `data` in pieces of `size`, filled in beforehand in portions the pipe holds."""
    total = 0.0
    for begin in range(0, len(data), 32_768 // size * size):
        portion = data[begin : begin + 32_768 // size * size]
        os.write(WRITE_END, portion)
        pieces = [portion[i : i + size] for i in range(0, len(portion), size)]
        total += seconds(lambda pieces=pieces: read_from_pipe(pieces))  # type: ignore[misc]
    return total


def feed(rows: list[Record]) -> None:
    one = make_pipeline()
    for record in rows:
        one.feed(record)
    one.drain()


def text_byte_us(hit_every: int = 0, rules: int = 100, size: int = 184, count: int = 10_000) -> float:
    """What a byte of a console's lines costs (us), read `size` bytes at a time; each `hit_every`th line is a rule's."""
    data = b"".join(console_lines(count, hit_every))
    rows = [row for row in records("console", data, size) if isinstance(row, Chunk)]
    matcher = Matcher(load_text(rule_table(rules), "many.toml"))

    def work() -> None:
        one = Pipeline("bench", (CONSOLE,), matcher, ANCHOR)
        for record in rows:
            one.feed(record)
        one.drain()

    return min(seconds(work) for _ in range(ROUNDS)) / len(data) * 1e6


def raw_code_us(size: int = 16, count: int = 20_000) -> float:
    """What a POST code costs (us) of a machine that goes on within one stage, read `size` codes at a time."""
    rows = [row for row in records("post", steady_codes(count), size) if isinstance(row, Chunk)]
    matcher = Matcher(load_table(TABLE, Path("/")))

    def work() -> None:
        one = Pipeline("bench", (POST,), matcher, ANCHOR)
        for record in rows:
            one.feed(record)
        one.drain()

    return min(seconds(work) for _ in range(ROUNDS)) / count * 1e6


def costs() -> None:
    print(f"{'stream':>24} {'piece':>6} {'read':>8} {'pipeline':>8} {'ratio':>6} {'of a full line':>15}")
    streams = [
        ("codes, boots", "post", boot_codes(BYTES)),
        ("codes, one stage", "post", steady_codes(BYTES)),
        ("console text", "console", console_text(BYTES)),
    ]
    for title, link, data in streams:
        for size in (1, 16, 256):
            rows = records(link, data, size)
            read = statistics.median(reading(data, size) for _ in range(ROUNDS)) / len(data)
            cost = statistics.median(seconds(lambda rows=rows: feed(rows)) for _ in range(ROUNDS)) / len(data)  # type: ignore[misc]
            share = cost * 1e9 / BYTE_NS
            print(
                f"{title:>24} {size:>4} B {read * 1e6:>5.2f} us {cost * 1e6:>5.2f} us {cost / read:>6.1f} "
                f"{share:>14.1%}"
            )


def babble(days: float) -> Iterator[Record]:
    """A machine left to itself: codes and text of no sense, resets, power cycles, silences, some record every 3 s."""
    rng = random.Random(7)
    t_ns = NS
    lit = True
    while t_ns < days * 86_400 * NS:
        t_ns += rng.randrange(6000) * MS if rng.random() < 0.98 else rng.randrange(120_000) * MS
        dice = rng.random()
        if dice < 0.55:
            yield Chunk("post", t_ns, bytes(rng.choices(range(256), k=rng.randint(1, 4))))
        elif dice < 0.65:
            yield Chunk("post", t_ns, b"\x01\x04\x07")
        elif dice < 0.67:
            lit = not lit
            yield ModemLines("console", t_ns, True, lit, False, lit)
        elif dice < 0.69:
            yield Chunk("post", t_ns, boot_codes(17))
        else:
            yield Chunk("console", t_ns, rng.randbytes(rng.randint(1, 60)) + rng.choice((b"", b"\r\n", b"\r")))
        if rng.random() < 0.2:
            yield ClockMark(t_ns + 200 * MS)


def growth(days: float) -> None:
    """Memory held by the pipeline after each simulated day; the events are counted and let go."""
    tracemalloc.start()
    one = make_pipeline()
    gc.collect()
    before = tracemalloc.get_traced_memory()[0]
    day = events = 0
    held = []
    for taken, record in enumerate(babble(days), 1):
        events += len(one.feed(record))
        if record.t_ns >= (day + 1) * 86_400 * NS:
            day += 1
            gc.collect()
            held.append(tracemalloc.get_traced_memory()[0] - before)
            print(f"day {day}: {taken} records, {events} events, {held[-1] / 1024:.0f} KiB held")
    if len(held) > 1:
        print(f"from the first day to the last: {(held[-1] - held[0]) / 1024:+.0f} KiB")


def rows_of_one_link() -> None:
    print(f"a byte of text, no rule's: {text_byte_us():.3f} us; a hit in every tenth line: {text_byte_us(10):.3f} us")
    print(f"a raw code: {raw_code_us():.2f} us, one at a time {raw_code_us(1):.2f} us")


if __name__ == "__main__":
    rows_of_one_link()
    costs()
    growth(float(sys.argv[1]) if len(sys.argv) > 1 else 7.01)
