"""How well received bytes read, as a measure of whether the line speed is right.

A receiver at a wrong speed samples edges of the wrong bits: its characters spread over all values and many of
them end in a low stop bit. Text that reads as text, hex that is hex and frames whose check sums hold are
therefore signs of the right speed. A raw link carries any byte: only framing errors can speak there.

The limits were chosen on simulated wrong-speed reading (tests/links/test_hunt.py): no false lock there.
"""

from __future__ import annotations

import string
from collections.abc import Callable

from benchd.decode.benchframe import DELIMITER, is_frame
from benchd.vocabulary.hunting import HuntLimits, HuntScoring, Tally


def _weights(full: bytes, some: dict[int, float]) -> tuple[float, ...]:
    return tuple(1.0 if i in full else some.get(i, 0.0) for i in range(256))


_LETTERS = (string.ascii_letters + string.digits + " \r\n\t\b\x07\x0c\x1b").encode()
_PUNCTUATION = {i: 0.8 for i in range(0x21, 0x7F)}
_CP437_DRAWING = {i: 0.7 for i in range(0xB0, 0xE0)}
_CP437_LETTERS = {i: 0.2 for i in (*range(0x80, 0xB0), *range(0xE0, 0xFE))}

TEXT_WEIGHTS = _weights(_LETTERS, _PUNCTUATION | _CP437_DRAWING | _CP437_LETTERS)
"""Text on a cp437 console: letters, digits, spaces and line controls are what boot text is made of."""

HEX_WEIGHTS = _weights(b"0123456789ABCDEFabcdef \r\n\t,:;=-.", {i: 0.3 for i in range(0x21, 0x7F)})
"""Hex text of a diagnostic card: digits and the separators found between them."""


def _any(data: bytes, bad: int) -> Tally:
    seen = max(len(data), bad)
    return Tally(float(seen - bad), seen, len(set(data)))


def _hex(data: bytes, bad: int) -> Tally:
    return Tally(max(0.0, sum(HEX_WEIGHTS[b] for b in data) - bad), max(len(data), bad), len(set(data)))


def _text(data: bytes, bad: int) -> Tally:
    """A character reads well beside one that does: chance makes single letters, not runs of them."""
    weights = [TEXT_WEIGHTS[b] for b in data]
    well = sum(min(pair) for pair in zip(weights, weights[:1] + weights, strict=False))
    return Tally(max(0.0, well - bad), max(len(data), bad), len(set(data)))


def frames(data: bytes, bad: int, good_frame: Callable[[bytes], bool] = is_frame) -> Tally:
    """Judge frames that end in 00h. The first and last piece may be cut by the moment of looking: they count
    only where they hold.
    """
    seen = max(len(data), bad)
    pieces = data.split(bytes((DELIMITER,)))
    last = len(pieces) - 1
    held = [bool(piece) and good_frame(piece) for piece in pieces]
    lengths = [len(piece) + (i < last) for i, piece in enumerate(pieces)]
    good = sum(n for n, fine in zip(lengths, held, strict=True) if fine)
    cut = sum(lengths[i] for i in {0, last} if not held[i]) if last else 0
    return Tally(float(good), max(seen - cut, good), len(set(data)), sum(held))


TEXT = HuntScoring(
    _text, HuntLimits(out=24, few=32, many=160, variety=8, lock=0.80, reject=0.65, window=128, garbage=0.60)
)
HEX = HuntScoring(
    _hex, HuntLimits(out=16, few=24, many=120, variety=5, lock=0.85, reject=0.70, window=96, garbage=0.60)
)
FRAMES = HuntScoring(
    frames,
    HuntLimits(out=192, few=24, many=192, variety=2, lock=0.0, reject=0.0, window=256, garbage=0.10),
    proofs=3,
)
ANY_BYTE = HuntScoring(
    _any, HuntLimits(out=8, few=24, many=96, variety=8, lock=0.85, reject=0.90, window=32, garbage=0.60), any_byte=True
)

_WELL = bytes(value for value, weight in enumerate(TEXT_WEIGHTS) if weight >= TEXT.limits.garbage)


def reads_well(data: bytes | bytearray) -> bool:
    """Whether each character reads well enough by itself: `TEXT` then finds no garbage, at a fiftieth of its cost."""
    return not data.translate(None, _WELL)
