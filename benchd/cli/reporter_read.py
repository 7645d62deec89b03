"""`benchd reporter read`: a report out of a capture, or out of text that a terminal program saved."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from benchd.cli.measuredtext import measured_lines
from benchd.cli.options import JsonOption
from benchd.cli.output import clean, emit_json, say
from benchd.decode.report import ReportReader
from benchd.decode.reportline import FORMAT, other_format
from benchd.errors import ExternalError
from benchd.files import read_bytes
from benchd.rom.loading import load_map, read_image_file
from benchd.rom.recognise import name_images, told_apart, window_images
from benchd.vocabulary.measured import Measured
from benchd.watch.replay import Replay

CAPTURE = (b"\x0a\x0d\x0d\x0a", b"\x1f\x8b")
"""How a pcapng file begins (its section header's block type), and one that is compressed."""
LINE_END = re.compile(r"[\r\n]+")


def register(group: typer.Typer) -> None:
    """Add the command to the group."""
    group.command("read")(read)


def read(
    file: Annotated[Path, typer.Argument(help="A capture, or text saved by a terminal program.", metavar="FILE")],
    image: Annotated[
        list[Path] | None, typer.Option(help="A ROM image to recognise; may stand several times.", metavar="IMAGE")
    ] = None,
    map_file: Annotated[Path | None, typer.Option("--map", help="Recognise the images of this map file.")] = None,
    json: JsonOption = False,
) -> None:
    """Read a machine's report and name what is missing of it.

    Of several reports in a file the last whole one is read, else the last.

    Exit codes: 0 a whole report, 1 a damaged one or none, or a file failed, 2 wrong use.
    """
    images = _images(image or [], map_file)
    measured = name_images(measured_of(file), images)
    if json:
        emit_json(measured.model_dump(mode="json", by_alias=True))
    else:
        for line in measured_lines(measured):
            say(clean(line))
    if not measured.complete:
        raise typer.Exit(1)


def measured_of(file: Path) -> Measured:
    """The report of a file. Raises ExternalError where there is none."""
    data = read_bytes(file)
    found = _of_capture(file) if data.startswith(CAPTURE) else _of_text(data)
    whole = [one for one in found if one.complete]
    if not whole and (other := other_format(data.decode("latin-1"))) is not None:
        raise ExternalError(
            f"{file}: the report is of format {other}, and this benchd reads format {FORMAT}: build the reporter "
            "program with this benchd (`benchd reporter build`), or read the report with the one that built it"
        )
    if not found:
        what = "no line of a report is whole" if b"~" in data else "no line begins like one of a report"
        raise ExternalError(f"{file}: holds no report: {what}; check cable, speed and 8N1, and let it report again")
    if len(found) > 1:
        which = "the last whole one" if whole else "the last; none is whole"
        print(f"benchd: {len(found)} reports in {clean(str(file))}: this is {which}", file=sys.stderr)
    return (whole or found)[-1]


def _of_capture(file: Path) -> list[Measured]:
    """The report of each boot in a capture."""
    again = Replay([file])
    found = [boot.measured for boot in again.boots() if boot.measured is not None]
    for problem in again.problems:
        print(f"benchd: {clean(problem)}", file=sys.stderr)
    return found


def _of_text(data: bytes) -> list[Measured]:
    """Each report in a text, in order. One byte is one character, but for UTF-16 with its mark."""
    wide = data[:2] in (b"\xff\xfe", b"\xfe\xff")
    text = data.decode("utf-16", "replace") if wide else data.decode("latin-1")
    reader = ReportReader()
    found: dict[int, Callable[[], Measured]] = {}
    for line in LINE_END.split(text):
        if reader.take(line) and (teller := reader.teller) is not None:
            found[reader.count] = teller
    return [teller() for teller in found.values()]


def _images(files: list[Path], map_file: Path | None) -> dict[str, bytes]:
    windows = load_map(map_file)[1].windows if map_file is not None else ()
    given = told_apart((path.name, read_image_file(path)[0]) for path in files)
    return window_images(((window.image_name, window.image) for window in windows), given)
