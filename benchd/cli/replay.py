"""`benchd replay`: boots from captures alone."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from benchd.cli.boots import boot_page, boot_table, boots_json
from benchd.cli.options import JsonOption
from benchd.cli.output import clean, emit_json, say, tell
from benchd.errors import UsageError
from benchd.rules.files import RECORD, find_table, read_table_text
from benchd.vocabulary.models import Boot
from benchd.watch.archive import About, opened
from benchd.watch.rebuild import as_ended, boots_in
from benchd.watch.replay import Replay
from benchd.watch.textlog import read_text_log


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(replay)


def replay(
    files: Annotated[
        list[Path] | None, typer.Argument(help="Capture files, or archives of them.", metavar="FILE...")
    ] = None,
    rules: Annotated[
        str | None, typer.Option(help="Judge by this rule table (path or name) instead of the one named.")
    ] = None,
    text: Annotated[
        Path | None, typer.Option(help="Text that a terminal program saved, in place of captures.", metavar="FILE")
    ] = None,
    times: Annotated[
        str | None,
        typer.Option(help="Stamps in it: auto, none, epoch, iso, date, clock, seconds, since-last.", metavar="KIND"),
    ] = None,
    timing: Annotated[
        Path | None, typer.Option(help="The timing file that script wrote with it.", metavar="FILE")
    ] = None,
    speed: Annotated[int | None, typer.Option(help="The line's speed in bit/s. Default: 9600.")] = None,
    json: JsonOption = False,
) -> None:
    """Judge captures again, from the files alone.

    The same boots as live, or as another table sees them.

    With --text a log that a terminal program saved, by --rules TABLE (else it is only divided into boots).

    Exit codes: 0 fine, 1 a file is damaged (what is whole was read), 2 no capture, or no such table.
    """
    if text is not None:
        if files:
            raise UsageError("give captures or --text FILE, not both")
        _replay_text(text, rules, times, timing, speed, json)
        return
    if not files:
        raise UsageError("Missing argument 'FILE...': name captures, or a saved log with --text FILE")
    if times or timing or speed:
        raise UsageError("--times, --timing and --speed go with --text FILE")
    with opened(files) as captures:
        again = Replay(captures, rules)
        abouts = {capture.path: About.of(capture) for capture in again.captures}
        began = boots_in(again, [])
    found = [boot for boot, path in began if abouts[path] is None]
    for boot, path in began:  # one that was cut out is over, though its file may not hold what ended it
        if (about := abouts[path]) is not None and boot.id in about.boots:
            found.append(as_ended(boot))
    found.sort(key=lambda boot: (boot.started, boot.id))
    _tell(found, again.problems, json, "No boots in these captures.")


def _tell(found: list[Boot], problems: list[str], json: bool, none: str) -> None:
    if json:
        emit_json(boots_json(found))
    else:
        tell(boot_table(found) if found else [none])
        if len(found) == 1:
            say()
            tell(boot_page(found[0], None))
    for problem in problems:
        print(f"benchd: {clean(problem)}", file=sys.stderr)
    if problems:
        raise typer.Exit(1)


def _replay_text(
    text: Path, rules: str | None, times: str | None, timing: Path | None, speed: int | None, json: bool
) -> None:
    if times is not None and timing is not None:
        raise UsageError("give --times or --timing, not both")
    table = find_table(rules or RECORD, Path())
    log = read_text_log(text, times=times or "auto", timing=timing, speed=9600 if speed is None else speed)
    found = log.boots(read_table_text(table), str(table))
    if not json:
        say(clean(log.remark))
    _tell(found, log.problems, json, "No boots in this text.")
