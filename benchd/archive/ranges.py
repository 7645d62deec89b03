"""Which numbers of an outbox are there: bits in pieces, so that it is small however they come; and what lacks. Pure.

A piece has one bit for each of `PIECE` numbers in a row: number n (from 1) is bit (n - 1) % PIECE of piece
(n - 1) // PIECE, least significant bit of the first byte first.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

PIECE = 1024
BYTES = PIECE // 8
FULL = (1 << PIECE) - 1
SEQ_MOST = 1 << 53
"""The largest number that is believed: JSON readers keep integers exact up to here (RFC 8259, section 6)."""

PIECES_MOST = 20_000
"""Pieces that are filled at once: 20 million numbers."""

Range = tuple[int, int]
"""First and last number, both of it."""


def place(seq: int) -> tuple[int, int]:
    """Return the piece of a number and its bit there."""
    return divmod(seq - 1, PIECE)


def bits_of(seqs: Iterable[int]) -> dict[int, int]:
    """Return the bits of numbers, by piece."""
    out: dict[int, int] = {}
    for seq in seqs:
        piece, bit = place(seq)
        out[piece] = out.get(piece, 0) | 1 << bit
    return out


def bits_between(ranges: Iterable[Sequence[int]]) -> dict[int, int]:
    """Return the bits of all numbers in ranges (first and last), by piece; of at most `PIECES_MOST` pieces."""
    out: dict[int, int] = {}
    for first, last in ranges:
        (start, low), (end, high) = place(first), place(last)
        for piece in range(start, min(end, start + PIECES_MOST) + 1):
            bits = FULL >> (PIECE - 1 - high) if piece == end else FULL
            out[piece] = out.get(piece, 0) | (bits >> low << low if piece == start else bits)
            if len(out) > PIECES_MOST:
                return out
    return out


def packed(bits: int) -> bytes:
    """Return a piece's bits as they are stored."""
    return bits.to_bytes(BYTES, "little")


def unpacked(stored: bytes) -> int:
    return int.from_bytes(stored, "little")


def runs(bits: int, piece: int) -> Iterator[Range]:
    """Yield the ranges of numbers whose bit is 0 in a piece."""
    first, at = piece * PIECE + 1, 0
    while at < PIECE:
        rest = ~(bits >> at) & (FULL >> at)  # the numbers that lack, from here on
        if not rest:
            return
        start = at + ((rest & -rest).bit_length() - 1)
        there = bits >> start
        end = start + ((there & -there).bit_length() - 1 if there else PIECE - start)
        yield first + start, first + end - 1
        at = end


def missing(pieces: Mapping[int, int], floor: int, top: int) -> list[Range]:
    """Return the ranges that lack between `floor` (up to where all is there) and `top`, both numbers of the outbox.

    The time it takes grows with the pieces there are, not with the numbers.
    """
    out: list[Range] = []

    def lacks(first: int, last: int) -> None:
        first, last = max(first, floor + 1), min(last, top)
        if first > last:
            return
        if out and out[-1][1] == first - 1:
            out[-1] = (out[-1][0], last)
        else:
            out.append((first, last))

    following = floor + 1
    for piece in sorted(pieces):
        first = piece * PIECE + 1
        if first + PIECE - 1 <= floor or first > top:
            continue
        lacks(following, first - 1)
        for one in runs(pieces[piece], piece):
            lacks(*one)
        following = first + PIECE
    lacks(following, top)
    return out


def counted(ranges: Iterable[Range]) -> int:
    """How many numbers there are in ranges."""
    return sum(last - first + 1 for first, last in ranges)


def newest(pieces: Mapping[int, int]) -> int:
    """The greatest number that is there, 0 where none is."""
    return max((piece * PIECE + bits.bit_length() for piece, bits in pieces.items() if bits), default=0)
