"""Captures that were let go to make room: in their folder stands which, when and why, a JSON object a line.

    {"capture": "20250301-200000.pcapng", "at": "2026-03-01T04:00:00+01:00", "why": "bench.keep_days"}

A line is written before the capture goes, so no capture is missing without one; where it is still there it was not.
"""

from __future__ import annotations

import json
import os
from pathlib import Path

from benchd.capture.packed import plain_name
from benchd.capture.writer import sync_directory

FILE = "let-go.jsonl"


def let_go(capture: Path) -> tuple[str, str] | None:
    """Return when a capture that is not there any more was let go (ISO 8601) and why, None where it was not."""
    try:
        lines = (capture.parent / FILE).read_bytes().splitlines()
    except OSError:
        return None
    name = plain_name(capture).name
    for line in reversed(lines):
        try:
            found = json.loads(line)
        except ValueError:  # cut short by a power cut: what it was for is there still
            continue
        if isinstance(found, dict) and found.get("capture") == name:
            return str(found.get("at", "")), str(found.get("why", ""))
    return None


def in_words(capture: Path) -> str | None:
    """Return `was let go on DATE`, None where it was not."""
    found = let_go(capture)
    return None if found is None else f"was let go on {found[0][:10]} ({found[1]})"


def write_down(capture: Path, at: str, why: str) -> None:
    """Put down that a capture is let go now. Raises OSError."""
    path = capture.parent / FILE
    line = json.dumps({"capture": plain_name(capture).name, "at": at, "why": why}).encode() + b"\n"
    fd = os.open(path, os.O_RDWR | os.O_APPEND | os.O_CREAT | os.O_CLOEXEC, 0o644)
    try:
        size = os.fstat(fd).st_size
        cut = size > 0 and os.pread(fd, 1, size - 1) != b"\n"
        os.write(fd, b"\n" + line if cut else line)
        os.fsync(fd)
    finally:
        os.close(fd)
    sync_directory(capture.parent)
