"""A card's side of the "bench" framing: frames to bytes."""

from __future__ import annotations

from binascii import crc_hqx

from cobs import cobs

from benchd.decode.benchframe import (
    BODY_LIMIT,
    CRC_BYTES,
    CRC_START,
    DELIMITER,
    DELTA,
    HEAD,
    LOST,
    NO_CODE,
    NOTE,
    PORT,
    RESET,
    TICK,
    VERSION,
    WIDE,
    CardWrite,
    Frame,
    Kind,
)


def _encode_entry(entry: CardWrite) -> bytes:
    flags = WIDE if entry.wide else 0
    rest = b""
    if entry.delta:
        flags |= DELTA
        rest += entry.delta.to_bytes(2, "little")
    if entry.lost:
        flags |= LOST
        rest += entry.lost.to_bytes(2, "little")
    if entry.port is not None:
        flags |= PORT
        rest += entry.port.to_bytes(2, "little")
    if entry.reset:
        flags |= RESET
    if entry.code is None:
        flags |= NO_CODE
    else:
        rest += entry.code.to_bytes(2 if entry.wide else 1, "little")
    if entry.note is not None:
        flags |= NOTE
        rest += bytes((entry.note.kind, len(entry.note.value))) + entry.note.value
    return bytes((flags,)) + rest


def encode_body(frame: Frame) -> bytes:
    """Return the body of `frame` without CRC. Raises ValueError or OverflowError for values that do not fit."""
    body = HEAD.pack(VERSION << 4 | frame.kind, frame.sequence, frame.ticks)
    if frame.kind is not Kind.CODES:
        if frame.entries:
            raise ValueError(f"a {frame.kind.name} frame has no entries, got {len(frame.entries)}")
        return body + TICK.pack(frame.tick_ns)
    if not frame.entries or frame.entries[0].delta or frame.tick_ns:
        raise ValueError("a CODES frame has entries, the first without delta, and no tick length")
    body += b"".join(_encode_entry(entry) for entry in frame.entries)
    if len(body) > BODY_LIMIT:
        raise ValueError(f"the body has {len(body)} bytes, at most {BODY_LIMIT} fit: use fewer entries")
    return body


def encode_frame(frame: Frame) -> bytes:
    """Return the bytes of `frame` on the wire, delimiter included.

    Raises ValueError, OverflowError or struct.error for values that do not fit their fields.
    """
    body = encode_body(frame)
    crc = crc_hqx(body, CRC_START).to_bytes(CRC_BYTES, "big")
    return bytes(cobs.encode(body + crc)) + bytes((DELIMITER,))
