"""The map file: a setup's windows and its scan, written as TOML.

`parse` checks one and names file, line and key of whatever is wrong; `MapFile.layout` makes the values.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Annotated, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from benchd.rom.free import free_measured, within
from benchd.rom.layout import MIRROR_LIMIT, WINDOW_LIMIT, Kind, Layout, Window, bases_in, free_bases
from benchd.rom.moves import Room
from benchd.rom.numbers import MEGABYTE, hex_address, parse_address, parse_byte, parse_size
from benchd.rom.scanrules import BLOCK_BYTES, E0000, PRESETS, Follow, FollowBad, Rounding, ScanRules, Sweep, ZeroLength
from benchd.tomlfile import misplaced, validate
from benchd.vocabulary.measured import Measured

TEXT_LIMIT = 200
HABITS = ("checksum", "after_good", "after_bad", "rounding", "zero_length", "sum_bits", "advance_bits")
"""Keys of `[scan]` that are a scanner's own, beside its sweeps."""


def _positive_size(text: object) -> int:
    value = parse_size(text)
    if not 1 <= value <= MEGABYTE:
        raise ValueError(f"size {text!r} is outside 1 byte to 1 MiB")
    return value


def _step(text: object) -> int:
    value = parse_size(text)
    if value < 512 or value > 0x10000 or value & (value - 1):
        raise ValueError(f"step {text!r} is no power of two from 512 to 64K")
    return value


def _position(text: object) -> int | None:
    return None if text == "off" else parse_address(text)


def _pad(text: object) -> int | None:
    return None if text == "mirror" else parse_byte(text)


Address = Annotated[int, BeforeValidator(parse_address)]
Size = Annotated[int, BeforeValidator(_positive_size)]
Front = Annotated[int, BeforeValidator(parse_size)]
Step = Annotated[int, BeforeValidator(_step)]
Byte = Annotated[int, BeforeValidator(parse_byte)]
Position = Annotated[int | None, BeforeValidator(_position)]
Pad = Annotated[int | None, BeforeValidator(_pad)]
Text = Annotated[str, Field(min_length=1, max_length=TEXT_LIMIT)]


NO_CODE = ("umb", "page-frame")
STEPS = {"page-frame": 0x4000, "shadow": 0x1000, "umb": 0x10}
"""Sizes that there can be: expanded memory comes in pages of 16 KiB (LIM EMS 4.0, page frame), paged memory of a 386 in
pages of 4 KiB and chip sets shadow more at a time (common practice), upper memory blocks in paragraphs."""
FRAME_MOST = 0x10000


class _Table(BaseModel):
    model_config = ConfigDict(defer_build=True, extra="forbid", frozen=True, strict=True)


class ScanTable(_Table):
    """`[scan]`: a preset, or `from` and `to`, and what differs from the preset."""

    preset: str | None = None
    first: Address | None = Field(None, alias="from")
    last: Address | None = Field(None, alias="to")
    step: Step | None = None
    checksum: bool | None = None
    e0000: Literal["slots", "once", "block"] | None = None
    after_good: Follow | None = None
    after_bad: FollowBad | None = None
    rounding: Rounding | None = None
    zero_length: ZeroLength | None = None
    sum_bits: Literal[16, 32] | None = None
    advance_bits: Literal[16, 32] | None = None

    @model_validator(mode="after")
    def _check(self) -> ScanTable:
        if self.preset is not None and self.preset not in PRESETS:
            raise misplaced("scan", ("preset",), f"{self.preset[:40]!r} is none of {', '.join(PRESETS)}")
        if (self.first is None) != (self.last is None):
            here = "from" if self.last is None else "to"
            raise misplaced("scan", (here,), "`from` and `to` go together: give both, or a preset alone")
        if self.first is not None and self.last is not None and self.last < self.first:
            why = f"`to` {hex_address(self.last)} lies before `from` {hex_address(self.first)}"
            raise misplaced("scan", ("to",), why)
        if self.first is None and self.preset is None:
            raise ValueError("give `from` and `to`, or `preset`")
        return self

    def rules(self) -> ScanRules:
        """Return the scanner that the table describes."""
        base = PRESETS[self.preset] if self.preset else ScanRules("map file", (), source="the map file")
        passes = base.passes
        step = self.step or base.step
        if self.first is not None and self.last is not None:
            passes = (Sweep(self.first, self.last, step),)
        elif self.step is not None:
            passes = tuple(p if p.block else Sweep(p.first, p.last, step) for p in passes)
        if self.e0000 in ("once", "block"):
            passes = _with_e0000(passes, step, self.e0000 == "block")
        given = {key: getattr(self, key) for key in HABITS if getattr(self, key) is not None}
        if self.preset and passes != base.passes:
            given["name"] = f"{base.name}, ranges from the map file"
        elif self.preset and given:
            given["name"] = f"{base.name}, {', '.join(given)} from the map file"
        return replace(base, passes=passes, **given)


def _with_e0000(passes: tuple[Sweep, ...], step: int, block: bool) -> tuple[Sweep, ...]:
    kept = [Sweep(p.first, min(p.last, E0000 - 1), p.step) for p in passes if p.first < E0000]
    last = Sweep(E0000, E0000, BLOCK_BYTES, block=True) if block else Sweep(E0000, E0000, step)
    return (*kept, last)


class RegisterTable(_Table):
    """`[[window.registers]]`: a stretch inside a ROM window that holds no ROM."""

    offset: Front
    size: Size


class WindowTable(_Table):
    """`[[window]]`: addresses at which one device answers."""

    name: Text
    base: Position
    size: Size
    kind: Kind = "rom"
    image: Text | None = None
    card: Text | None = None
    front: Front = 0
    pad: Pad = 0xFF
    mirrors: list[Address] = Field(default_factory=list, max_length=MIRROR_LIMIT)
    registers: list[RegisterTable] = Field(default_factory=list, max_length=MIRROR_LIMIT)
    positions: list[Position] = Field(default_factory=list, max_length=MIRROR_LIMIT)
    bits: Literal[8, 16] | None = None
    codes: list[Byte] = Field(default_factory=list, max_length=256)
    stage: Text | None = None
    text: Text | None = None

    @model_validator(mode="after")
    def _fits(self) -> WindowTable:
        places = [base for base in (self.base, *self.mirrors) if base is not None]
        for base in (*places, *self.positions):
            if base is not None and base + self.size > MEGABYTE:
                raise ValueError(
                    f"{self.size:,} bytes from {hex_address(base)} reach past FFFFF, the end of the megabyte"
                )
        if self.mirrors and self.base is None:
            raise ValueError("`mirrors` need a `base` that is not off: they are kept as distances from it")
        if any(b - a < self.size for a, b in pairwise(sorted(places))):
            raise ValueError("`mirrors` lie closer together than `size`: the window would overlap itself")
        return self

    @model_validator(mode="after")
    def _holds(self) -> WindowTable:
        for one in self.registers:
            if one.offset + one.size > self.size:
                raise ValueError(
                    f"registers at {one.offset:X}h of {one.size:,} bytes reach past the window of {self.size:,}"
                )
        if self.front >= self.size:
            raise ValueError(f"`front` {self.front:,} leaves nothing of the window of {self.size:,} bytes")
        if self.kind != "rom" and (self.image is not None or self.front or self.registers):
            raise ValueError(f'`image`, `front` and `registers` belong to kind "rom", not "{self.kind}"')
        return self

    @model_validator(mode="after")
    def _can_be(self) -> WindowTable:
        if self.kind in NO_CODE and (self.codes or self.stage is not None or self.text is not None):
            key = "codes" if self.codes else "stage" if self.stage is not None else "text"
            raise misplaced("window", (key,), f'memory of kind "{self.kind}" runs no code of its own: leave {key} out')
        step = STEPS.get(self.kind, 1)
        if self.size % step:
            piece = f"{step // 1024} KiB" if step >= 1024 else f"{step} bytes"
            why = f'{self.size:,} bytes: a window of kind "{self.kind}" is made of pieces of {piece}'
            raise misplaced("window", ("size",), why)
        if self.kind == "page-frame" and self.size > FRAME_MOST:
            raise misplaced("window", ("size",), f"{self.size:,} bytes: a page frame has at most four pages, 64 KiB")
        return self


class WantTable(_Table):
    """`[[want]]`: an image that needs a place; `positions` are those that its card allows."""

    name: Text
    size: Size
    positions: list[Address] = Field(default_factory=list, max_length=MIRROR_LIMIT)


class MapFile(_Table):
    """A whole map file."""

    scan: ScanTable = Field(default_factory=lambda: ScanTable(preset="pnp-1.0a"))  # type: ignore[call-arg]
    window: list[WindowTable] = Field(default_factory=list, max_length=WINDOW_LIMIT)
    want: list[WantTable] = Field(default_factory=list, max_length=WINDOW_LIMIT)
    floating: Byte = 0xFF

    @model_validator(mode="after")
    def _unique(self) -> MapFile:
        names: set[str] = set()
        for number, window in enumerate(self.window):
            if window.name in names:
                why = f"{window.name!r} is used twice; names tell parties apart"
                raise misplaced("map", ("window", number, "name"), why)
            names.add(window.name)
        return self

    def image_names(self) -> list[str]:
        """Return the image files that the windows name, each once, in order."""
        return list(dict.fromkeys(w.image for w in self.window if w.image is not None))

    def layout(self, images: Mapping[str, bytes]) -> Layout:
        """Return the layout, with `images` by the names that `image_names` gave. Raises KeyError."""
        same = ("name", "base", "size", "kind", "card", "front", "pad", "bits", "stage", "text")
        windows = tuple(
            Window(
                image=None if w.image is None else images[w.image],
                image_name=w.image,
                mirrors=tuple(m - w.base for m in w.mirrors) if w.base is not None else (),
                registers=tuple((r.offset, r.size) for r in w.registers),
                positions=tuple(w.positions),
                codes=tuple(w.codes),
                **{key: getattr(w, key) for key in same},
            )
            for w in self.window
        )
        return Layout(windows, self.scan.rules(), self.floating)


def parse(text: str, name: str) -> MapFile:
    """Return the map that `text` (the content of file `name`) describes.

    Raises FileProblems naming file, line and key of everything that is wrong.
    """
    return validate(MapFile, text, name)


def room_for(
    found: MapFile, layout: Layout, extra: Sequence[WantTable] = (), measured: Measured | None = None
) -> tuple[Room, ...]:
    """Return the free bases for all that the map file wants, for `extra`, and for each window with jumpers.

    With a machine's report free is where nobody answered it and nothing is laid over later, whatever else the map says.
    """
    wanted: list[tuple[str, int, Sequence[int | None], Kind]]
    wanted = [(w.name, w.size, w.positions, "rom") for w in (*found.want, *extra)]
    wanted += [(w.name, w.size, w.positions, w.kind) for w in layout.windows if w.positions]
    out = []
    for name, size, positions, kind in wanted:
        if measured is None:
            others = tuple(window for window in layout.windows if window.name != name)
            bases = free_bases(others, layout.rules, size, kind)
        else:
            inside = within(free_measured(measured, layout, but=name, kind=kind), layout.rules)
            bases = bases_in(inside, layout.rules, size)
        out.append(Room(name, size, tuple(base for base in bases if not positions or base in positions)))
    return tuple(out)
