"""Image and map files on disk: images in any of their forms, a map file with its images as a layout."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from benchd.errors import ExternalError, UsageError
from benchd.files import TOML_LIMIT, read_bytes, read_text
from benchd.rom.textforms import from_text_form

if TYPE_CHECKING:
    from benchd.rom.layout import Layout
    from benchd.rom.mapfile import MapFile


def read_image_file(path: Path) -> tuple[bytes, list[str]]:
    """Return (image bytes, notes); Intel HEX and S-record text are converted. Raises as `read_bytes`."""
    data = read_bytes(path)
    try:
        return from_text_form(data)
    except ValueError as error:
        raise ExternalError(f"{path}: {error}; export the image again") from None


def load_map(path: Path) -> tuple[MapFile, Layout, list[str]]:
    """Return (map file, its layout, notes), images read from beside the map file.

    Raises UsageError for a wrong map file (file, line and key), ExternalError for an unreadable image.
    """
    from benchd.rom.mapfile import parse
    from benchd.tomlfile import Problem, locate

    text = read_text(path, TOML_LIMIT)
    found = parse(text, str(path))
    images: dict[str, bytes] = {}
    notes: list[str] = []
    for number, window in enumerate(found.window):
        if window.image is None or window.image in images:
            continue
        try:
            images[window.image], more = read_image_file(path.parent / window.image)
        except (ExternalError, UsageError) as error:
            line = locate(text, ("window", number, "image"))
            raise type(error)(str(Problem(str(path), line, f"window[{number + 1}].image", str(error)))) from None
        notes += [f"{window.image}: {note}" for note in more]
    return found, found.layout(images), notes
