"""At which speed characters were sent that were read at another: by how often each byte comes. Pure.

A receiver waits for the line to go low, looks in the middle of the start bit, of each data bit and of the stop bit; a
low stop bit is taken for the next start bit, or for a break (TL16C550C data sheet, SLLS177). Read at another speed
than it was sent at, text becomes other bytes, but in shares of their own for each pair of speeds. Which pair explains
the shares best is told by their likelihood (multinomial); where no pair does so clearly, nothing is.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from math import log

from benchd.vocabulary.hunting import STANDARD_RATES

LEAST = 96
"""Bytes from which shares say something."""
MARGIN = 0.25
"""The best speed must be more likely a byte than the next one, and than noise, by so much (natural logarithm)."""
SMOOTHING = 0.25
TEXT = (
    b"ROM BIOS Version 2.31 10/15/91\r\nCopyright, all rights reserved\r\n\r\nMain processor: 486 at 33 MHz\r\n"
    b"00640 KB base memory OK\r\n07168 KB extended memory OK\r\nKeyboard . . . found\r\nDiskette drive A: 1.44 MB\r\n"
    b"Fixed disk C: 120 MB, type 47\r\nSerial ports 03F8 02F8, parallel port 0378\r\nDisplay adapter: colour\r\n"
    b"Press DEL to run setup, F1 to continue\r\nLoading the operating system from drive C: ...\r\n"
    b"device driver installed in high memory; buffers=20, files=40\r\nC:\\>"
)
WORDS = TEXT.split(b" ")
TEXT += b" ".join(WORDS[n * 29 % len(WORDS)] for n in range(4 * len(WORDS)))
"""Text as boots have it, once in order and then in others: what a receiver takes depends on what came before."""
HEX = b"".join(b"%02X\r\n" % (n * 37 % 256) for n in range(120))


def sent_at(counts: Sequence[int], read_at: int, sample: bytes = TEXT) -> int | None:
    """Return the standard speed that explains how often each byte value came at `read_at`; None: none does clearly.

    Only slower ones can be told: a receiver that is too slow sees so little of each character that any text fits.
    """
    number = sum(counts)
    if number < LEAST:
        return None
    rates = [rate for rate in STANDARD_RATES if rate <= read_at]
    likely = sorted(((_likelihood(counts, _shares(sample, rate, read_at)), rate) for rate in rates), reverse=True)
    if not likely:
        return None
    best, rate = likely[0]
    noise = -log(256) * number
    clear = best - max([noise, *(other for other, _ in likely[1:])]) >= MARGIN * number
    return rate if clear and rate != read_at else None


def _likelihood(counts: Sequence[int], shares: Sequence[float]) -> float:
    return sum(count * log(share) for count, share in zip(counts, shares, strict=True) if count)


@lru_cache(64)
def _shares(sample: bytes, sent: int, read: int) -> tuple[float, ...]:
    """The share of each byte value in `sample` sent at one speed and read at another."""
    counts = [0] * 256
    for value in misread(sample, sent, read):
        counts[value] += 1
    total = sum(counts) + SMOOTHING * 256
    return tuple((count + SMOOTHING) / total for count in counts)


def misread(data: bytes, sent: int, read: int) -> bytes:
    """Return what a receiver at `read` bit/s takes of `data` sent at `sent`, one character after another (8N1)."""
    bits = _levels(data)
    step = sent / read
    out = bytearray()
    at = 0.0
    while True:
        begin = at if not bits[int(at)] else float(bits.find(0, int(at)))
        if begin < 0 or begin + 10 * step >= len(bits):
            return bytes(out)
        if bits[int(begin + step / 2)]:
            at = begin + step / 2  # too short for a start bit
            continue
        out.append(sum(bits[int(begin + (n + 1.5) * step)] << n for n in range(8)))
        at = begin + 9.5 * step
        if not out[-1] and not bits[int(at)]:  # a break: the line must go high before another start bit
            at = float(bits.find(1, int(at)))


@lru_cache(4)
def _levels(data: bytes) -> bytes:
    """The line's level in each bit time: 8N1 characters, idle before and after them."""
    out = bytearray(b"\1\1")
    for byte in data:
        out += bytes((0, *(byte >> n & 1 for n in range(8)), 1))
    return bytes(out + b"\1" * 12)
