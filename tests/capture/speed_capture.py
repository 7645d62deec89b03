"""What a capture costs: writing against a plain file, reading, memory.

Run: python tests/capture/speed_capture.py [DIRECTORY]

Not collected by pytest (times depend on the machine). Prints the best of several rounds; reading in processor time.
"""

from __future__ import annotations

import os
import struct
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


def seconds(work: Callable[[], object], clock: Callable[[], float] = time.perf_counter) -> float:
    start = clock()
    work()
    return clock() - start


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


def bare(path: Path) -> list[tuple[int, int, bytes]]:
    """The least a reader can do: interface, time and bytes of each packet with `struct`; nothing is checked."""
    found = []
    with open(path, "rb") as file:
        while head := file.read(8):
            kind, length = struct.unpack("<II", head)
            block = file.read(length - 8)
            if kind == 6:
                number, high, low, size, _ = struct.unpack_from("<5I", block)
                found.append((number, (high << 32 | low) - 10**18, block[20 : 20 + size]))
    return found


def main() -> None:
    with tempfile.TemporaryDirectory(dir=sys.argv[1] if len(sys.argv) > 1 else None) as name:
        room = Path(name)
        for size in (1, 16, 256):
            data = bytes(size)
            rounds: dict[str, list[float]] = {"plain": [], "capture": [], "read": [], "bare": []}
            for number in range(ROUNDS):
                a, b = room / f"p{size}-{number}", room / f"c{size}-{number}"
                rounds["plain"].append(seconds(lambda a=a, data=data: plain(a, data)))
                rounds["capture"].append(seconds(lambda b=b, data=data: capture(b, data)))
                rounds["read"].append(seconds(lambda b=b: list(read_capture(b).records()), time.process_time))
                rounds["bare"].append(seconds(lambda b=b: bare(b), time.process_time))
            each = {kind: min(times) / RECORDS * 1e6 for kind, times in rounds.items()}
            grown = b.stat().st_size / RECORDS
            print(
                f"{size:4d} B chunks: plain {each['plain']:.2f} us, capture {each['capture']:.2f} us "
                f"(x{each['capture'] / each['plain']:.1f}), read {each['read']:.2f} us a record "
                f"(x{each['read'] / each['bare']:.1f} of a bare struct loop); "
                f"{grown:.0f} B in the file each"
            )
        tracemalloc.start()
        for _ in read_capture(b).records():
            pass
        print(f"peak memory while reading {b.stat().st_size} B: {tracemalloc.get_traced_memory()[1]} B")


if __name__ == "__main__":
    main()
