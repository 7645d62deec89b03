"""A trial's declared setup held against what the machine read: which factor is contradicted, and by which level.

Takes part where the study's document names a map and factors that move something in it (see `scan_prediction.py`).
A base is contradicted where the image is read at another place, or nobody answers at it; an image where another one of
the study's is read. What a report did not tell, or what FFh leaves open, contradicts nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from benchd.errors import BenchError
from benchd.store import Store
from benchd.studies.document import FactorPart, StudyDocument
from benchd.studies.loaded import images_of, open_study
from benchd.studies.scan_prediction import Images, base_of, can_predict, layout_of, movers, read_image
from benchd.vocabulary.measured import BLOCK, Block, Measured, SetupDiffers
from benchd.vocabulary.models import Boot

if TYPE_CHECKING:
    from benchd.rom.layout import Layout, Window
    from benchd.rom.recognise import Recognised


def setup_differs(
    document: StudyDocument, setup: Mapping[str, str], images: Images, boot: Boot
) -> tuple[SetupDiffers, ...]:
    """What a boot's report contradicts of a setup, a factor each.

    Raises UsageError or ExternalError where map or images cannot be read.
    """
    if boot.measured is None or not can_predict(document):
        return ()
    layout = layout_of(document, setup, images)
    held = _Held(document, setup, images, layout, boot.measured)
    found = (held.differs(factor, setup[factor.name]) for factor in movers(document) if factor.name in setup)
    return tuple(SetupDiffers(boot=boot.id, **one) for one in found if one is not None)


def newest_differs(
    document: StudyDocument, setup: Mapping[str, str], images: Images, boots: Sequence[Boot]
) -> tuple[SetupDiffers, ...]:
    """The same by the last boot of a trial that has a report; empty where map or images cannot be read."""
    measured = [boot for boot in boots if boot.measured is not None]
    try:
        return setup_differs(document, setup, images, measured[-1]) if measured else ()
    except BenchError:
        return ()


def known_images(store: Store, document: StudyDocument) -> dict[str, bytes]:
    """The images of a study's levels by their file's name (`told_apart`), those that can be read."""
    from benchd.rom.recognise import told_apart

    out = []
    for image in images_of(store, document).values():
        with suppress(BenchError):
            out.append((image.name, read_image(image)))
    return told_apart(out)


def with_images(store: Store, boot: Boot) -> Boot:
    """A boot whose report names the images of its trial's study and map, as far as they can be read."""
    if boot.trial is None or boot.measured is None:
        return boot
    from benchd.rom.loading import load_map
    from benchd.rom.recognise import name_images, window_images

    images: dict[str, bytes] = {}
    with suppress(BenchError):
        document = open_study(store, store.trial(boot.trial).study).document
        images = known_images(store, document)
        if document.map is not None:
            windows = load_map(Path(document.map))[1].windows
            images = window_images(((window.image_name, window.image) for window in windows), images)
    return boot.model_copy(update={"measured": name_images(boot.measured, images)})


@dataclass(frozen=True, slots=True)
class _Seen:
    """Whether something answers at a place: as it should (True), not (False), or it cannot be told (None)."""

    right: bool | None
    where: str


class _Held:
    def __init__(
        self, document: StudyDocument, setup: Mapping[str, str], images: Images, layout: Layout, measured: Measured
    ) -> None:
        from benchd.rom.recognise import recognise

        self._document, self._setup, self._images, self._layout = document, setup, images, layout
        self._blocks = measured.by_address()
        self._windows = {window.name: window for window in layout.windows}
        self._known = {
            name: {label: image for label, image in self._labelled(window)} for name, window in self._windows.items()
        }
        every = {f"{name}\0{label}": data for name, own in self._known.items() for label, data in own.items()}
        self._places: dict[tuple[str, str], list[Recognised]] = {}
        for one in recognise(measured, every):
            name, _, label = one.image.partition("\0")
            if not one.mirror:
                self._places.setdefault((name, label), []).append(one)

    def _labelled(self, window: Window) -> Iterator[tuple[str, bytes]]:
        """Images that may stand in a window: its own, and those of the levels of its image factor."""
        if window.image is not None:
            yield "", window.image
        for factor in self._document.factor:
            if factor.kind == "rom-image" and factor.window == window.name:
                for level in factor.levels:
                    if (image := self._images.get(f"{factor.name}={level}")) is not None:
                        yield level, read_image(image)

    def differs(self, factor: FactorPart, declared: str) -> dict[str, str | None] | None:
        """What is contradicted of one factor, as fields of `SetupDiffers`."""
        if factor.kind == "rom-image":
            return self._other_image(factor, declared)
        seen = self._fits(factor, declared)
        if seen.right is not False:
            return None
        fitting = [level for level in factor.levels if level != declared and self._fits(factor, level).right]
        level = fitting[0] if len(fitting) == 1 else None
        return {
            "factor": factor.name,
            "declared": declared,
            "level": level,
            "means": f"You said {factor.name} {declared}; {seen.where}.",
            "detail": f"as {level} would have it" if level is not None else "as no level of this factor has it",
        }

    def _other_image(self, factor: FactorPart, declared: str) -> dict[str, str | None] | None:
        window = factor.window or ""
        read = [level for level in factor.levels if any(one.whole for one in self._places.get((window, level), ()))]
        mine = self._known.get(window, {}).get(declared)
        same = [level for level in read if self._known[window][level] == mine]
        if not read or mine is None or same:
            return None
        level = read[0] if len(read) == 1 else None
        where = self._places[(window, read[0])][0].at
        return {
            "factor": factor.name,
            "declared": declared,
            "level": level,
            "means": f"You said {factor.name} {declared}; {' or '.join(read)} is what is read at {where:05X}.",
            "detail": f"every block of it, in window {window}",
        }

    # ------------------------------------------------------------------ places

    def _moved(self, factor: FactorPart, level: str) -> dict[str, int | None]:
        """The windows that a level moves, and where to."""
        out = {window: base_of(where) for window, where in factor.places.get(level, {}).items()}
        if factor.window and factor.kind == "rom-base":
            out[factor.window] = base_of(level)
        return out

    def _fits(self, factor: FactorPart, level: str) -> _Seen:
        """Whether the machine is as a level would have it."""
        try:
            moved = self._moved(factor, level)
            seen = [self._stands(factor, name, base) for name, base in moved.items() if name in self._windows]
        except ValueError:
            return _Seen(None, "")
        wrong = next((one for one in seen if one.right is False), None)
        if wrong is not None:
            return wrong
        return _Seen(True if seen and all(one.right for one in seen) else None, "")

    def _stands(self, factor: FactorPart, name: str, base: int | None) -> _Seen:
        """Whether a window answers at a base (None: is off)."""
        window = self._windows[name]
        found = [one for label in self._known[name] for one in self._places.get((name, label), ())]
        if found:
            bases = sorted({one.at - window.front for one in found})
            there = " and ".join(f"{at + window.front:05X}" for at in bases)
            return _Seen(base in bases, f"{name} answers at {there}")
        return self._off(factor, name) if base is None else self._answers(window, base)

    def _answers(self, window: Window, base: int) -> _Seen:
        """Whether somebody answers at a base, as far as that can be told without a known image."""
        blocks = self._at(base, window.size)
        if not blocks or any(block is None for block in blocks):
            return _Seen(None, "")
        kinds = {block.class_ for block in blocks if block is not None}
        span = f"{base:05X}-{base + window.size - 1:05X}"
        if kinds == {"floating"} or (window.kind == "rom" and kinds <= {"floating", "ff"}):
            return _Seen(False, f"nobody answers at {span}" if kinds == {"floating"} else f"{span} reads FFh")
        if window.kind == "rom":  # bytes that are not its own say that somebody answers, not who
            return _Seen(None if self._known[window.name] else True, "")
        return _Seen(None if kinds <= {"floating", "ff"} else True, "")

    def _off(self, factor: FactorPart, name: str) -> _Seen:
        """A window that is said to be off: it must not answer at a place that another level gives it."""
        size = self._windows[name].size
        for level in factor.levels:
            base = self._moved(factor, level).get(name)
            if base is None or self._others(name, base, size):
                continue
            blocks = self._at(base, size)
            if any(block is None for block in blocks):
                return _Seen(None, "")
            if all(block is not None and block.class_ not in ("floating", "ff") for block in blocks):
                return _Seen(False, f"{name} answers at {base:05X}")
        return _Seen(True, "")

    def _others(self, name: str, base: int, size: int) -> bool:
        """Whether another window is declared to answer there."""
        return any(
            low < base + size and base < low + other.size
            for other in self._layout.windows
            if other.name != name
            for low in other.bases
        )

    def _at(self, base: int, size: int) -> list[Block | None]:
        return [self._blocks.get(at) for at in range(base // BLOCK * BLOCK, base + size, BLOCK)]
