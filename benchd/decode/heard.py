"""What the first seconds of a link say: the framing in which its bytes read, their codes and lines. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from benchd.decode import framings_of, make_decoder
from benchd.decode.score import TEXT
from benchd.vocabulary.observations import Code, Text
from benchd.vocabulary.records import Chunk, LinkInfo, Record

ENOUGH_CODES = 24
"""Bytes of a post link that show what it sends."""
ENOUGH_TEXT = 256
"""Characters that show a text: two windows of the doctor's."""


@dataclass(frozen=True, slots=True)
class Says:
    """What was read: `framing` in which it reads, `codes` and whole `lines` in order, `received` bytes in all."""

    framing: str
    codes: tuple[int, ...]
    lines: tuple[str, ...]
    received: int


def says(info: LinkInfo, records: Sequence[Record]) -> Says:
    """Return what the records of one link say. A raw post link is read in another framing that its bytes prove."""
    data = bytes_of(records)
    if info.framing == "raw" and (proven := framing_of_codes(data)):
        info = replace(info, framing=proven)
    decoder = make_decoder(info)
    codes: list[int] = []
    lines: dict[int, str] = {}
    for record in records:
        for seen in decoder.feed(record):
            if isinstance(seen, Code):
                codes.append(seen.value)
            elif isinstance(seen, Text):
                lines[seen.line] = seen.text
    return Says(info.framing, tuple(codes), tuple(text for text in lines.values() if text.strip()), len(data))


def framing_of_codes(data: bytes) -> str | None:
    """Return the framing of a post link whose form `data` proves; None: none, it may be raw."""
    for row in framings_of("post"):
        if not row.hunt.any_byte and not row.needs and row.hunt.proves(row.hunt.judge(data, 0)):
            return row.name
    return None


def is_enough(info: LinkInfo, records: Sequence[Record]) -> bool:
    """Whether listening on would hardly tell more of this link."""
    data = bytes_of(records)
    reads = TEXT.judge(data, 0).share >= TEXT.limits.lock and framing_of_codes(data) is None
    return len(data) >= (ENOUGH_TEXT if info.kind == "console" or reads else ENOUGH_CODES)


def bytes_of(records: Sequence[Record]) -> bytes:
    """Return what came, without its times."""
    return b"".join(record.data for record in records if isinstance(record, Chunk))
