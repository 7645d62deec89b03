"""`benchd map`: who answers where in the first megabyte, and what the option-ROM scan will find."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchd.cli.output import clean, emit_json, say
from benchd.cli.romfiles import read_image_file, read_raw, write_new
from benchd.errors import CallerError, OutsideError

if TYPE_CHECKING:
    from benchd.rom.layout import Layout
    from benchd.rom.mapfile import MapFile

LINE_LIMIT = 400


def register(app: typer.Typer) -> None:
    """Add the `map` command."""
    app.command(name="map")(show_map)


def load(path: Path) -> tuple[MapFile, Layout, list[str]]:
    """Return (map file, its layout, notes), images read from beside the map file.

    Raises CallerError for a wrong map file (file, line and key), OutsideError for an unreadable image.
    """
    from benchd.rom.mapfile import find_line, parse

    try:
        text = read_raw(path).decode("utf-8")
    except UnicodeDecodeError as error:
        raise CallerError(f"{path}: not UTF-8 text (byte {error.start}): is it a map file?") from None
    found = parse(text, str(path))
    images: dict[str, bytes] = {}
    notes: list[str] = []
    for number, window in enumerate(found.window):
        if window.image is None or window.image in images:
            continue
        if "\0" in window.image:
            line = find_line(text, ("window", number, "image"))
            raise CallerError(f"{path}, line {line}: window[{number + 1}].image: no file name has a NUL in it")
        try:
            images[window.image], more = read_image_file(path.parent / window.image)
        except OutsideError as error:
            line = find_line(text, ("window", number, "image"))
            raise OutsideError(f"{path}, line {line}: window[{number + 1}].image: {error}") from None
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


def show_map(
    file: Annotated[Path, typer.Argument(help="Map file (TOML).", metavar="FILE")],
    json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
    svg: Annotated[Path | None, typer.Option(help="Also draw the map into this SVG file.")] = None,
    room: Annotated[str | None, typer.Option(help="Name the free bases for an image of this size.")] = None,
    force: Annotated[bool, typer.Option("--force", help="Overwrite an existing SVG file.")] = False,
    check: Annotated[
        bool, typer.Option("--check", help="Exit with 1 if windows overlap or a ROM will not run.")
    ] = False,
) -> None:
    """Map the first megabyte of a setup and predict its option-ROM scan.

    Exit codes: 0 fine, 1 a file failed or --check found a conflict, 2 the map file is wrong.
    """
    from benchd.rom.drawtext import draw_text
    from benchd.rom.moves import ways_out
    from benchd.rom.numbers import parse_size, show_size
    from benchd.rom.predict import predict

    try:
        size = None if room is None else parse_size(room)
    except ValueError as error:
        raise CallerError(f"--room: {error}") from None
    found, layout, notes = load(file)
    prediction = predict(layout)
    ways = ways_out(layout)
    extra = [] if size is None else [(f"an image of {show_size(size)}", size, ())]
    fits = room_for(found, layout, extra)
    if svg is not None:
        from benchd.rom.drawsvg import draw_svg

        drawn = draw_svg(layout, prediction, f"First megabyte: {file.name}")
        write_new(svg, drawn.encode(), force, [file, *(file.parent / name for name in found.image_names())])
    if json:
        value = prediction.to_json()
        value["findings"] = notes + list(prediction.findings)
        emit_json(value | {"moves": [way.to_json() for way in ways], "room": fits})
    else:
        pairs = [(str(f["name"]), ", ".join(f["bases"]) or "no free base") for f in fits]
        for line in draw_text(layout, prediction, ways, pairs) + [f"note: {note}" for note in notes]:
            say(clean(line, LINE_LIMIT))
    if check and not prediction.sound:
        raise typer.Exit(1)
