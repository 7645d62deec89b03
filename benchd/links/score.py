"""How well received bytes read, as a measure of whether the line speed is right. Pure.

A receiver at a wrong speed samples edges of the wrong bits: its characters spread over all values and many of
them end in a low stop bit. Text that reads as text, hex that is hex and frames whose check sums hold are
therefore signs of the right speed. A raw link carries any byte: only framing errors can speak there.
"""

from __future__ import annotations

import string
from collections.abc import Callable
from dataclasses import dataclass
from math import sqrt

FrameCheck = Callable[[bytes], bool]
"""Says whether the bytes between two zero bytes are a good frame of the link's framing."""


def _weights(full: bytes, some: dict[int, float]) -> tuple[float, ...]:
    return tuple(1.0 if i in full else some.get(i, 0.0) for i in range(256))


_LETTERS = (string.ascii_letters + string.digits + " \r\n\t\b\x07\x0c\x1b").encode()
_PUNCTUATION = {i: 0.8 for i in range(0x21, 0x7F)}
_CP437_DRAWING = {i: 0.7 for i in range(0xB0, 0xE0)}
_CP437_LETTERS = {i: 0.2 for i in (*range(0x80, 0xB0), *range(0xE0, 0xFE))}

TEXT = _weights(_LETTERS, _PUNCTUATION | _CP437_DRAWING | _CP437_LETTERS)
"""Text on a cp437 console: letters, digits, spaces and line controls are what boot text is made of."""

HEX = _weights(b"0123456789ABCDEFabcdef \r\n\t,:;=-.", {i: 0.3 for i in range(0x21, 0x7F)})
"""Hex text of a diagnostic card: digits and the separators found between them."""


@dataclass(frozen=True, slots=True)
class Tally:
    """`good` of `seen` characters read well; `distinct` byte values among them; `proofs` good check sums."""

    good: float = 0.0
    seen: int = 0
    distinct: int = 0
    proofs: int = 0

    @property
    def share(self) -> float:
        return self.good / self.seen if self.seen else 0.0

    @property
    def sure(self) -> float:
        """Lower end of the 95 % Wilson interval of the share (Wilson 1927), cautious for few."""
        return wilson_low(self.good, self.seen)


def wilson_low(good: float, seen: int, z: float = 1.959964) -> float:
    """Return the lower limit of the Wilson score interval for `good` of `seen`; 0 for none seen."""
    if seen <= 0:
        return 0.0
    p = good / seen
    centre = p + z * z / (2 * seen)
    spread = z * sqrt(p * (1 - p) / seen + z * z / (4 * seen * seen))
    return max(0.0, (centre - spread) / (1 + z * z / seen))


def judge(data: bytes, kind: str, framing: str, bad: int = 0, frame_ok: FrameCheck | None = None) -> Tally:
    """Return how well `data` reads as a `kind` link with `framing`; `bad` had a fault."""
    seen = max(len(data), bad)
    distinct = len(set(data))
    if kind == "post" and framing == "raw":
        return Tally(float(seen - bad), seen, distinct)
    if kind == "post" and framing == "bench":
        if frame_ok is None:
            raise ValueError("judging the bench framing needs frame_ok")
        # The first and last piece may be cut by the moment of looking: they count only where they hold.
        pieces = data.split(b"\0")
        last = len(pieces) - 1
        held = [bool(piece) and frame_ok(piece) for piece in pieces]
        lengths = [len(piece) + (i < last) for i, piece in enumerate(pieces)]
        good = sum(n for n, fine in zip(lengths, held, strict=True) if fine)
        cut = sum(lengths[i] for i in {0, last} if not held[i]) if last else 0
        return Tally(float(good), max(seen - cut, good), distinct, sum(held))
    if kind == "post" and framing == "hex":
        return Tally(max(0.0, sum(HEX[b] for b in data) - bad), seen, distinct)
    # A character reads well beside one that does: chance makes single letters, not runs of them.
    weights = [TEXT[b] for b in data]
    well = sum(min(pair) for pair in zip(weights, weights[:1] + weights, strict=False))
    return Tally(max(0.0, well - bad), seen, distinct)
