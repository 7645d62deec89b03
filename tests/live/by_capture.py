"""Captures written by hand for tests of what reads them: one post link, codes at given seconds."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

from benchd.capture import CaptureWriter
from benchd.vocabulary.records import Annotation, Chunk, LinkInfo, Record

NS = 1_000_000_000
POST = LinkInfo("post", "post", "raw", port="/dev/none")
WALL_NS = 1_750_000_000 * NS
GOOD = ((0.0, 0x01), (0.1, 0x05), (0.5, 0x20), (2.0, 0x40), (3.0, 0xAA))


def codes(start_s: float, played: Iterable[tuple[float, int]] = GOOD) -> list[Record]:
    """A boot's codes from `start_s` (monotonic) on."""
    return [Chunk("post", round((start_s + t) * NS), bytes([code])) for t, code in played]


def write(
    path: Path, records: Iterable[Record], *, machine: str = "pc", table: str = "story", run: int = 0, text: str = "",
    number: int | None = None, links: Sequence[LinkInfo] = (POST,),
) -> Path:  # fmt: skip
    """A capture; `run` moves both clocks, `text` is the table that it carries, `number` its run's."""
    path.parent.mkdir(parents=True, exist_ok=True)
    mono = run * 1000 * NS
    with CaptureWriter(
        path, machine=machine, table=table, links=list(links), wall_ns=WALL_NS + mono, mono_ns=mono, run=number
    ) as writer:
        listed = list(records)
        if text:
            writer.write(Annotation(listed[0].t_ns if listed else mono, "table", text))
        for record in listed:
            writer.write(record)
    return path
