"""Windows in the first megabyte: who answers where, overlaps, and what is left free.

First-megabyte split as PC owner's manuals of the 1990s print it: A0000-BFFFF video memory, C0000-C7FFF
video BIOS, C8000-DFFFF adapters, E0000-EFFFF system or upper memory, F0000-FFFFF system BIOS.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise
from typing import Any, Literal, get_args

from benchd.errors import UsageError
from benchd.rom.forms import From, RomForm, To
from benchd.rom.numbers import BLOCK, MEGABYTE, RESET, SLOT, hex_address, round_up
from benchd.rom.scanrules import ScanRules
from benchd.rom.structs import SIGNATURE

Kind = Literal["rom", "ram", "video", "registers", "shadow", "umb", "page-frame"]
KINDS: tuple[Kind, ...] = get_args(Kind)
LAID_OVER: tuple[Kind, ...] = ("shadow", "umb", "page-frame")
"""What answers nobody on the bus during the scan: copies of ROMs in the board's own memory, and what a memory
manager puts over the bus after the boot (upper-memory blocks, the page frame of expanded memory)."""

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
        return self.bases_at(self.base)

    def bases_at(self, base: int | None) -> tuple[int, ...]:
        """The same with its jumper at `base`."""
        return () if base is None else (base, *(base + distance for distance in self.mirrors))

    @property
    def starts(self) -> bool:
        """True if the processor finds its first instruction here: this is the system BIOS."""
        return self.kind == "rom" and any(base <= RESET < base + self.size for base in self.bases)

    def moved(self, base: int | None) -> Window:
        """Return the window with its jumper at `base`."""
        return replace(self, base=base)

    def content(self) -> tuple[bytes, bytes]:
        """Return (values, known bits) of the window, `size` bytes each.

        Nothing is known of memory and registers. A ROM window without image is taken to start with a
        header that declares the whole window, its other bytes unknown.
        """
        return _content(self.kind, self.image, self.size, self.front, self.pad, self.registers)

    def headers(self) -> tuple[int, ...]:
        """Return the offsets in the window at which a header (55h AAh) stands.

        Multiples of 2 KiB and the start of the image; other multiples of 512 bytes only with a right sum,
        because the window may start off the slots and 55h AAh also occurs by chance.
        """
        value, known = self.content()
        out = []
        for at in sorted({*range(0, self.size - 1, BLOCK), self.front}):
            if value[at : at + 2] != SIGNATURE or known[at : at + 2] != b"\xff\xff":
                continue
            length = value[at + 2] * BLOCK if at + 2 < self.size else 0
            whole = 0 < length <= self.size - at and sum(value[at : at + length]) % 256 == 0
            if at % SLOT == 0 or at == self.front or whole:
                out.append(at)
        return tuple(out)

    def top_headers(self) -> tuple[int, ...]:
        """Return the headers that do not lie inside the length of an earlier good one of this window."""
        return _top_headers(self.moved(None))


@lru_cache(maxsize=WINDOW_LIMIT)
def _content(
    kind: Kind,
    image: bytes | None,
    size: int,
    front: int,
    pad: int | None,
    registers: tuple[tuple[int, int], ...],
) -> tuple[bytes, bytes]:
    if kind != "rom":
        return bytes(size), bytes(size)
    if image is None:
        value, known = _assumed(size, front, pad)
    else:
        value, known = _shown(image, size, front, pad), b"\xff" * size
    for offset, count in registers:
        known = known[:offset] + bytes(count) + known[offset + count :]
    return value, known


def _shown(image: bytes, size: int, front: int, pad: int | None) -> bytes:
    fill = 0xFF if pad is None else pad
    body = bytes([fill]) * front + image
    if pad is None and len(body) < size:
        period = 1 << (len(body) - 1).bit_length()
        body = body + b"\xff" * (period - len(body))
        return (body * -(-size // period))[:size]
    return (body + bytes([fill]) * max(0, size - len(body)))[:size]


def _assumed(size: int, front: int, pad: int | None) -> tuple[bytes, bytes]:
    length = size - front
    value, known = bytearray(size), bytearray(size)
    value[:front] = bytes([0xFF if pad is None else pad]) * front
    known[:front] = b"\xff" * front
    if length >= BLOCK and length % BLOCK == 0 and length // BLOCK <= 0xFF:
        value[front : front + 3] = SIGNATURE + bytes([length // BLOCK])
        known[front : front + 3] = b"\xff\xff\xff"
    return bytes(value), bytes(known)


@lru_cache(maxsize=WINDOW_LIMIT)
def _top_headers(window: Window) -> tuple[int, ...]:
    value, known = window.content()
    if window.image is None and known[window.front : window.front + 3] != b"\xff\xff\xff":
        return (window.front,)
    out: list[int] = []
    covered = 0
    for at in window.headers():
        if at < covered:
            continue
        out.append(at)
        length = value[at + 2] * BLOCK if at + 2 < len(value) else 0
        if 0 < length <= window.size - at and (window.image is None or sum(value[at : at + length]) % 256 == 0):
            covered = at + length
    return tuple(out)


@dataclass(frozen=True, slots=True)
class Layout:
    """The windows of a setup, the scan of its BIOS, and what an unanswered read returns."""

    windows: tuple[Window, ...]
    rules: ScanRules
    floating: int = 0xFF

    def changed(self, name: str, **what: Any) -> Layout:
        """Return the layout with fields of window `name` changed, as a trial's levels change a setup.

        `base` (None: off), `image` (bytes) and any other field of `Window`. Raises UsageError for a name
        that the layout does not have.
        """
        if all(window.name != name for window in self.windows):
            names = ", ".join(window.name for window in self.windows) or "none"
            raise UsageError(f"no window named {name!r} in the map; it has: {names}")
        windows = tuple(replace(w, **what) if w.name == name else w for w in self.windows)
        return replace(self, windows=windows)


@dataclass(frozen=True, slots=True)
class Area:
    """One stretch [first, end) at which window number `window` answers; `mirror` if not at its own base."""

    first: int
    end: int
    window: int
    mirror: bool


@dataclass(frozen=True, slots=True)
class Stretch(RomForm):
    """Inclusive physical addresses."""

    first: From
    last: To

    @property
    def size(self) -> int:
        return self.last - self.first + 1


@dataclass(frozen=True, slots=True)
class Overlap(Stretch):
    """Inclusive physical addresses at which several devices answer; `parties` are window names."""

    parties: tuple[str, ...]


def conflict(one: Window, two: Window) -> bool:
    """True if two windows may not share an address.

    Windows of one card never clash. Shadow RAM shows the ROM that lies under it, and leaves room for what a
    memory manager maps; it hides memory and registers.
    """
    if one.party == two.party:
        return False
    if "shadow" in (one.kind, two.kind):
        return not {one.kind, two.kind} <= {"shadow", "rom", "umb", "page-frame"}
    return True


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
    """Return where two or more devices answer, or one is hidden by what is laid over it (`conflict`)."""
    out: list[Overlap] = []
    for first, end, active in pieces(areas(windows)):
        here = [windows[area.window] for area in active]
        names = tuple(dict.fromkeys(one.name for one in here if any(conflict(one, other) for other in here)))
        if not names:
            continue
        if out and out[-1].parties == names and out[-1].last + 1 == first:
            out[-1] = Overlap(out[-1].first, end - 1, names)
        else:
            out.append(Overlap(first, end - 1, names))
    return tuple(out)


def free(windows: tuple[Window, ...], rules: ScanRules, kind: Kind = "rom") -> tuple[Stretch, ...]:
    """Return the inclusive stretches inside the scan's ranges that are free for a window of `kind`.

    Under shadow RAM there is room for a ROM, not for memory.
    """
    probe = Window("", None, 1, kind)
    taken = sorted((area.first, area.end) for area in areas(one for one in windows if conflict(one, probe)))
    out = []
    for low, high in rules.domain():
        at = low
        for first, end in taken:
            if end <= at or first >= high:
                continue
            if first > at:
                out.append(Stretch(at, first - 1))
            at = max(at, end)
        if at < high:
            out.append(Stretch(at, high - 1))
    return tuple(out)


def free_bases(windows: tuple[Window, ...], rules: ScanRules, size: int, kind: Kind = "rom") -> tuple[int, ...]:
    """Return every slot start in a free stretch from which `size` bytes are free for a window of `kind`."""
    return bases_in(free(windows, rules, kind), rules, size)


def bases_in(stretches: Iterable[Stretch], rules: ScanRules, size: int) -> tuple[int, ...]:
    """Return every slot start in some stretches from which `size` bytes lie in one of them."""
    step = rules.step
    if size < 1:
        return ()
    return tuple(at for one in stretches for at in range(round_up(one.first, step), one.last + 2 - size, step))


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
