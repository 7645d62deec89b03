"""Option ROMs made for tests: a header, code that announces itself on port 80h, filling, a balancing byte."""

from __future__ import annotations

import random

GOLDEN = b"\x55\xaa\x01\xcb" + bytes(507) + b"\x35"
"""512 bytes; arithmetic: 55h+AAh+01h+CBh = 1CBh, and CBh + 35h = 100h."""


def announcer(ident: int) -> bytes:
    """mov al,ident / out 80h,al / retf"""
    return bytes([0xB0, ident, 0xE6, 0x80, 0xCB])


def balance(data: bytes, length: int | None = None, last: int | None = None) -> bytes:
    """Return `data` with its byte `last` set so that the first `length` bytes sum to 00h."""
    out = bytearray(data)
    length = len(out) if length is None else length
    last = length - 1 if last is None else last
    out[last] = (out[last] - sum(out[:length])) & 0xFF
    return bytes(out)


def option_rom(blocks: int, ident: int = 0xA1, filled: float = 0.5, seed: int = 1) -> bytes:
    """A good ROM of `blocks` * 512 bytes, the first part `filled` with noise, the rest FFh padding."""
    rng = random.Random(seed * 1000 + ident)
    size = blocks * 512
    head = b"\x55\xaa" + bytes([blocks]) + announcer(ident) + bytes(0x1C - 8)
    noise = rng.randbytes(int((size - len(head) - 32) * filled))
    return balance((head + noise).ljust(size, b"\xff"))
