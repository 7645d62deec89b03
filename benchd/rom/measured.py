"""What a machine reads held against what its map predicts, block by block, and each difference in words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import groupby
from typing import Literal

from benchd.rom.contention import Memory, compose
from benchd.rom.forms import Address, RomForm
from benchd.rom.free import SYSTEM, free_measured
from benchd.rom.layout import LAID_OVER, Area, Layout, Stretch, Window, areas
from benchd.rom.numbers import SLOT, hex_address, show_size
from benchd.rom.recognise import Known, Pairs, Recognised, mark_of, marked, marks_of, recognise, slices, window_images
from benchd.vocabulary.measured import END, FIRST, Block, Measured

Kind = Literal["same", "silent", "blank", "two-answer", "mirror", "elsewhere", "unnamed", "other", "changing", "untold"]
"""How a block that was measured stands to the map:

same: as predicted, or nothing was. silent: nobody answers where a window is. blank: FFh where a ROM holds something.
two-answer: the AND of two. mirror: a ROM again. elsewhere: a known image that the map has not here. unnamed: something
the map does not have. other: not what the window holds. changing: not the same twice. untold: its line was damaged.
"""
Cause = tuple[Kind, str, int]
"""Kind, which words, and for a mirror its distance: neighbours with the same cause are one difference."""


@dataclass(frozen=True, slots=True)
class BlockView(RomForm):
    """A block of 2 KiB: who is predicted to answer, what was measured, how these stand to each other."""

    at: Address
    predicted: tuple[str, ...]
    measured: str
    kind: Kind


@dataclass(frozen=True, slots=True)
class Difference(Stretch):
    """Neighbouring blocks that differ in the same way, and what that means, as a sentence."""

    kind: Kind
    text: str


@dataclass(frozen=True, slots=True)
class MeasuredMap(RomForm):
    """What a boot's report says beside what the map predicts.

    `free` is where nobody answered, and the map lays nothing over the bus later.
    """

    boot: str | None
    complete: bool
    notes: tuple[str, ...]
    blocks: tuple[BlockView, ...]
    differences: tuple[Difference, ...]
    images: tuple[Recognised, ...]
    free: tuple[Stretch, ...]


def hold(layout: Layout, measured: Measured, boot: str | None = None, more: Mapping[str, bytes] = {}) -> MeasuredMap:
    """Hold a report against a layout. `more` are further images, by name, that may be recognised."""
    images = window_images(((window.image_name, window.image) for window in layout.windows), more)
    found = recognise(measured, images)
    judge = _Judge(layout, measured, found, images)
    views = [judge.view(at) for at in range(FIRST, END, SLOT)]
    return MeasuredMap(
        boot=boot,
        complete=measured.complete,
        notes=tuple(measured.notes),
        blocks=tuple(view for view, _ in views),
        differences=tuple(judge.differences((view.at, cause) for view, cause in views)),
        images=found,
        free=free_measured(measured, layout),
    )


class _Judge:
    """Judges the blocks of one report, in ascending order."""

    def __init__(
        self, layout: Layout, measured: Measured, found: tuple[Recognised, ...], images: Mapping[str, bytes]
    ) -> None:
        self._layout, self._found = layout, found
        self._memory: Memory = compose(layout)
        # What is laid over the bus after the scan answers nobody yet: it accounts for nothing that is read.
        self._areas = [area for area in areas(layout.windows) if layout.windows[area.window].kind not in LAID_OVER]
        self._blocks = measured.by_address()
        self._headers = {int(header.at, 16): header.length_bytes for header in measured.roms}
        self._images, self._pairs = images, Pairs(images)
        self._last: Cause = ("same", "", 0)

    def view(self, at: int) -> tuple[BlockView, Cause]:
        here = [area for area in self._areas if area.first < at + SLOT and at < area.end]
        block = self._blocks.get(at)
        cause = self._last = self._goes_on(at, block, here) or self._cause(at, block, here)
        names = tuple(dict.fromkeys(self._layout.windows[area.window].name for area in here))
        if not names and at >= SYSTEM:
            names = ("system BIOS",)
        return BlockView(at, names, _class_of(block), cause[0]), cause

    def _cause(self, at: int, block: Block | None, here: list[Area]) -> Cause:
        if block is None:
            return "untold", "the report does not tell of it: its line was damaged or lost", 0
        windows = [self._layout.windows[area.window] for area in here]
        if not windows:
            return ("same", "", 0) if at >= SYSTEM or block.class_ in ("floating", "ff") else self._uninvited(at, block)
        data, known = self._memory.read(at, SLOT)
        who = " and ".join(dict.fromkeys(window.name for window in windows))
        if known:
            return self._expected(at, block, here, data, who)
        return self._unforeseen(at, block, windows, who)

    def _uninvited(self, at: int, block: Block) -> Cause:
        """Something answers where the map has nobody."""
        if block.class_ == "changing":
            return "changing", _changes(block), 0
        known = self._again(at, block) or self._image(at, block) or self._both(block, ())
        if known is not None:
            return known
        if block.class_ == "constant":
            return "unnamed", f"reads {block.value}h throughout: something answers that the map does not have", 0
        length = self._headers.get(at)
        if length is not None:
            what = f"a ROM of {show_size(length)}" if length else "a ROM header without a length"
            return "unnamed", f"{what} begins here that the map does not have", at
        return "unnamed", "something answers here that the map does not have", 0

    def _expected(self, at: int, block: Block, here: list[Area], data: bytes, who: str) -> Cause:
        """The map knows every byte."""
        if marked(block) == mark_of(data):
            return self._shared(at, here, data, who)
        if block.class_ in ("floating", "ff") and set(data) == {0xFF}:
            return "same", "", 0
        if block.class_ == "floating":
            return "silent", self._gone(here, who), 0
        if block.class_ == "ff":
            return "blank", f"reads FFh where {who} holds something: an empty or erased chip, or nobody answers", 0
        if block.class_ == "changing":
            return "changing", _changes(block), 0
        known = self._again(at, block) or self._image(at, block) or self._both(block, self._known_here(at, here))
        if known is not None:
            return known
        return "other", f"not what {who} holds: another image, a damaged chip, a bad contact or a second device", 0

    def _shared(self, at: int, here: list[Area], data: bytes, who: str) -> Cause:
        """As predicted; but where two answer that is worth telling."""
        parties = {self._layout.windows[area.window].party for area in here}
        if len(parties) < 2 or all(known.data == data for known in self._known_here(at, here)):
            return "same", "", 0
        return "two-answer", f"two devices answer here, as predicted, {who}: bits of both are missing", 0

    def _unforeseen(self, at: int, block: Block, windows: list[Window], who: str) -> Cause:
        """The map knows who answers, and not with which bytes."""
        kinds = {window.kind for window in windows}
        if block.class_ == "floating":
            what = "memory" if kinds <= {"ram", "video"} else "window"
            return "silent", f"nobody answers: the {what} {who} is not there; is its card set to this place?", 0
        if "rom" not in kinds:
            return "same", "", 0
        if block.class_ == "ff":
            return "blank", f"reads FFh: {who} is empty here, or nobody answers", 0
        if block.class_ == "changing" and kinds == {"rom"}:
            return "changing", _changes(block), 0
        return "same", "", 0

    def _gone(self, here: list[Area], who: str) -> str:
        mirrors = all(area.mirror for area in here)
        if mirrors:
            return f"nobody answers: {who} shows no mirror here"
        return f"nobody answers: {who} is set to another place, switched off, or not seated"

    def _known_here(self, at: int, here: list[Area]) -> list[Known]:
        out = []
        for area in here:
            window = self._layout.windows[area.window]
            if window.kind == "rom" and window.image is not None and area.first <= at and at + SLOT <= area.end:
                offset = at - area.first
                name = window.image_name or window.name
                out.append(Known(name, offset // SLOT, window.content()[0][offset : offset + SLOT]))
        return out

    def _again(self, at: int, block: Block) -> Cause | None:
        """A mirror of something that the map or an image file has at a lower address."""
        if block.mirror_of is None:
            return None
        source = int(block.mirror_of, 16)
        owned = any(area.first <= source < area.end for area in self._areas)
        if owned or any(one.first <= source <= one.last for one in self._found):
            return "mirror", "", at - source
        return None

    def _goes_on(self, at: int, block: Block | None, here: list[Area]) -> Cause | None:
        """A block of one value in the middle of a mirror, or of an image where the map has nobody, is part of it.

        A report calls no such block the same as another, and by itself it tells of nobody.
        """
        if here or block is None or block.value is None:
            return None
        kind, _, distance = self._last
        source = self._blocks.get(at - distance)
        if kind == "mirror" and source is not None and block.value == source.value:
            return self._last
        for one in self._found if kind == "elsewhere" else ():
            number = (at - one.at + one.front) // SLOT
            if one.first <= at <= one.last and set(slices(self._images[one.image], one.front)[number]) == {
                int(block.value, 16)
            }:
                return self._last
        return None

    def _image(self, at: int, block: Block) -> Cause | None:
        """A known image that the map has not at this place."""
        for one in self._found:
            number = (at - one.at + one.front) // SLOT
            marks = marks_of(self._images[one.image], one.front)
            if one.first <= at <= one.last and marks[number] == marked(block):
                return "elsewhere", f"{one.image} answers here: its first byte is at {hex_address(one.at)}", 0
        return None

    def _both(self, block: Block, here: list[Known] | tuple[()]) -> Cause | None:
        mark = marked(block)
        pair = self._pairs.find(mark, here) if mark is not None and block.class_ == "content" else None
        if pair is None:
            return None
        return "two-answer", f"two devices answer here, {' and '.join(sorted(pair))}: bits of both are missing", 0

    def differences(self, causes: Iterator[tuple[int, Cause]]) -> Iterator[Difference]:
        """Yield neighbouring blocks with one cause as one difference."""
        runs = []
        for (cause, _), group in groupby(_numbered(causes), key=lambda one: (one[1], one[2])):
            steps = [at for at, _, _ in group]
            runs.append((steps[0], steps[-1] + SLOT, cause))
        for first, end, cause in runs:
            kind, text, distance = cause
            if kind != "same":
                told = self._mirror(first, end, distance) if kind == "mirror" else text
                yield Difference(first, end - 1, kind, told)

    def _mirror(self, first: int, end: int, distance: int) -> str:
        source = first - distance
        text = f"mirror of {hex_address(source)}"
        owner = next((area for area in self._areas if area.first <= source < area.end), None)
        image = next((one for one in self._found if one.first <= source <= one.last), None)
        if owner is not None:
            base, size = owner.first, owner.end - owner.first
            window = self._layout.windows[owner.window]
            size = len(window.image) if window.image is not None else size
        elif image is not None:
            base, size = image.at, image.last + 1 - image.at
        else:
            return text
        if base + size == first:
            return f"{text}: the card decodes {show_size(end - base)} though its image has {show_size(size)}"
        return f"{text}: the card decodes its address in part"


def _numbered(causes: Iterator[tuple[int, Cause]]) -> Iterator[tuple[int, Cause, int]]:
    """Yield (address, cause, run): a ROM header that nobody has begins a run, what follows it goes on in it."""
    run, open_ = 0, False
    for at, cause in causes:
        begins = cause[0] == "unnamed" and cause[2] != 0
        goes_on = open_ and cause[0] == "unnamed" and cause[2] == 0
        if begins:
            run, head = at, cause
        if begins or goes_on:
            open_ = True
            yield at, head, run
        else:
            open_ = False
            yield at, cause, 0


def _class_of(block: Block | None) -> str:
    if block is None:
        return "untold"
    return f"constant {block.value}" if block.class_ == "constant" else block.class_


def _changes(block: Block) -> str:
    where = f" ({block.count} bytes, the first at {block.first})"
    return f"differs between two passes{where}: memory-mapped hardware, or a bad contact"
