"""`benchd map`: who answers where in the first megabyte, and what the option-ROM scan will find."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchd.cli.options import ConfigOption
from benchd.cli.output import clean, emit_json, say
from benchd.errors import UsageError
from benchd.files import write_new
from benchd.rom.loading import load_map
from benchd.vocabulary.measured import Measured

if TYPE_CHECKING:
    from benchd.rom.mapfile import WantTable

LINE_LIMIT = 400


def register(app: typer.Typer) -> None:
    """Add the `map` command."""
    app.command(name="map")(show_map)


def show_map(
    file: Annotated[Path, typer.Argument(help="Map file (TOML).", metavar="FILE")],
    json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
    svg: Annotated[Path | None, typer.Option(help="Also draw the map into this SVG file.")] = None,
    room: Annotated[str | None, typer.Option(help="Name the free bases for an image of this size.")] = None,
    force: Annotated[bool, typer.Option("--force", help="Overwrite an existing SVG file.")] = False,
    measured: Annotated[
        str | None,
        typer.Option(
            help="Beside it what a boot's report says, or a file's: a boot's id, `last`, or a capture or text."
        ),
    ] = None,
    config: ConfigOption = None,
    check: Annotated[
        bool,
        typer.Option(
            "--check", help="Exit with 1 if windows overlap, a ROM will not run, or what was measured differs."
        ),
    ] = False,
) -> None:
    """Map the first megabyte, predict the option-ROM scan.

    Exit codes: 0 fine, 1 a file or the store failed or --check found a conflict, 2 the map file is wrong, or no such
    boot or report.
    """
    from benchd.rom.drawtext import draw_text
    from benchd.rom.mapfile import room_for
    from benchd.rom.measured import hold
    from benchd.rom.moves import report

    extra = [] if room is None else [_wanted(room)]
    found, layout, notes = load_map(file)
    said, boot, more = (None, None, {}) if measured is None else _measured(measured, config)
    held = None if said is None else hold(layout, said, boot, more)
    told = report(layout, room_for(found, layout, extra, said), held)
    if svg is not None:
        from benchd.rom.drawsvg import draw_svg

        drawn = draw_svg(layout, told, f"First megabyte: {file.name}")
        write_new(svg, drawn.encode(), force, [file, *(file.parent / name for name in found.image_names())])
    if json:
        emit_json(told.to_json() | {"findings": [*notes, *told.findings]})
    else:
        for line in draw_text(layout, told) + [f"note: {note}" for note in notes]:
            say(clean(line, LINE_LIMIT))
    if check and not (told.sound and (held is None or (held.complete and not held.differences))):
        raise typer.Exit(1)


def _wanted(room: str) -> WantTable:
    """What --room asks for. Raises UsageError."""
    from benchd.rom.mapfile import WantTable
    from benchd.rom.numbers import parse_size, show_size

    try:
        size = parse_size(room)
    except ValueError as error:
        raise UsageError(f"--room: {error}") from None
    return WantTable(name=f"an image of {show_size(size)}", size=size)


def _measured(named: str, config: Path | None) -> tuple[Measured, str | None, dict[str, bytes]]:
    """The report that is meant; where it is a boot's, its id, and its study's images. Raises UsageError for none."""
    if Path(named).is_file():
        from benchd.cli.reporter_read import measured_of

        return measured_of(Path(named)), None, {}
    from benchd.cli.common import store_of
    from benchd.studies.loaded import open_study
    from benchd.studies.measuring import known_images

    with store_of(config) as store:
        if named == "last":
            boot = store.newest_measured()
            if boot is None:
                raise UsageError("no boot that is stored has a report: see firmware-notes/reporter.md")
        else:
            boot = store.boot(named)
        images: dict[str, bytes] = {}
        if boot.trial is not None:
            images = known_images(store, open_study(store, store.trial(boot.trial).study).document)
    if boot.measured is None:
        raise UsageError(f"boot {boot.id} has no report: let the machine report itself (`benchd reporter --help`)")
    return boot.measured, boot.id, images
