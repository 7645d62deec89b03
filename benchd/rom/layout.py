"""Windows in the first megabyte: who answers where, overlaps, and what is left free.

First-megabyte split as PC owner's manuals of the 1990s print it: A0000-BFFFF video memory, C0000-C7FFF
video BIOS, C8000-DFFFF adapters, E0000-EFFFF system or upper memory, F0000-FFFFF system BIOS.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

from benchd.rom.numbers import BLOCK, MEGABYTE, SLOT, hex_address
from benchd.rom.scanrules import ScanRules
from benchd.rom.structs import SIGNATURE

Kind = Literal["rom", "ram", "video", "registers"]
KINDS: tuple[Kind, ...] = ("rom", "ram", "video", "registers")

REGIONS: tuple[tuple[int, int, str], ...] = (
    (0x00000, 0x9FFFF, "base memory"),
    (0xA0000, 0xBFFFF, "video memory"),
    (0xC0000, 0xC7FFF, "video BIOS"),
    (0xC8000, 0xDFFFF, "adapters"),
    (0xE0000, 0xEFFFF, "system or upper memory"),
    (0xF0000, 0xFFFFF, "system BIOS"),
)

WINDOW_LIMIT = 256
MIRROR_LIMIT = 64


@dataclass(frozen=True, slots=True)
class Window:
    """Addresses at which one device answers.

    `base` is None where the card is set to "off". `image` lies `front` bytes into the window; what the
    window shows around it is `pad` (a byte value; FFh is the same as nothing driving the bus) or, with
    `pad` None, the image again (a chip smaller than its window). `mirrors` are further places where the
    window answers because its address is decoded in part, as distances from `base`. `registers` are
    (offset, size) stretches inside the window that hold no ROM. `positions` are the bases its jumpers
    allow. `codes`, `stage` and `text` say what shows that the ROM ran.
    """

    name: str
    base: int | None
    size: int
    kind: Kind = "rom"
    image: bytes | None = None
    image_name: str | None = None
    card: str | None = None
    front: int = 0
    pad: int | None = 0xFF
    mirrors: tuple[int, ...] = ()
    registers: tuple[tuple[int, int], ...] = ()
    positions: tuple[int | None, ...] = ()
    bits: int | None = None
    codes: tuple[int, ...] = ()
    stage: str | None = None
    text: str | None = None

    @property
    def party(self) -> str:
        """What counts as one device on the bus: the card where named, else the window itself."""
        return self.card if self.card is not None else self.name

    @property
    def bases(self) -> tuple[int, ...]:
        """Every address at which the window starts, its own first; empty where it is off."""
        if self.base is None:
            return ()
        return (self.base, *(self.base + distance for distance in self.mirrors))

    def moved(self, base: int | None) -> Window:
        """Return the window with its jumper at `base`."""
        return replace(self, base=base)

    def content(self) -> tuple[bytes, bytes]:
        """Return (values, known bits) of the window, `size` bytes each.

        Nothing is known of memory and registers. A ROM window without image is taken to start with a
        header that declares the whole window, its other bytes unknown.
        """
        if self.kind != "rom":
            return bytes(self.size), bytes(self.size)
        if self.image is None:
            value, known = self._assumed()
        else:
            value = self._shown(self.image)
            known = b"\xff" * self.size
        for offset, size in self.registers:
            known = known[:offset] + bytes(size) + known[offset + size :]
        return value, known

    def _shown(self, image: bytes) -> bytes:
        fill = 0xFF if self.pad is None else self.pad
        body = bytes([fill]) * self.front + image
        if self.pad is None and len(body) < self.size:
            period = 1 << (len(body) - 1).bit_length()
            body = body + b"\xff" * (period - len(body))
            return (body * -(-self.size // period))[: self.size]
        return (body + bytes([fill]) * max(0, self.size - len(body)))[: self.size]

    def _assumed(self) -> tuple[bytes, bytes]:
        length = self.size - self.front
        value, known = bytearray(self.size), bytearray(self.size)
        fill = 0xFF if self.pad is None else self.pad
        value[: self.front] = bytes([fill]) * self.front
        known[: self.front] = b"\xff" * self.front
        if length >= BLOCK and length % BLOCK == 0 and length // BLOCK <= 0xFF:
            value[self.front : self.front + 3] = SIGNATURE + bytes([length // BLOCK])
            known[self.front : self.front + 3] = b"\xff\xff\xff"
        return bytes(value), bytes(known)

    def headers(self) -> tuple[int, ...]:
        """Return the offsets in the window at which a header (55h AAh) stands on its own 2 KiB slots."""
        value, known = self.content()
        places = sorted({*range(0, self.size, SLOT), self.front})
        return tuple(
            at
            for at in places
            if value[at : at + 2] == SIGNATURE and known[at : at + 2] == b"\xff\xff"
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Layout:
    """The windows of a setup, the scan of its BIOS, and what an unanswered read returns."""

    windows: tuple[Window, ...]
    rules: ScanRules
    floating: int = 0xFF


@dataclass(frozen=True, slots=True)
class Area:
    """One stretch [first, end) at which window number `window` answers; `mirror` if not at its own base."""

    first: int
    end: int
    window: int
    mirror: bool


@dataclass(frozen=True, slots=True)
class Overlap:
    """Inclusive physical addresses at which several devices answer; `parties` are window names."""

    first: int
    last: int
    parties: tuple[str, ...]

    def to_json(self) -> dict[str, object]:
        """The published shape."""
        return {"from": hex_address(self.first), "to": hex_address(self.last), "parties": list(self.parties)}


def areas(windows: Iterable[Window]) -> list[Area]:
    """Return every place where a window answers, by address, cut at the end of the first megabyte."""
    out = []
    for number, window in enumerate(windows):
        for nth, base in enumerate(window.bases):
            if 0 <= base < MEGABYTE:
                out.append(Area(base, min(base + window.size, MEGABYTE), number, nth > 0))
    return sorted(out, key=lambda area: (area.first, area.window))


def pieces(places: list[Area]) -> list[tuple[int, int, tuple[Area, ...]]]:
    """Cut the address space so that in each (first, end, areas) the same areas answer throughout."""
    edges = sorted({edge for area in places for edge in (area.first, area.end)})
    out = []
    active: list[Area] = []
    waiting = 0
    for first, end in pairwise(edges):
        while waiting < len(places) and places[waiting].first <= first:
            active.append(places[waiting])
            waiting += 1
        active = [area for area in active if area.end > first]
        if active:
            out.append((first, end, tuple(sorted(active, key=lambda area: area.window))))
    return out


def overlaps(windows: tuple[Window, ...]) -> tuple[Overlap, ...]:
    """Return where two or more devices answer; windows of one card do not clash with each other."""
    out: list[Overlap] = []
    for first, end, active in pieces(areas(windows)):
        if len({windows[area.window].party for area in active}) < 2:
            continue
        names = tuple(dict.fromkeys(windows[area.window].name for area in active))
        if out and out[-1].parties == names and out[-1].last + 1 == first:
            out[-1] = Overlap(out[-1].first, end - 1, names)
        else:
            out.append(Overlap(first, end - 1, names))
    return tuple(out)


def free(windows: tuple[Window, ...], rules: ScanRules) -> tuple[tuple[int, int], ...]:
    """Return the inclusive stretches inside the scan's ranges at which no window answers."""
    taken = sorted((area.first, area.end) for area in areas(windows))
    out = []
    for low, high in rules.domain():
        at = low
        for first, end in taken:
            if end <= at or first >= high:
                continue
            if first > at:
                out.append((at, first - 1))
            at = max(at, end)
        if at < high:
            out.append((at, high - 1))
    return tuple(out)


def free_bases(windows: tuple[Window, ...], rules: ScanRules, size: int) -> tuple[int, ...]:
    """Return every slot start in a free stretch from which `size` bytes are free."""
    if size < 1:
        return ()
    out = []
    for first, last in free(windows, rules):
        step = rules.step
        at = -(-first // step) * step
        while at + size - 1 <= last:
            out.append(at)
            at += step
    return tuple(out)


def width_clashes(windows: tuple[Window, ...]) -> list[str]:
    """Name 128 KiB blocks that hold 8-bit and 16-bit windows (from memory, common practice, no source).

    A card claims 16-bit memory cycles from address lines A17-A23 alone, so all windows of one 128 KiB
    block are read at its width.
    """
    out = []
    for block in range(0, MEGABYTE, 0x20000):
        here = [w for w in windows if any(block < b + w.size and b < block + 0x20000 for b in w.bases)]
        narrow = [w.name for w in here if w.bits == 8]
        wide = [w.name for w in here if w.bits == 16]
        if narrow and wide:
            out.append(
                f"{hex_address(block)}-{hex_address(block + 0x1FFFF)} holds 16-bit ({', '.join(wide)}) and "
                f"8-bit ({', '.join(narrow)}) windows: the 8-bit ones may misread (common practice, no source)"
            )
    return out
