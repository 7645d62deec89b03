"""The keeper: whatever the disk does, what it took is in the files, in order, and what it lost is counted."""

from __future__ import annotations

import errno
import os
import resource
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.capture import CaptureWriter, read_capture
from benchd.capture import keeper as keeping
from benchd.capture.keeper import CaptureKeeper, folder_name, next_run
from benchd.vocabulary.records import Annotation, Chunk, LinkInfo, LinkState, Record
from benchd.watch.replay import Replay, news, run_files

LINKS = (LinkInfo("post", "post", "raw"), LinkInfo("console", "console", "text"))


class Disk:
    """Makes `os.write` and `os.fsync` fail on demand: `refuse` takes (the system call's name) to an errno."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.refuse: Callable[[str], int] = lambda call: 0
        for name in ("write", "fsync", "open"):
            monkeypatch.setattr(keeping_os(), name, self._wrapped(name, getattr(os, name)))

    def _wrapped(self, name: str, real: Callable[..., Any]) -> Callable[..., Any]:
        def call(*args: Any, **kwargs: Any) -> Any:
            if number := self.refuse(name):
                raise OSError(number, os.strerror(number))
            return real(*args, **kwargs)

        return call

    def full(self) -> None:
        self.refuse = lambda call: errno.ENOSPC if call == "write" else 0

    def fine(self) -> None:
        self.refuse = lambda call: 0


def keeping_os() -> Any:
    from benchd.capture import writer

    return writer.os


@pytest.fixture
def disk(monkeypatch: pytest.MonkeyPatch) -> Iterator[Disk]:
    found = Disk(monkeypatch)
    monkeypatch.setattr(keeping, "RETRY_S", 0.0)
    yield found
    found.fine()


def make(folder: Path, **more: Any) -> CaptureKeeper:
    return CaptureKeeper(folder, machine="pc", table="t", links=LINKS, wall_ns=10**18, mono_ns=0, **more)


def chunk(n: int) -> Chunk:
    return Chunk("post", n, bytes([n % 256]))


def kept(folder: Path) -> list[Record]:
    """All records of a folder, file after file, without what a file repeats of those before."""
    captures = Replay(sorted(folder.glob("*.pcapng"))).captures
    out: list[Record] = []
    for number, capture in enumerate(captures):
        out += (r for _, r in news(capture)) if number else capture.records()
        assert capture.problem is None
    return [r for r in out if not (isinstance(r, Annotation) and r.key in ("again", "table", "phase"))]


def test_a_full_disk_loses_nothing(tmp_path: Path, disk: Disk) -> None:
    """While writes fail records wait, in order; when they work again all are there and the trouble is over."""
    keeper = make(tmp_path)
    keeper.keep(chunk(1))
    disk.full()
    for n in range(2, 50):
        keeper.keep(chunk(n))
    assert keeper.trouble is not None and "the disk is full" in keeper.trouble
    assert (keeper.waiting, keeper.dropped) == (48, 0) and keeper.failures > 0
    disk.fine()
    keeper.keep(chunk(50))
    assert (keeper.waiting, keeper.trouble) == (0, None)
    keeper.close()
    assert kept(tmp_path) == [chunk(n) for n in range(1, 51)]


def test_a_disk_full_from_the_start_leaves_no_stumps(tmp_path: Path, disk: Disk) -> None:
    """Each try to begin a file that fails leaves neither a file nor an open descriptor."""
    keeper = make(tmp_path)
    keeper.rotate("[table]")
    calls = 0

    def second_write_fails(call: str) -> int:
        nonlocal calls
        calls += call == "write"
        return errno.ENOSPC if call == "write" and calls % 2 == 0 else 0

    disk.refuse = second_write_fails
    before = len(os.listdir("/proc/self/fd"))
    for n in range(20):
        keeper.keep(chunk(n))
    assert list(tmp_path.iterdir()) == [] and len(os.listdir("/proc/self/fd")) == before
    disk.fine()
    keeper.close()
    assert kept(tmp_path) == [chunk(n) for n in range(20)]


def test_the_backlog_is_bounded(tmp_path: Path, disk: Disk) -> None:
    """Beyond the bound the newest are dropped and counted; what was kept is whole and in order."""
    keeper = make(tmp_path, backlog_bytes=10 * 101)
    disk.full()
    for n in range(15):
        keeper.keep(chunk(n))
    assert (keeper.waiting, keeper.dropped) == (10, 5)
    disk.fine()
    keeper.close()
    assert kept(tmp_path) == [chunk(n) for n in range(10)]
    keeper.close()
    assert keeper.dropped == 5


def test_what_the_disk_never_took_is_counted_at_the_end(tmp_path: Path, disk: Disk) -> None:
    """Closed while the disk still refuses: the records that waited are counted as lost."""
    keeper = make(tmp_path)
    disk.full()
    keeper.keep(chunk(1))
    keeper.close()
    assert (keeper.waiting, keeper.dropped) == (0, 1)


def test_a_failed_sync_goes_on_in_a_new_file(tmp_path: Path, disk: Disk) -> None:
    """The new file begins with what is in force now, not when the run began; a reader of both has each once."""
    keeper = make(tmp_path)
    keeper.rotate("[table]")
    first = [Annotation(1, "trial", "a"), LinkState("post", 2, True, "up"), chunk(3), Annotation(4, "trial", "b")]
    first += [
        Annotation(5, "limit", "early=1.5:learned-normal:5"),
        Annotation(6, "limit", "early=2.5:learned-normal:6"),
    ]
    for record in first:
        keeper.keep(record)
    disk.refuse = lambda call: errno.EIO if call == "fsync" else 0
    keeper.sync()
    assert keeper.trouble is not None and "the disk or device failed" in keeper.trouble
    disk.fine()
    keeper.keep(chunk(7))
    assert keeper.trouble is None and keeper.failures == 1 and "the disk or device failed" in keeper.last_failure
    keeper.close()
    one, two = (capture.path for capture in Replay(sorted(tmp_path.iterdir())).captures)
    begins = list(read_capture(two).records())
    assert begins == [
        Annotation(7, "table", "[table]"),
        Annotation(7, "again", "3"),
        Annotation(7, "trial", "b"),
        LinkState("post", 7, True, "up"),
        Annotation(7, "limit", "early=2.5:learned-normal:6"),
        chunk(7),
    ]
    assert kept(tmp_path) == [*first, chunk(7)] and one != two


def test_a_table_too_long_is_only_named(tmp_path: Path) -> None:
    """A table that no record can hold (in its written form) is left out; the capture goes on."""
    keeper = make(tmp_path)
    keeper.rotate("# " + "ж" * 60_000)
    keeper.keep(chunk(1))
    keeper.close()
    assert kept(tmp_path) == [chunk(1)]


@settings(deadline=None, max_examples=200)
@given(st.text(min_size=1, max_size=64))
def test_folder_names(name: str) -> None:
    """Letters, digits, `-_.` and %XX only, never hidden, never above; different names, different folders."""
    try:
        folder = folder_name(name)
    except UnicodeEncodeError:
        return  # lone surrogates are in no TOML file (TOML 1.0: documents are valid UTF-8)
    assert folder == Path(folder).name and not folder.startswith(".") and folder.isascii() and len(folder) <= 255
    from urllib.parse import unquote

    assert unquote(folder) == name or "~" in folder


def test_long_names_get_folders_of_their_own(tmp_path: Path) -> None:
    """Names that would be over 255 bytes (NAME_MAX) are kept apart, and a capture can be made; short ones stay."""
    names = ["机" * 30, "机" * 29 + "器", "机" * 64, "é" * 43, "a" * 64]
    folders = [folder_name(name) for name in names]
    assert len(set(folders)) == len(names) and folders[-1] == "a" * 64 and "~" not in folder_name("é" * 42)
    for folder in folders:
        keeper = make(tmp_path / folder)
        keeper.keep(chunk(1))
        assert keeper.trouble is None
        keeper.close()
        assert kept(tmp_path / folder) == [chunk(1)]


@pytest.mark.parametrize("how", ["folder", "file", "moved"])
def test_a_capture_deleted_while_it_is_written(tmp_path: Path, how: str) -> None:
    """Told at the next sync, once; the next record begins a new file with what is in force."""
    folder = tmp_path / "pc"
    keeper = make(folder)
    keeper.rotate("[table]")
    keeper.keep(Annotation(1, "trial", "T1"))
    keeper.keep(chunk(2))
    keeper.sync()
    assert keeper.trouble is None and keeper.path is not None
    if how == "folder":
        shutil.rmtree(folder)
    elif how == "file":
        keeper.path.unlink()
    else:
        keeper.path.rename(folder / "away")
    keeper.sync()
    assert keeper.trouble is not None and "deleted or replaced while it was written" in keeper.trouble
    keeper.sync()
    assert keeper.failures == 1
    keeper.keep(chunk(3))
    assert keeper.trouble is None and keeper.waiting == keeper.dropped == 0
    keeper.sync()
    assert keeper.failures == 1
    path = keeper.path
    keeper.close()
    begins = [Annotation(3, "table", "[table]"), Annotation(3, "again", "1"), Annotation(3, "trial", "T1"), chunk(3)]
    assert list(read_capture(path).records()) == begins


def test_run_numbers_only_grow(tmp_path: Path) -> None:
    """Each run gets a higher one, whatever wall time says; where the last is not known, the captures know it."""
    captures = tmp_path / "captures"
    assert [next_run(captures) for _ in range(3)] == [1, 2, 3]
    keeper = make(captures / "pc", run=41)
    keeper.keep(chunk(1))
    keeper.close()
    make(captures / "old").keep(chunk(1))
    (path,) = (captures / "pc").iterdir()
    assert read_capture(path).run == 41
    assert next_run(captures) == 4
    for damage in ("", "x", "-"):
        (captures / ".run").write_text(damage)
        assert next_run(captures) == 42
    (captures / ".run").unlink()
    assert [next_run(captures) for _ in range(2)] == [42, 43]


def test_a_run_number_is_drawn_on_a_full_disk(tmp_path: Path, disk: Disk, caplog: pytest.LogCaptureFixture) -> None:
    """It is used all the same, and that it could not be kept is told."""
    assert next_run(tmp_path) == 1
    disk.refuse = lambda call: errno.ENOSPC if call == "fsync" else 0
    assert next_run(tmp_path) == 2 and "run number 2 cannot be kept" in caplog.text


def test_where_the_last_record_stands(tmp_path: Path, disk: Disk) -> None:
    """File and offset of the record kept last; unknown while it waits, known again when all is written."""
    keeper = make(tmp_path)
    for n in range(3):
        (place,) = keeper.keep(chunk(n))
    assert place is not None
    path, offset, end = place
    assert end == keeper.size == path.stat().st_size
    assert [record for _, record in read_capture(path).placed(offset)] == [chunk(2)]
    disk.full()
    assert keeper.keep(chunk(3)) == [None]
    disk.fine()
    (place,) = keeper.keep(chunk(4))
    assert place is not None
    assert [record for _, record in read_capture(path).placed(place[1])] == [chunk(4)]
    keeper.close()


def test_many_files_of_one_second_are_in_order(tmp_path: Path) -> None:
    """More than ten files begun in one second: the order of reading is that of writing, not of names."""
    keeper = make(tmp_path)
    for n in range(25):
        keeper.rotate()
        keeper.keep(chunk(n))
    keeper.close()
    assert len(list(tmp_path.iterdir())) == 25
    assert kept(tmp_path) == [chunk(n) for n in range(25)]


def test_files_are_in_the_order_in_which_they_were_written(tmp_path: Path) -> None:
    """Though all begin at one instant, or each before the one before it (another link's stamps may step back)."""
    records: list[Record] = [Chunk("post", 5, bytes([n])) for n in range(12)]
    records += [Chunk("console", 4 - n, b"x") for n in range(4)]
    keeper = make(tmp_path)
    for record in records:
        keeper.rotate()
        keeper.keep(record)
    keeper.close()
    assert kept(tmp_path) == records
    assert [read_capture(path).file for path in run_files(tmp_path.iterdir())] == list(range(1, 17))


def test_files_that_do_not_tell_their_place_go_by_the_number_in_their_names(tmp_path: Path) -> None:
    """Captures of before: by their first records, and of one instant the one called -10 after that called -9."""
    names = ["x", *(f"x-{n}" for n in range(2, 13)), "a"]
    for number, name in enumerate(names):
        path = tmp_path / f"{name}.pcapng"
        with CaptureWriter(path, machine="pc", table="t", links=LINKS, wall_ns=10**18, mono_ns=0) as writer:
            writer.write(Chunk("post", 7 + (name == "a"), bytes([number])))
    assert [path.stem for path in run_files(tmp_path.iterdir())] == names
    assert kept(tmp_path) == [Chunk("post", 7 + (n == 12), bytes([n])) for n in range(13)]


LIMITED = """
import resource, sys
from pathlib import Path
from benchd.capture.keeper import CaptureKeeper
from benchd.vocabulary.records import Chunk, LinkInfo
keeper = CaptureKeeper(Path(sys.argv[1]), machine="pc", table="t", links=[LinkInfo("post", "post", "raw")],
                       wall_ns=10**18, mono_ns=0)
resource.setrlimit(resource.RLIMIT_FSIZE, (2000, resource.RLIM_INFINITY))
for n in range(100):
    keeper.keep(Chunk("post", n, bytes([n]) * 33))
print(keeper.waiting, keeper.trouble)
resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
keeper.close()
print(keeper.waiting, keeper.dropped)
"""


def test_a_real_limit(tmp_path: Path) -> None:
    """The kernel's own refusal (setrlimit(2), RLIMIT_FSIZE), and room again."""
    assert resource.RLIMIT_FSIZE is not None
    done = subprocess.run([sys.executable, "-c", LIMITED, tmp_path], capture_output=True, text=True, check=True)
    full, after = done.stdout.strip().split("\n")
    assert int(full.split()[0]) > 0 and "the file would be larger than is allowed" in full and after == "0 0"
    assert kept(tmp_path) == [Chunk("post", n, bytes([n]) * 33) for n in range(100)]
