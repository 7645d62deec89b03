"""What a link costs on which nothing comes: processor time of a process that only reads it.

Run: python tests/links/speed_idle.py [SECONDS]

Not collected by pytest (times depend on the machine). Beside it stands the least that waking so often can cost: the
same waits on a pipe, and nothing else.
"""

from __future__ import annotations

import os
import pty
import resource
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
WAITING = """
import select, sys, os, time
poll = select.poll()
poll.register(os.pipe()[0], select.POLLIN)
until = time.monotonic() + float(sys.argv[1])
while time.monotonic() < until:
    poll.poll(4)
"""
READING = """
import sys, time
from benchd.links.reader import LinkReader
from benchd.links.settings import PortSettings
from benchd.vocabulary.records import LinkInfo
readers = [
    LinkReader(LinkInfo(str(n), "console", "text", port=port, paced=False), PortSettings(port), lambda record: None)
    for n, port in enumerate(sys.argv[2:])
]
for reader in readers:
    reader.start()
time.sleep(float(sys.argv[1]))
for reader in readers:
    reader.stop()
"""


def _processor_s(*words: str) -> float:
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, *words], cwd=ROOT, check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def idle_shares(seconds: float = 10.0) -> tuple[float, float]:
    """Return which share of a core an idle link takes, and which share the waits alone take."""
    master, slave = pty.openpty()
    try:
        port = os.ttyname(slave)
        reading = _processor_s("-c", READING, str(seconds), port) - _processor_s("-c", READING, "0", port)
        waiting = _processor_s("-c", WAITING, str(seconds)) - _processor_s("-c", WAITING, "0")
    finally:
        os.close(master)
        os.close(slave)
    return reading / seconds, waiting / seconds


if __name__ == "__main__":
    reading, waiting = idle_shares(float(sys.argv[1]) if len(sys.argv) > 1 else 10.0)
    print(f"an idle link: {reading:.2%} of a core; the waits alone: {waiting:.2%}")
