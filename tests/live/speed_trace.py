"""What the codes and lines of one boot cost, late in a full capture: with an index and without.

Run: python tests/live/speed_trace.py [MEBIBYTES] [DIRECTORY]

Not collected by pytest (times depend on the machine). Times are processor time.
"""

from __future__ import annotations

import random
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
from support.story import TABLE

from benchd.capture import CaptureWriter, read_capture
from benchd.vocabulary.events import BootStarted, CodeSeen, LineSeen
from benchd.vocabulary.records import Annotation, Chunk, LinkInfo
from benchd.vocabulary.times import NS
from benchd.watch.index import SUFFIX
from benchd.watch.trace import TraceReader

LINKS = [LinkInfo("post", "post", "raw"), LinkInfo("console", "console", "text", speed=115_200)]
CODES = ((0, 0x01), (0.1, 0x05), (0.5, 0x20), (2, 0x40), (3, 0xAA))
LINES = 12
"""Console lines after each code."""


def full(path: Path, size: int) -> int:
    """Write a capture of many boots, a fifth of which hang; return how many."""
    chance, boots, t = random.Random(1), 0, NS
    with CaptureWriter(path, machine="pc", table="story", links=LINKS, wall_ns=1_750_000_000 * NS, mono_ns=0) as out:
        out.write(Annotation(t, "table", TABLE))
        out.write(Annotation(t, "again", "0"))
        while out.size < size:
            boots += 1
            start = t
            for after, code in CODES if chance.random() < 0.8 else CODES[:3]:
                t = start + round(after * NS)
                out.write(Chunk("post", t, bytes([code])))
                for n in range(LINES):
                    t += 2_000_000
                    out.write(
                        Chunk("console", t, f"line {n} of boot {boots} {'x' * chance.randrange(40)}\r\n".encode())
                    )
            t += 20 * NS
    return boots


def main() -> None:
    size = int(sys.argv[1]) if len(sys.argv) > 1 else 64
    with tempfile.TemporaryDirectory(dir=sys.argv[2] if len(sys.argv) > 2 else None) as room:
        path = Path(room) / "full.pcapng"
        boots = full(path, size << 20)
        began = time.process_time()
        TraceReader().index(read_capture(path))
        print(f"{size} MiB, {boots} boots; without an index (it is made): {time.process_time() - began:.1f} s")
        index = path.with_name(path.name + SUFFIX)
        print(f"the index: {index.stat().st_size / path.stat().st_size:.1%} of the capture")
        ids = [line.split(b'"')[3].decode() for line in index.read_bytes().splitlines() if line.startswith(b'{"boot"')]
        for which in (10, len(ids) // 2, len(ids) - 10):
            times = []
            for _ in range(5):
                began = time.process_time()
                events = list(TraceReader().events(ids[which], path))
                times.append(time.process_time() - began)
            seen = [sum(isinstance(e, kind) for e in events) for kind in (CodeSeen, LineSeen, BootStarted)]
            print(f"boot {which}: {seen[0]} codes, {seen[1]} lines: {min(times) * 1e3:.1f} ms with the index")


if __name__ == "__main__":
    main()
