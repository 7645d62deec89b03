"""Reading a capture: most of it in runs of packets, and never otherwise than block by block."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from benchd.capture import CaptureWriter, read_capture
from benchd.capture.blocks import READ_BYTES, BlockReader
from benchd.errors import BenchError
from benchd.vocabulary.records import Annotation, Chunk, LinkInfo, Record

LINKS = [LinkInfo("post", "post", "raw"), LinkInfo("console", "console", "text")]


def written(path: Path, records: int, seed: int = 1) -> Path:
    chance = random.Random(seed)
    with CaptureWriter(path, machine="m", table="t", links=LINKS, wall_ns=10**18, mono_ns=5) as out:
        for n in range(records):
            if n % 7 == 3:
                out.write(Annotation(n, "trial", "T" * chance.randrange(9)))
            else:
                out.write(Chunk(chance.choice(("post", "console")), n, chance.randbytes(chance.randrange(1, 40))))
    return path


def read(path: Path) -> tuple[list[tuple[int, Record]], str | None] | str:
    try:
        capture = read_capture(path)
        return list(capture.placed()), capture.problem
    except BenchError as error:
        return str(error)


def test_whole_packets_are_not_cut_out_block_by_block(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Blocks are looked at one by one only in the header, and where the bytes read end in the midst of one."""
    path, calls = written(tmp_path / "c.pcapng", 20_000), 0
    real = BlockReader.block

    def counted(self: BlockReader) -> tuple[int, bytes] | None:
        nonlocal calls
        calls += 1
        return real(self)

    monkeypatch.setattr(BlockReader, "block", counted)
    assert sum(1 for _ in read_capture(path).records()) == 20_000
    assert calls <= path.stat().st_size // READ_BYTES + len(LINKS) + 5


def test_runs_of_packets_read_as_block_by_block(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Cut at every place and with each of its bytes changed, a capture gives the same records and the same problem."""
    whole = written(tmp_path / "whole.pcapng", 12).read_bytes()
    chance = random.Random(2)
    spoilt = [whole[:n] for n in range(len(whole))]
    spoilt += [whole[:n] + bytes([chance.randrange(256)]) + whole[n + 1 :] for n in range(len(whole))]
    path = tmp_path / "spoilt.pcapng"
    answers = []
    for data in [whole, *spoilt]:
        path.write_bytes(data)
        answers.append(read(path))
    monkeypatch.setattr(BlockReader, "packets", lambda self: [])
    for data, answer in zip([whole, *spoilt], answers, strict=True):
        path.write_bytes(data)
        assert read(path) == answer
