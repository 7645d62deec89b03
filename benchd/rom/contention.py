"""What the CPU most likely reads where several devices answer.

Rule: bitwise AND. A device pulls bus lines low for its zeros and lets them float high for its ones
(common practice, no source). Bits nobody knows (memory, registers, a ROM without image) stay unknown
unless some other device pulls them low.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from pydantic import Field

from benchd.rom.forms import Count
from benchd.rom.layout import LAID_OVER, Layout, Overlap, Stretch, Window, areas, overlaps, pieces
from benchd.rom.numbers import BLOCK, MEGABYTE

AND_NOTE = "bitwise AND: common practice, no source"
_PRIORITY = {"rom": 0, "ram": 1, "video": 1, "registers": 2}
_FLOATS_FROM, _FLOATS_TO = 0xC0000, 0xF0000


@dataclass(frozen=True, slots=True)
class Memory:
    """The first megabyte as the CPU reads it: byte values, and which of their bits are known."""

    value: bytes
    known: bytes

    def read(self, at: int, count: int) -> tuple[bytes, bool]:
        """Return (`count` bytes from `at`, True if every bit of them is known); wraps at 100000h."""
        at %= MEGABYTE
        raw, known = self.value[at : at + count], self.known[at : at + count]
        if at + count > MEGABYTE:
            raw += self.value[: at + count - MEGABYTE]
            known += self.known[: at + count - MEGABYTE]
        return raw, known.count(0xFF) == len(known)


def and_bits(one: tuple[int, int], two: tuple[int, int]) -> tuple[int, int]:
    """Return (value, known bits) of two (value, known bits) driving one bus: a known 0 always wins."""
    value_a, known_a = one
    value_b, known_b = two
    known = (known_a & known_b) | (known_a & ~value_a) | (known_b & ~value_b)
    return value_a & value_b & known, known


def compose(layout: Layout) -> Memory:
    """Return what reads of the first megabyte give.

    Windows that are laid over the bus (`LAID_OVER`) answer nobody here. Where no window answers, C0000-EFFFF
    floats to `layout.floating`; elsewhere (memory, video, system BIOS) nothing is known.
    """
    value, known = bytearray(MEGABYTE), bytearray(MEGABYTE)
    span = _FLOATS_TO - _FLOATS_FROM
    value[_FLOATS_FROM:_FLOATS_TO] = bytes([layout.floating]) * span
    known[_FLOATS_FROM:_FLOATS_TO] = b"\xff" * span
    contents: dict[int, tuple[bytes, bytes]] = {}
    for first, end, active in pieces(areas(layout.windows)):
        shown: dict[str, tuple[int, bytes, bytes]] = {}
        for area in active:
            window = layout.windows[area.window]
            if window.kind in LAID_OVER:
                continue
            if area.window not in contents:
                contents[area.window] = _bus_content(window)
            raw, bits = contents[area.window]
            low = first - area.first
            part = (_PRIORITY[window.kind], raw[low : low + end - first], bits[low : low + end - first])
            # Inside one card its own decoder picks the device: registers before memory before ROM.
            if window.party not in shown or part[0] > shown[window.party][0]:
                shown[window.party] = part
        parts = list(shown.values())
        if not parts:
            continue
        if len(parts) == 1:
            value[first:end], known[first:end] = parts[0][1], parts[0][2]
            continue
        total = (int.from_bytes(parts[0][1], "big"), int.from_bytes(parts[0][2], "big"))
        for _, raw, bits in parts[1:]:
            total = and_bits(total, (int.from_bytes(raw, "big"), int.from_bytes(bits, "big")))
        value[first:end] = total[0].to_bytes(end - first, "big")
        known[first:end] = total[1].to_bytes(end - first, "big")
    return Memory(bytes(value), bytes(known))


def _bus_content(window: Window) -> tuple[bytes, bytes]:
    """The window's content; of a system BIOS without image nothing is known, it is no option ROM."""
    if window.image is None and window.starts:
        return bytes(window.size), bytes(window.size)
    return window.content()


@dataclass(frozen=True, slots=True)
class Clash(Stretch):
    """What an overlap does to one ROM in it, by the rule named.

    `changed` of the bytes it shows there read otherwise, `unknown` more cannot be told.
    `header_survives` and `checksum_survives` are about the ROM's headers anywhere (None: cannot be told).
    """

    window: str
    others: tuple[str, ...]
    count: Annotated[Count, Field(alias="bytes")]
    changed: Count
    unknown: Count
    header_survives: bool | None
    checksum_survives: bool | None
    note: str
    rule: str = AND_NOTE


class _Contents:
    """What each ROM window by itself would show, kept because overlaps share windows."""

    def __init__(self, layout: Layout) -> None:
        self.windows = {window.name: window for window in layout.windows}
        self._contents: dict[str, bytes] = {}

    def content(self, name: str) -> bytes:
        if name not in self._contents:
            self._contents[name] = self.windows[name].content()[0]
        return self._contents[name]

    def at(self, name: str, first: int, end: int) -> bytes:
        """The window's own bytes for [first, end), from whichever of its places lie there."""
        out = bytearray(b"\xff" * (end - first))
        window = self.windows[name]
        for base in window.bases:
            low, high = max(first, base), min(end, base + window.size)
            if low < high:
                out[low - first : high - first] = self.content(name)[low - base : high - base]
        return bytes(out)


def clashes(layout: Layout, memory: Memory) -> tuple[Clash, ...]:
    """Return, for each overlap and each ROM with an image in it, what survives."""
    shown = _Contents(layout)
    on_bus = tuple(one for one in layout.windows if one.kind not in LAID_OVER)
    return tuple(
        _clash(memory, shown, overlap, name)
        for overlap in overlaps(on_bus)
        for name in overlap.parties
        if shown.windows[name].kind == "rom" and shown.windows[name].image is not None
    )


def _clash(memory: Memory, shown: _Contents, overlap: Overlap, name: str) -> Clash:
    window = shown.windows[name]
    first, end = overlap.first, overlap.last + 1
    own, seen, known = shown.at(name, first, end), memory.value[first:end], memory.known[first:end]
    unknown = len(known) - known.count(0xFF)
    changed = 0
    if own != seen and unknown:
        changed = sum(1 for a, b, k in zip(own, seen, known, strict=True) if a != b and k == 0xFF)
    elif own != seen:
        differing = int.from_bytes(own, "big") ^ int.from_bytes(seen, "big")
        changed = len(own) - differing.to_bytes(len(own), "big").count(0)
    base = next(b for b in window.bases if b < end and first < b + window.size)
    header, total = _survival(memory, window, base, shown.content(name))
    others = tuple(other for other in overlap.parties if other != name)
    low = [other for other in others if shown.windows[other].image is not None and not any(shown.at(other, first, end))]
    text = _clash_text(name, others, low, own, changed, unknown)
    return Clash(first, overlap.last, name, others, len(own), changed, unknown, header, total, text)


def _survival(memory: Memory, window: Window, base: int, content: bytes) -> tuple[bool | None, bool | None]:
    """Whether all headers of the window can still be read, and all sums that were right still are."""
    header: bool | None = True
    total: bool | None = True
    places = [at for at in window.headers() if 0 < content[at + 2] * BLOCK <= len(content) - at]
    if not places:
        return None, None
    for at in places:
        raw, sure = memory.read(base + at, 3)
        if not sure:
            return None, None
        if raw != content[at : at + 3]:
            return False, False
        if sum(content[at : at + raw[2] * BLOCK]) & 0xFF:
            total = False
            continue
        body, sure = memory.read(base + at, raw[2] * BLOCK)
        if not sure:
            total = None if total else total
        elif sum(body) & 0xFF:
            total = False
    return header, total


def _clash_text(name: str, others: tuple[str, ...], low: list[str], own: bytes, changed: int, unknown: int) -> str:
    who = ", ".join(others)
    count = len(own)
    if unknown:
        return f"{unknown:,} of {count:,} bytes of {name} cannot be told: nothing is known of {who} there"
    if changed == 0:
        return f"all {count:,} bytes of {name} read right: {who} pulls no line low there that it leaves high"
    if set(own) == {0xFF}:
        return f"{name} shows only FFh there and gives way: {who} is what is read"
    more = f"; {', '.join(low)} shows only 00h there and pulls every line low, FFh would not" if low else ""
    return f"{changed:,} of {count:,} bytes of {name} read otherwise, ANDed with {who}{more}"
