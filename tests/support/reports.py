"""Machines as their processor reads them, and the report that a reporter program would send of them.

Made from the format's text and from the trade's facts (a bus where two drive reads as the AND, an address decoded in
part shows a ROM again, nobody there floats or reads FFh), not from benchd's own reader: its own CRC, its own words.
"""

from __future__ import annotations

from binascii import crc_hqx
from collections.abc import Sequence
from dataclasses import dataclass, field
from random import Random

BLOCK = 0x800
FIRST, END = 0xC0000, 0x100000


def crc_bit_by_bit(data: bytes) -> int:
    """CRC-16/CCITT-FALSE: poly 1021h, init FFFFh, not reflected, no final xor."""
    value = 0xFFFF
    for byte in data:
        value ^= byte << 8
        for _ in range(8):
            value = (value << 1) ^ 0x1021 if value & 0x8000 else value << 1
            value &= 0xFFFF
    return value


def crc(data: bytes) -> int:
    """The same by the standard library; a test holds it to the definition above."""
    return crc_hqx(data, 0xFFFF)


def option_rom(rng: Random, size: int, good: bool = True) -> bytes:
    """An image of `size` bytes (a multiple of 512): 55 AA, length, a jump, text, a sum of 0 mod 256 if good."""
    body = bytearray(rng.randbytes(size))
    body[:6] = b"\x55\xaa" + bytes([size // 512]) + b"\xeb\x4b\x90"
    body[0x18:0x1C] = bytes(4)
    for at in range(BLOCK, size, BLOCK):
        body[at : at + 2] = b"\x00\x00"  # no other header on a step
    body[-1] = -sum(body[:-1]) % 256
    if not good:
        body[-1] ^= 0x5A
    return bytes(body)


@dataclass
class World:
    """What each block of C0000-FFFFF shows: None nobody (floats), bytes, or (first, count) where it changes."""

    blocks: dict[int, bytes | tuple[int, int] | None] = field(default_factory=dict)
    display: list[tuple[int, int, str]] = field(default_factory=list)
    vectors: dict[int, int] = field(default_factory=dict)
    tests: list[tuple[str, int, int, int, int | None, int]] = field(default_factory=list)
    memory_k: int = 640
    equipment: int = 0x4426
    video: int = 3
    model: int = 0xFE
    date: str = "04/08/93"
    com: tuple[int, ...] = (0x3F8, 0x2F8)
    lpt: tuple[int, ...] = (0x378,)

    def __post_init__(self) -> None:
        for at in range(FIRST, END, BLOCK):
            self.blocks.setdefault(at, None)
        if not self.display:
            self.display = [
                (0xA0000, 0xAFFFF, "floating"),
                (0xB0000, 0xB7FFF, "floating"),
                (0xB8000, 0xBFFFF, "answers"),
            ]
        if not self.vectors:
            self.vectors = {0x10: 0xC0123, 0x13: 0xFEC59, 0x18: 0xF6000, 0x19: 0xFE6F2}

    def put(self, at: int, data: bytes) -> None:
        """A device that answers from `at` on; where another does too, both pull the bus low."""
        for offset in range(0, len(data), BLOCK):
            own = data[offset : offset + BLOCK].ljust(BLOCK, b"\xff")
            there = self.blocks.get(at + offset)
            if isinstance(there, bytes):
                own = bytes(a & b for a, b in zip(own, there, strict=True))
            if FIRST <= at + offset < END:
                self.blocks[at + offset] = own

    def mirrored(self, at: int, image: bytes, size: int) -> None:
        """An image whose card decodes `size` bytes: it stands there again and again."""
        for offset in range(0, size, len(image)):
            self.put(at + offset, image[: size - offset])

    def at(self, first: int, count: int) -> bytes | None:
        out = b""
        for at in range(first, min(first + count, END), BLOCK):
            shown = self.blocks[at]
            if not isinstance(shown, bytes):
                return None
            out += shown
        return out[:count]

    # ------------------------------------------------------------ the report

    def bodies(self) -> list[str]:
        return [*self._map(), *self._display(), *self._roms(), *self._left()]

    def report(self, *, wrapper: str = "rom", speed: int = 9600, run: int = 0x1A2B) -> list[str]:
        """The lines, without line ends."""
        begin = f"begin 1 as {wrapper} at C8000 uart 3F8 speed {speed} blocks 80 run {run:04X}"
        bodies = [begin, *self.bodies()]
        return [framed(n, body) for n, body in enumerate([*bodies, f"end lines {len(bodies):02X}"])]

    def _map(self) -> list[str]:
        out: list[str] = []
        seen: dict[bytes, int] = {}
        run: tuple[str, int] | None = None

        def close(end: int) -> None:
            if run is not None:
                out.append(f"map {_range(run[1], end)} {run[0]}")

        for at in range(FIRST, END, BLOCK):
            shown = self.blocks[at]
            kind = _kind(shown)
            if run is not None and run[0] != kind:
                close(at)
                run = None
            if kind is not None:
                run = run or (kind, at)
            elif isinstance(shown, bytes):
                again = f" same {seen[shown]:05X}" if shown in seen else ""
                seen.setdefault(shown, at)
                out.append(f"map {at:05X} content crc {crc(shown):04X} sum {sum(shown) % 256:02X}{again}")
            elif shown is not None:
                out.append(f"map {at:05X} changing first {at + shown[0]:05X} count {shown[1]:04X}")
        close(END)
        return out

    def _display(self) -> list[str]:
        return [f"display {first:05X}-{last:05X} {kind}" for first, last, kind in self.display]

    def _roms(self) -> list[str]:
        out = []
        for at in range(FIRST, END, BLOCK):
            shown = self.blocks[at]
            if not isinstance(shown, bytes) or shown[:2] != b"\x55\xaa":
                continue
            length = shown[2] * 512
            whole = self.at(at, length)
            total = sum(whole) % 256 if whole is not None else 0x77
            out.append(
                f"rom {at:05X} length {length:04X} sum {total:02X} entry {shown[3:6].hex().upper()} pnp 0000 pcir 0000"
            )
        return out

    def _left(self) -> list[str]:
        com = " ".join(f"{port:04X}" for port in (*self.com, 0, 0, 0, 0)[:4])
        lpt = " ".join(f"{port:04X}" for port in (*self.lpt, 0, 0, 0)[:3])
        bios = f"bios memory {self.memory_k:04X} equipment {self.equipment:04X} video {self.video:02X}"
        tests = [
            f"test {name} {first:05X}-{last:05X} errors {errors:04X} "
            f"first {'-----' if where is None else f'{where:05X}'} bits {bits:02X}"
            for name, first, last, errors, where, bits in self.tests
        ]
        return [
            *(f"vector {number:02X} {to:05X}" for number, to in sorted(self.vectors.items())),
            f"{bios} model {self.model:02X} date {self.date}",
            f"ports com {com} lpt {lpt}",
            *tests,
        ]


def _kind(shown: object) -> str | None:
    if shown is None:
        return "floating"
    if isinstance(shown, bytes) and len(set(shown)) == 1:
        return "ff" if shown[0] == 0xFF else f"constant {shown[0]:02X}"
    return None


def _range(first: int, end: int) -> str:
    return f"{first:05X}" if end - first == BLOCK else f"{first:05X}-{end - 1:05X}"


def framed(number: int, body: str) -> str:
    head = f"~{number % 256:02X} {body} "
    return f"{head}{crc(head.encode()):04X}"


def as_sent(lines: Sequence[str]) -> bytes:
    """As the program sends it: a line end of its own first."""
    return ("\r\n" + "".join(line + "\r\n" for line in lines)).encode()


def random_world(rng: Random) -> World:
    """A machine with video ROM, adapters at some bases, mirrors, memory, perhaps two at one address, and its BIOS."""
    world = World()
    gap = rng.choice([None, bytes([0xFF]) * BLOCK])
    for at in range(FIRST, END, BLOCK):
        world.blocks[at] = gap
    spots = [0xC8000, 0xCC000, 0xD0000, 0xD4000, 0xD8000, 0xDC000]
    if gap is not None:
        world.blocks |= {at: None for at in range(0xE0000, 0xF0000, BLOCK)}
    taken: dict[int, bytes] = {0xC0000: option_rom(rng, rng.choice([0x4000, 0x6000, 0x8000]))}
    for at in rng.sample(spots, rng.randint(0, 3)):
        taken[at] = option_rom(rng, rng.choice([0x800, 0x2000, 0x4000]), good=rng.random() < 0.8)
    for at, image in taken.items():
        for offset in range(0, len(image), BLOCK):
            world.blocks[at + offset] = image[offset : offset + BLOCK]
        if at != 0xC0000 and len(image) <= 0x2000 and rng.random() < 0.3:
            world.blocks |= {at + len(image) + o: image[o : o + BLOCK] for o in range(0, len(image), BLOCK)}
    if rng.random() < 0.3:  # two at one address
        world.put(rng.choice([0xC8000, 0xD0000]), option_rom(rng, 0x2000))
    if rng.random() < 0.4:  # a page frame of memory
        for at in range(0xE0000, 0xE4000, BLOCK):
            world.blocks[at] = rng.choice([bytes(BLOCK), rng.randbytes(BLOCK), rng.randbytes(BLOCK)])
    if rng.random() < 0.3:
        world.blocks[0xDF800] = (rng.randrange(0, 0x700), rng.randrange(1, 0x100))
    bios = bytearray(rng.randbytes(0x8000))
    for at in range(0, len(bios), BLOCK):
        bios[at : at + 2] = b"\x00\x00"
    for at in range(0, 0x8000, BLOCK):
        world.blocks[0xF8000 + at] = bytes(bios[at : at + BLOCK])
        world.blocks[0xF0000 + at] = bytes(bios[at : at + BLOCK]) if gap is None else gap
    world.vectors = {number: rng.randrange(FIRST, END) for number in (0x10, 0x13, 0x18, 0x19)}
    world.vectors |= {rng.randrange(0x20, 0xFF): rng.randrange(FIRST, 0xF0000) for _ in range(rng.randint(0, 5))}
    world.memory_k, world.equipment = rng.choice([64, 256, 512, 640]), rng.randrange(1 << 16)
    world.date = rng.choice(["04/08/93", "01/15/88", "~1/0~/9?", "????????"])
    if rng.random() < 0.5:
        bad = rng.random() < 0.5
        where = 0xD0000 + rng.randrange(0x8000)
        world.tests.append(("window", 0xD0000, 0xD7FFF, 3 if bad else 0, where if bad else None, 8 if bad else 0))
        world.tests += [(f"display-{plane}", 0xA0000, 0xAFFFF, 0, None, 0) for plane in range(4)]
    return world
