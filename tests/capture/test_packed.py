"""A compressed capture is the same capture: byte for byte, at any offset, for other programs, after any kill."""

from __future__ import annotations

import gzip
import os
import random
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from live.by_capture import GOOD, codes, write

from benchd.capture import captures_in, packed, read_capture
from benchd.capture.packed import END, ROOM, Unpacked, file_of, open_capture, pack, packed_name
from benchd.errors import ExternalError
from benchd.vocabulary.records import Chunk


class Cut(Exception):
    """Stands for a kill."""


def made(folder: Path, boots: int = 800) -> Path:
    return write(folder / "a.pcapng", [one for n in range(boots) for one in codes(n * 10.0, GOOD)], text="x" * 3000)


def test_the_same_under_the_same_name(tmp_path: Path) -> None:
    """Whoever asks for the capture by its name, or by that of the file, gets the same records at the same offsets."""
    path = made(tmp_path)
    whole, before = path.read_bytes(), list(read_capture(path).placed())
    assert len(whole) > 2 * ROOM
    pack(path)
    assert [one.name for one in tmp_path.iterdir()] == ["a.pcapng.gz"]
    assert captures_in(tmp_path) == [path] and file_of(path) == packed_name(path)
    capture = read_capture(path)
    assert capture.path == read_capture(packed_name(path)).path == path
    assert list(capture.placed()) == before and capture.problem is None
    with open_capture(path) as file:
        assert file.read() == whole
    for number in (1, len(before) // 2, len(before) - 1):  # from a block in the middle, as an index asks for it
        assert next(capture.placed(before[number][0])) == before[number]


@settings(max_examples=40)
@given(data=st.data(), size=st.integers(0, 3 * ROOM), noise=st.booleans())
def test_any_bytes_at_any_offset(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject, size: int, noise: bool
) -> None:
    """Noise, which cannot be made smaller, and anything else: what is read from any offset is what stood there."""
    path = tmp_path_factory.mktemp("any") / "a.pcapng"
    whole = random.Random(size).randbytes(size) if noise else bytes(size)
    path.write_bytes(whole)
    pack(path)
    with open_capture(path) as file:
        for _ in range(5):
            at, many = data.draw(st.integers(0, size + 10)), data.draw(st.integers(0, size + 10))
            file.seek(at)
            assert file.read(many) == whole[at : at + many]
        assert file.seek(0, os.SEEK_END) == size
    assert gzip.decompress(packed_name(path).read_bytes()) == whole


def test_reading_from_the_middle_unpacks_only_what_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An index leads into the midst of a long capture: blocks before that are passed by, not unpacked."""
    path = made(tmp_path, 8000)
    size = path.stat().st_size
    pack(path)
    read: list[int] = []
    monkeypatch.setattr(
        Unpacked, "_read", lambda own, block, real=Unpacked._read: read.append(block) or real(own, block)
    )
    with open_capture(path) as file:
        file.seek(size - 200)
        assert len(file.read()) == 200
    assert len(set(read)) == 1 and size > 20 * ROOM


@pytest.mark.peer("tshark")
def test_other_programs_read_it(tmp_path: Path) -> None:
    """tshark shows the packets of the compressed file as of the capture; gzip finds it sound and gives the capture."""
    path = made(tmp_path)
    whole = path.read_bytes()

    def shown(file: Path) -> str:
        words = ["tshark", "-r", str(file), "-T", "fields", "-e", "frame.time_epoch", "-e", "data.data"]
        return subprocess.run(words, capture_output=True, text=True, timeout=120, check=True).stdout

    before = shown(path)
    pack(path)
    assert shown(packed_name(path)) == before != ""
    words = ["gzip", "-dc", str(packed_name(path))]
    assert subprocess.run(words, capture_output=True, timeout=60, check=True).stdout == whole


def test_one_that_a_person_compressed_is_read_too(tmp_path: Path) -> None:
    """Plain gzip, without blocks: read from the beginning, to the same records."""
    path = made(tmp_path, 50)
    before = list(read_capture(path).records())
    other = tmp_path / "b.pcapng.gz"
    other.write_bytes(gzip.compress(path.read_bytes()))
    assert list(read_capture(other).records()) == before
    other.write_bytes(gzip.compress(path.read_bytes())[:-40])
    capture = read_capture(other)
    assert "what was compressed is damaged" in str(capture.problem)


def test_a_kill_at_any_moment_loses_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Before and after each thing that is done to the disk: the capture is there whole, and a second try ends well."""
    calls = 0
    at = 0

    def counted(real: Callable[..., object]) -> Callable[..., object]:
        def call(*args: object, **named: object) -> object:
            nonlocal calls
            calls += 1
            if calls == at:
                raise Cut
            done = real(*args, **named)
            calls += 1
            if calls == at:
                raise Cut
            return done

        return call

    class System:
        def __getattr__(self, name: str) -> object:
            real = getattr(os, name)
            return counted(real) if name in ("fsync", "replace", "utime", "stat") else real

    monkeypatch.setattr(packed, "os", System())
    monkeypatch.setattr(packed, "sync_directory", counted(packed.sync_directory))
    monkeypatch.setattr(Path, "unlink", counted(Path.unlink))
    for at in range(1, 200):
        folder = tmp_path / str(at)
        path = made(folder, 50)
        whole = path.read_bytes()
        calls = 0
        try:
            pack(path, counted(lambda: None))  # type: ignore[arg-type]
        except Cut:
            calls = 1000  # a kill leaves what lies there, the half-written part too
            (folder / ".a.pcapng.gz.part").write_bytes(b"half of it")
            with open_capture(path) as file:
                assert file.read() == whole, at
            if path.exists():
                pack(path)
            with open_capture(path) as file:
                assert file.read() == whole, at
            assert [one.name for one in folder.iterdir() if one.suffix != ".part"] == ["a.pcapng.gz"]
        else:
            break
    assert 10 < at < 199


def test_one_that_is_written_to_stays(tmp_path: Path) -> None:
    """Bytes that come while it is compressed are not lost: it is left as it was, and that is said."""
    path = made(tmp_path, 300)

    def write_on() -> None:
        if not path.read_bytes().endswith(b"more"):
            with path.open("ab") as file:
                file.write(b"more")

    with pytest.raises(ExternalError, match="changed while it was compressed"):
        pack(path, write_on)
    assert path.read_bytes().endswith(b"more") and [one.name for one in tmp_path.iterdir()] == ["a.pcapng"]


def blocks_of(good: bytes) -> list[tuple[int, int]]:
    """Where each block of a compressed file begins and ends: its size less 1 stands in its head (SAM/BAM, 4.1)."""
    out, at = [], 0
    while at < len(good):
        size = int.from_bytes(good[at + 16 : at + 18], "little") + 1
        out.append((at, at + size))
        at += size
    return out


def test_a_bad_block_costs_what_is_in_it(tmp_path: Path) -> None:
    """Any byte that differs is found; records that lie wholly in other blocks come as they were, at their places."""
    chance = random.Random(5)
    path = write(tmp_path / "a.pcapng", [Chunk("post", n, chance.randbytes(20) * 50) for n in range(400)], text="x")
    before = list(read_capture(path).placed())
    ends = [at for at, _ in before[1:]] + [path.stat().st_size]
    pack(path)
    good = packed_name(path).read_bytes()
    places = blocks_of(good)
    assert len(places) >= 6
    picked = {at + n for at, end in places[1:-1] for n in (*range(18), *range(end - at - 8, end - at))}
    for place in sorted({*picked, *(chance.randrange(places[1][0], places[-2][1]) for _ in range(60))}):
        bad = bytearray(good)
        bad[place] ^= 0x55
        packed_name(path).write_bytes(bad)
        number = next(number for number, (_, end) in enumerate(places) if place < end)
        since, until = number * ROOM, (number + 1) * ROOM
        capture = read_capture(path)
        found = [one for one in capture.placed() if not is_hole(one[1])]
        spared = [one for one, end in zip(before, ends, strict=True) if end <= since or one[0] >= until]
        assert found in (spared, before), (place, place - places[number][0], number, len(places))
        if found != before:
            assert "what was compressed is damaged:" in str(capture.problem), place
            behind = next((one for one in spared if one[0] >= until), None)
            if behind is not None:  # as an index asks for it
                assert next(capture.placed(behind[0])) == behind


def is_hole(record: object) -> bool:
    return getattr(record, "key", "") == "unread"


def test_a_missing_end_is_told_and_what_is_before_it_is_read(tmp_path: Path) -> None:
    """Any end that is missing is found; records before it come as they were. Any byte that differs, likewise."""
    path = made(tmp_path)
    before = list(read_capture(path).records())
    pack(path)
    good = packed_name(path).read_bytes()
    assert good.endswith(END)
    kinds = set()
    for place in range(1, len(good), max(1, len(good) // 97)):
        for bad in (good[:place], good[:place] + bytes([good[place] ^ 0x55]) + good[place + 1 :]):
            packed_name(path).write_bytes(bad)
            try:
                capture = read_capture(path)
                found = [one for one in capture.records() if not is_hole(one)]
            except Exception as error:
                assert place < 64 and "not a capture" in str(error), place
                continue
            if len(bad) < len(good):
                assert found == before[: len(found)], place
            if found != before or len(bad) < len(good):
                assert capture.problem is not None and "damaged" in capture.problem, place
                kinds.add(capture.problem.split("what was compressed")[1].split(" at byte")[0])
    assert len(kinds) >= 2, kinds


def test_a_full_disk_leaves_the_capture(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No room for the compressed file: told, and the capture is as it was."""
    path = made(tmp_path, 50)

    def full(fd: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(packed.os, "fsync", full)
    with pytest.raises(ExternalError, match=r"cannot be compressed: .*it stays as it is"):
        pack(path)
    assert [one.name for one in tmp_path.iterdir()] == ["a.pcapng"]
