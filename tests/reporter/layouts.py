"""Random first megabytes, and what a report of each must say: worked out from the bytes, not by reading them twice."""

from __future__ import annotations

import random
from dataclasses import dataclass, field

from reporter.machine import MEGABYTE, PAGE, Bus
from reporter.reading import crc
from support.option_roms import balance, option_rom

SLOT = 0x800
FIRST = 0xC0000


@dataclass
class Layout:
    """A bus, where the reporter's rom stands, and the memory that the BIOS declares (KiB)."""

    bus: Bus
    base: int
    kib: int
    free: list[int] = field(default_factory=list)

    @property
    def zone(self) -> int | None:
        """The highest 2 KiB below the declared memory that hold one byte throughout, where the reporter may work."""
        at = self.kib * 1024 - SLOT
        while at >= 0x600:
            hollow = any(first <= at < end for first, end in self.bus.hollow)
            if not hollow and len(set(self.bus.memory[at : at + SLOT])) == 1:
                return at
            at -= SLOT
        return None


def blank(rng: random.Random, kib: int = 640) -> Layout:
    """Vectors and BIOS data of any kind, RAM as a memory test leaves it, and nothing from A0000 to the BIOS."""
    memory = bytearray(MEGABYTE + 0x10000)
    memory[:0x600] = rng.randbytes(0x600)
    memory[0x413:0x415] = kib.to_bytes(2, "little")
    memory[kib * 1024 : MEGABYTE] = b"\xff" * (MEGABYTE - kib * 1024)
    bios = rng.choice([0xF0000, 0xF8000, 0xFE000])
    memory[bios:MEGABYTE] = rng.randbytes(MEGABYTE - bios)
    memory[0xFFFF5:0xFFFFD] = b"04/08/93"
    return Layout(Bus(memory), 0, kib, list(range(FIRST, bios, SLOT)))


def random_layout(rng: random.Random, program: bytes, floats: bool) -> Layout:
    """Cards, mirrors, RAM, constant and restless blocks, damaged headers; with `floats` gaps that nobody drives."""
    layout = blank(rng, rng.choice([64, 128, 256, 512, 639, 640]))
    bus = layout.bus
    _litter(rng, layout)
    layout.base = _place(rng, layout, program, len(program))
    bus.program = (layout.base, layout.base + 0x1000)
    own = {step // PAGE for step in range(layout.base, layout.base + len(program), SLOT)}
    for _ in range(rng.randrange(1, 6)):
        image = _image(rng)
        size = max(len(image), rng.choice([0x800, 0x2000, 0x4000, 0x8000]))
        times = -(-size // len(image))
        _place(rng, layout, (image * times)[:size], size)
    for _ in range(rng.randrange(3)):
        size = rng.choice([0x800, 0x1000, 0x4000])
        content = rng.choice([rng.randbytes(size), bytes(size), bytes([rng.randrange(1, 255)]) * size])
        at = _place(rng, layout, content, size)
        if at and at // PAGE not in own and rng.random() < 0.5:
            bus.restless |= {at + rng.randrange(SLOT) for _ in range(rng.randrange(1, 20))}
    if floats:
        bus.queue = rng.randrange(1, 5)
        layout.free = [at for at in layout.free if at // PAGE not in own]  # code runs from whole pages
        _let_float(rng, layout)
    _display(rng, layout)
    return layout


def _litter(rng: random.Random, layout: Layout) -> None:
    """What is left in RAM: the work memory cannot always be at the top."""
    top = layout.kib * 1024
    for _ in range(rng.randrange(4)):
        layout.bus.memory[top - rng.randrange(1, 0x3000)] ^= 0x40
    fill = rng.randrange(256)
    if rng.random() < 0.3:
        layout.bus.memory[top - 0x2800 : top] = bytes([fill]) * 0x2800


def _place(rng: random.Random, layout: Layout, content: bytes, size: int) -> int:
    """Put `content` where there is room; returns where, or 0."""
    free = set(layout.free)
    places = [at for at in layout.free if all(step in free for step in range(at, at + size, SLOT))]
    if not places:
        return 0
    at = rng.choice(places)
    layout.bus.memory[at : at + size] = content
    layout.free = [step for step in layout.free if not at <= step < at + size]
    return at


def _image(rng: random.Random) -> bytes:
    """An option ROM of 2 KiB steps, good or damaged, with structures or without."""
    blocks = rng.choice([4, 8, 16, 32])
    image = bytearray(option_rom(blocks, rng.randrange(256), rng.random(), rng.randrange(1 << 20)))
    sort = rng.choice(["good", "good", "sum", "length", "none", "pointers", "pointers"])
    if sort == "sum":
        image[100] ^= 0x10
    elif sort == "length":
        image[2] = rng.choice([0, 1, 0x7F, 0x80, 0xFF])
    elif sort == "none":
        image[0] = 0xAA
    elif sort == "pointers":
        for at, signature in ((0x18, b"PCIR"), (0x1A, b"$PnP")):
            to = rng.choice([rng.randrange(0x40, len(image) - 8), 0xFFFE, 0x1C])
            image[at : at + 2] = to.to_bytes(2, "little")
            if to < 0xFFFC and rng.random() < 0.7:
                image[to : to + 4] = signature
        image = bytearray(balance(bytes(image)))
    return bytes(image)


def _let_float(rng: random.Random, layout: Layout) -> None:
    bus = layout.bus
    rng.shuffle(layout.free)
    for at in layout.free[:8]:
        bus.floating.append((at, at + SLOT))
    for at in layout.free[8:9]:  # four lines driven
        bus.memory[at : at + SLOT] = rng.randbytes(SLOT)
        bus.floating.append((at, at + SLOT))
        bus.driven[at] = 0x0F
    for at in layout.free[9:10]:  # a card that answers in the lower half only
        bus.memory[at : at + 0x400] = rng.randbytes(0x400)
        bus.floating.append((at + 0x400, at + SLOT))


def _display(rng: random.Random, layout: Layout) -> None:
    memory = layout.bus.memory
    for first, end in rng.sample([(0xA0000, 0xB0000), (0xB0000, 0xB1000), (0xB8000, 0xC0000)], rng.randrange(3)):
        memory[first:end] = rng.choice([bytes(end - first), rng.randbytes(end - first)])
    if layout.bus.floating:
        layout.bus.floating.append((0xB4000, 0xB5000))


def expected_blocks(layout: Layout) -> dict[int, str]:
    """Return {block: what its line must say}, C0000 to FFFFF."""
    memory, seen, out = bytes(layout.bus.memory), {}, {}
    for at in range(FIRST, MEGABYTE, SLOT):
        data = memory[at : at + SLOT]
        if changing := sorted(one for one in layout.bus.restless if at <= one < at + SLOT):
            out[at] = f"changing first {changing[0]:05X} count {len(changing):04X}"
        elif place := next((r for r in layout.bus.floating if at <= r[0] < at + SLOT), None):
            whole = place == (at, at + SLOT) and at not in layout.bus.driven
            out[at] = "floating" if whole else f"changing first {place[0]:05X} count {place[1] - place[0]:04X}"
        elif len(set(data)) == 1:
            out[at] = "ff" if data[0] == 0xFF else f"constant {data[0]:02X}"
        else:
            out[at] = f"content crc {crc(data):04X} sum {sum(data) & 0xFF:02X}"
            if data in seen:
                out[at] += f" same {seen[data]:05X}"
            seen.setdefault(data, at)
    return out


def expected_headers(layout: Layout) -> list[str]:
    """Return the lines of ROM headers; `sum ..` where the sum takes in what does not stay the same."""
    memory, out = bytes(layout.bus.memory[:MEGABYTE]), []
    loose = [*layout.bus.floating, *((one, one + 1) for one in layout.bus.restless)]
    for at in range(FIRST, MEGABYTE, SLOT):
        if memory[at : at + 2] != b"\x55\xaa" or any(first <= at < end for first, end in loose):
            continue
        length = memory[at + 2] * 512
        end = min(at + length, MEGABYTE)
        known = not any(first < end and at < last for first, last in loose)
        total = f"{sum(memory[at:end]) & 0xFF:02X}" if known else ".."
        words = []
        for pointer, signature in ((0x1A, b"$PnP"), (0x18, b"PCIR")):
            to = int.from_bytes(memory[at + pointer : at + pointer + 2], "little")
            words.append(to if memory[at + to : at + to + 4] == signature else 0)
        entry = memory[at + 3 : at + 6].hex().upper()
        out.append(f"rom {at:05X} length {length:04X} sum {total} entry {entry} pnp {words[0]:04X} pcir {words[1]:04X}")
    return out


def expected_rest(memory: bytes) -> list[str]:
    """Return the lines of vectors, BIOS data and ports."""
    out = []
    for number in range(256):
        offset, segment = (int.from_bytes(memory[4 * number + n : 4 * number + n + 2], "little") for n in (0, 2))
        to = (segment * 16 + offset) % MEGABYTE
        if 0xC0000 <= to < 0xF0000 or number in (0x10, 0x13, 0x18, 0x19):
            out.append(f"vector {number:02X} {to:05X}")

    def word(at: int) -> str:
        return f"{int.from_bytes(memory[at : at + 2], 'little'):04X}"

    date = "".join(chr(byte) if 0x21 <= byte <= 0x7E else "?" for byte in memory[0xFFFF5:0xFFFFD])
    out.append(
        f"bios memory {word(0x413)} equipment {word(0x410)} video {memory[0x449]:02X} "
        f"model {memory[0xFFFFE]:02X} date {date}"
    )
    com, lpt = ([word(first + 2 * n) for n in range(count)] for first, count in ((0x400, 4), (0x408, 3)))
    out.append(f"ports com {' '.join(com)} lpt {' '.join(lpt)}")
    return out


def expected_display(layout: Layout) -> dict[int, str]:
    """Return {block: what answers}, A0000 to BFFFF."""
    out = {}
    for at in range(0xA0000, 0xC0000, SLOT):
        floating = any(first <= at < end for first, end in layout.bus.floating)
        steady = set(layout.bus.memory[at : at + SLOT]) == {0xFF}
        out[at] = "floating" if floating else "ff" if steady else "answers"
    return out
