"""What a capture costs: writing against a plain file, reading, memory.

Run: python tests/capture/speed_capture.py [DIRECTORY]

Not collected by pytest (times depend on the machine). Prints medians of several rounds.
"""

from __future__ import annotations

import os
import statistics
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

from benchd.capture import CaptureWriter, read_capture
from benchd.vocabulary.records import Chunk, LinkInfo

RECORDS = 20_000
ROUNDS = 5
LINKS = [LinkInfo("post", "post", "raw"), LinkInfo("console", "console", "text")]


def seconds(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def plain(path: Path, data: bytes) -> None:
    """The least there is: one unbuffered write call per record into a file, and one sync at the end."""
    fd = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    for _ in range(RECORDS):
        os.write(fd, data)
    os.fsync(fd)
    os.close(fd)


def capture(path: Path, data: bytes) -> None:
    with CaptureWriter(path, machine="m", table="t", links=LINKS, wall_ns=10**18, mono_ns=0) as writer:
        for number in range(RECORDS):
            writer.write(Chunk("post", number, data))


def main() -> None:
    with tempfile.TemporaryDirectory(dir=sys.argv[1] if len(sys.argv) > 1 else None) as name:
        room = Path(name)
        for size in (1, 16, 256):
            data = bytes(size)
            rounds: dict[str, list[float]] = {"plain": [], "capture": [], "read": []}
            for number in range(ROUNDS):
                a, b = room / f"p{size}-{number}", room / f"c{size}-{number}"
                rounds["plain"].append(seconds(lambda a=a, data=data: plain(a, data)))
                rounds["capture"].append(seconds(lambda b=b, data=data: capture(b, data)))
                rounds["read"].append(seconds(lambda b=b: sum(1 for _ in read_capture(b).records())))
            each = {kind: statistics.median(times) / RECORDS * 1e6 for kind, times in rounds.items()}
            grown = b.stat().st_size / RECORDS
            print(
                f"{size:4d} B chunks: plain {each['plain']:.2f} us, capture {each['capture']:.2f} us "
                f"(x{each['capture'] / each['plain']:.1f}), read {each['read']:.2f} us a record; "
                f"{grown:.0f} B in the file each"
            )
        tracemalloc.start()
        for _ in read_capture(b).records():
            pass
        print(f"peak memory while reading {b.stat().st_size} B: {tracemalloc.get_traced_memory()[1]} B")


if __name__ == "__main__":
    main()
