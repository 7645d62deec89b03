"""Images known by what a machine reads of them: by the CRCs of their blocks, wherever they stand and however shifted.

A report tells a CRC-16 and a sum of each block of 2 KiB, never its bytes. So bytes that are known, of image files, are
held against those; and where two devices answer, the bytewise AND of two known blocks is (common practice, no source).
"""

from __future__ import annotations

from binascii import crc_hqx
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from hashlib import sha256
from itertools import combinations, islice, product

from benchd.rom.forms import Address, Count
from benchd.rom.layout import Stretch
from benchd.rom.numbers import BLOCK as STEP
from benchd.rom.numbers import SLOT
from benchd.vocabulary.measured import Block, Measured

Mark = tuple[str, str]
"""CRC and sum of a block, as a report tells them."""
PAIRS_MOST = 4096
"""Pairs of known blocks whose AND is known, of one set of images."""
SHIFTS = range(0, SLOT, STEP)


@dataclass(frozen=True, slots=True)
class Recognised(Stretch):
    """Where an image is read: its bytes from `from` to `to`, its first byte at `at`.

    `blocks` of its `of` blocks that hold something read right. `front`: bytes of FFh in front of it, where it does not
    begin on a block. `mirror`: the same stands at a lower address too.
    """

    image: str
    at: Address
    blocks: Count
    of: Count
    front: Count
    mirror: bool

    @property
    def whole(self) -> bool:
        return self.blocks == self.of


def mark_of(data: bytes) -> Mark:
    """Return what a report tells of these bytes."""
    return f"{crc_hqx(data, 0xFFFF):04X}", f"{sum(data) % 256:02X}"


def marked(block: Block) -> Mark | None:
    """Return what a report told of a block, None where its bytes are not known to stand still."""
    return None if block.crc is None or block.sum is None else (block.crc, block.sum)


@lru_cache(maxsize=256)
def slices(image: bytes, front: int = 0) -> tuple[bytes, ...]:
    """Return an image as blocks, behind `front` bytes of FFh, the last one filled with FFh."""
    body = b"\xff" * front + image
    return tuple(body[at : at + SLOT].ljust(SLOT, b"\xff") for at in range(0, len(body), SLOT))


@lru_cache(maxsize=256)
def marks_of(image: bytes, front: int) -> tuple[Mark | None, ...]:
    """Marks of an image's blocks; None where all bytes are the same: those tell nothing."""
    return tuple(None if len(set(data)) == 1 else mark_of(data) for data in slices(image, front))


def recognise(measured: Measured, images: Mapping[str, bytes]) -> tuple[Recognised, ...]:
    """Return where images are read, by address. Of an image's places with blocks that differ, the best one only."""
    blocks = measured.by_address()
    out: list[Recognised] = []
    for name, image in images.items():
        places = [one for front in SHIFTS for one in _places(blocks, name, image, front)]
        whole = [one for one in places if one.whole]
        parts = sorted((one for one in places if not one.whole and one.blocks > 1), key=lambda one: -one.blocks)
        out += whole or parts[:1]
    return tuple(sorted(out, key=lambda one: (one.first, one.image)))


def _places(blocks: Mapping[int, Block], name: str, image: bytes, front: int) -> Iterator[Recognised]:
    marks = marks_of(image, front)
    of = sum(mark is not None for mark in marks)
    by_mark: dict[Mark, list[int]] = {}
    for at, block in blocks.items():
        if (mark := marked(block)) is not None:
            by_mark.setdefault(mark, []).append(at)
    starts = {
        at - number * SLOT for number, mark in enumerate(marks) if mark is not None for at in by_mark.get(mark, ())
    }
    for start in sorted(starts):
        right = [n for n, mark in enumerate(marks) if mark is not None and _reads(blocks, start + n * SLOT, mark)]
        first, last = start + right[0] * SLOT, start + (right[-1] + 1) * SLOT - 1
        mirror = all(blocks[start + n * SLOT].mirror_of is not None for n in right)
        yield Recognised(first, last, name, start + front, len(right), of, front, mirror)


def _reads(blocks: Mapping[int, Block], at: int, mark: Mark) -> bool:
    block = blocks.get(at)
    return block is not None and marked(block) == mark


def name_images(measured: Measured, images: Mapping[str, bytes]) -> Measured:
    """Return the report with the image named that each ROM header belongs to, where that is known."""
    found = recognise(measured, images)
    roms = [
        header.model_copy(update={"image": next((one.image for one in found if _holds(one, int(header.at, 16))), None)})
        for header in measured.roms
    ]
    return measured.model_copy(update={"roms": roms})


def _holds(one: Recognised, at: int) -> bool:
    return one.first <= at <= one.last


@dataclass(frozen=True, slots=True)
class Known:
    """A block whose bytes are known: of which image or window, and which of its blocks."""

    name: str
    number: int
    data: bytes


class Pairs:
    """Finds the two known blocks whose bytewise AND is what was measured.

    `images` are the known ones. What was found for one block is tried first for the next.
    """

    def __init__(self, images: Mapping[str, bytes]) -> None:
        self._images = {name: slices(image) for name, image in images.items()}
        self._both = _both_marks(tuple(images.items()))
        self._last: tuple[Known, Known] | None = None

    def find(self, mark: Mark, here: Sequence[Known]) -> tuple[str, str] | None:
        """Return the names of two whose AND has this mark; `here` are those that the map has at this address."""
        near = (pair for pair in self._candidates(here) if pair[0].name != pair[1].name and _anded(*pair) == mark)
        self._last = next(near, None) or self._both.get(mark)
        return (self._last[0].name, self._last[1].name) if self._last is not None else None

    def _candidates(self, here: Sequence[Known]) -> Iterator[tuple[Known, Known]]:
        if self._last is not None:
            one, two = (self._next(known) for known in self._last)
            if one is not None and two is not None:
                yield one, two
        every = [Known(name, n, data) for name, parts in self._images.items() for n, data in enumerate(parts)]
        yield from product(here, every)

    def _next(self, known: Known) -> Known | None:
        parts = self._images.get(known.name, ())
        number = known.number + 1
        return Known(known.name, number, parts[number]) if number < len(parts) else None


@lru_cache(maxsize=8)
def _both_marks(images: tuple[tuple[str, bytes], ...]) -> dict[Mark, tuple[Known, Known]]:
    """The first two blocks of different images for each mark that an AND has: worked out once, not for each block."""
    every = [Known(name, n, data) for name, image in images for n, data in enumerate(slices(image))]
    out: dict[Mark, tuple[Known, Known]] = {}
    pairs = ((one, two) for one, two in combinations(every, 2) if one.name != two.name)
    for one, two in islice(pairs, PAIRS_MOST):
        if (mark := _anded(one, two)) is not None:
            out.setdefault(mark, (one, two))
    return out


def _anded(one: Known, two: Known) -> Mark | None:
    """The mark of the AND of two blocks, None where that is one of them."""
    data = (int.from_bytes(one.data, "big") & int.from_bytes(two.data, "big")).to_bytes(SLOT, "big")
    return None if data in (one.data, two.data) else mark_of(data)


def window_images(windows: Iterable[tuple[str | None, bytes | None]], more: Mapping[str, bytes]) -> dict[str, bytes]:
    """Return the images of some windows (name, bytes) and further ones, by name."""
    named = [(name, image) for name, image in windows if name is not None and image]
    return told_apart([*named, *more.items()])


def told_apart(images: Iterable[tuple[str, bytes]]) -> dict[str, bytes]:
    """Return images by name. Another image of a name that is taken has the beginning of its SHA-256 behind it."""
    out: dict[str, bytes] = {}
    for name, image in images:
        taken = out.get(name, image) != image
        out[f"{name} {sha256(image).hexdigest()[:8]}" if taken else name] = image
    return out
