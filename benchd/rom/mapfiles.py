"""Map files on disk: the file with its images, as a layout, and the room that is left in it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchd.errors import ExternalError, UsageError
from benchd.rom.files import read_image_file, read_raw

if TYPE_CHECKING:
    from benchd.rom.layout import Layout
    from benchd.rom.mapfile import MapFile


def load(path: Path) -> tuple[MapFile, Layout, list[str]]:
    """Return (map file, its layout, notes), images read from beside the map file.

    Raises UsageError for a wrong map file (file, line and key), ExternalError for an unreadable image.
    """
    from benchd.rom.mapfile import find_line, parse

    try:
        text = read_raw(path).decode("utf-8")
    except UnicodeDecodeError as error:
        raise UsageError(f"{path}: not UTF-8 text (byte {error.start}): is it a map file?") from None
    found = parse(text, str(path))
    images: dict[str, bytes] = {}
    notes: list[str] = []
    for number, window in enumerate(found.window):
        if window.image is None or window.image in images:
            continue
        if "\0" in window.image:
            line = find_line(text, ("window", number, "image"))
            raise UsageError(f"{path}, line {line}: window[{number + 1}].image: no file name has a NUL in it")
        try:
            images[window.image], more = read_image_file(path.parent / window.image)
        except ExternalError as error:
            line = find_line(text, ("window", number, "image"))
            raise ExternalError(f"{path}, line {line}: window[{number + 1}].image: {error}") from None
        notes += [f"{window.image}: {note}" for note in more]
    return found, found.layout(images), notes


def room_for(
    found: MapFile, layout: Layout, extra: Sequence[tuple[str, int, tuple[int, ...]]] = ()
) -> list[dict[str, Any]]:
    """Return the free bases for all that the map file wants, for `extra`, and for each window with jumpers."""
    from benchd.rom.layout import free_bases
    from benchd.rom.numbers import hex_address

    fits: list[dict[str, Any]] = []
    wanted = [(want.name, want.size, tuple(want.positions)) for want in found.want]
    wanted += extra
    wanted += [
        (window.name, window.size, tuple(base for base in window.positions if base is not None))
        for window in layout.windows
        if window.positions
    ]
    for name, wide, positions in wanted:
        others = tuple(window for window in layout.windows if window.name != name)
        bases = free_bases(others, layout.rules, wide)
        if positions:
            bases = tuple(base for base in bases if base in positions)
        fits.append({"name": name, "size": wide, "bases": [hex_address(base) for base in bases]})
    return fits
