"""A full disk or a failing sync is told, and what was written stays readable."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest

from benchd.capture import CaptureWriter, read_capture
from benchd.errors import ExternalError
from benchd.vocabulary.records import Chunk, LinkInfo

LINKS = [LinkInfo("post", "post", "raw")]

FULL_DISK = """
import resource, sys
from benchd.capture import CaptureWriter
from benchd.errors import ExternalError
from benchd.vocabulary.records import Chunk, LinkInfo
writer = CaptureWriter(sys.argv[1], machine="m", table="t", links=[LinkInfo("post", "post", "raw")],
                       wall_ns=10**18, mono_ns=0)
resource.setrlimit(resource.RLIMIT_FSIZE, (4001, resource.RLIM_INFINITY))
done = 0
try:
    while True:
        writer.write(Chunk("post", done, bytes([done % 256]) * 33))
        done += 1
except ExternalError as error:
    print(done, writer.size)
    print(error)
resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
writer.write(Chunk("post", done, b"again"))
writer.close()
"""


def test_full_disk_is_told_and_the_writer_goes_on(tmp_path: Path) -> None:
    """The write that does not fit fails with path, offset and advice; afterwards the same writer goes on."""
    path = tmp_path / "full"
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", FULL_DISK, str(path)], capture_output=True, text=True, timeout=60
    )
    assert done.returncode == 0, done.stderr
    counts, message = done.stdout.strip().split("\n")
    written, size = map(int, counts.split())
    assert written > 0
    assert size <= 4001
    # The offset is the one the kernel stopped at, inside the record that did not fit.
    assert (
        f"capture {path}: writing at offset 4001 failed: the file would be larger than is allowed; free space"
        in message
    )
    capture = read_capture(path)
    expected = [Chunk("post", n, bytes([n % 256]) * 33) for n in range(written)]
    assert list(capture.records()) == [*expected, Chunk("post", written, b"again")]
    assert capture.problem is None


def test_a_failed_sync_ends_the_writer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """After fsync fails, pages may be gone: the writer refuses to go on and says up to where it is safe."""
    path = tmp_path / "a"
    writer = CaptureWriter(path, machine="m", table="t", links=LINKS, wall_ns=10**18, mono_ns=0)
    safe = writer.synced
    writer.write(Chunk("post", 1, b"1"))

    def fail(fd: int) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(ExternalError, match=f"safe up to offset {safe}: .*new capture"):
        writer.sync()
    monkeypatch.undo()
    with pytest.raises(ExternalError, match="new capture"):
        writer.write(Chunk("post", 2, b"2"))
    writer.close()
    with CaptureWriter(tmp_path / "b", machine="m", table="t", links=LINKS, wall_ns=10**18, mono_ns=0) as other:
        other.write(Chunk("post", 2, b"2"))
    assert list(read_capture(tmp_path / "b").records()) == [Chunk("post", 2, b"2")]


def test_a_directory_that_is_not_there(tmp_path: Path) -> None:
    """Creating fails with the path and what to check."""
    with pytest.raises(ExternalError, match=r"none/a cannot be created: .*data directory"):
        CaptureWriter(tmp_path / "none" / "a", machine="m", table="t", links=LINKS, wall_ns=1, mono_ns=0)
