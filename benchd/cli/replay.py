"""`benchd replay`: boots from captures alone."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from benchd.cli.boots import boot_page, boot_table, boots_json
from benchd.cli.options import JsonOption
from benchd.cli.output import clean, emit_json, say, tell
from benchd.watch.archive import About, opened
from benchd.watch.rebuild import as_ended, boots_in
from benchd.watch.replay import Replay


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(replay)


def replay(
    files: Annotated[list[Path], typer.Argument(help="Capture files, or archives of them.", metavar="FILE...")],
    rules: Annotated[
        str | None, typer.Option(help="Judge by this rule table (path or name) instead of the one named.")
    ] = None,
    json: JsonOption = False,
) -> None:
    """Judge captures again, from the files alone.

    The same boots as live, or as another table sees them.

    Exit codes: 0 fine, 1 a file is damaged (what is whole was read), 2 no capture, or no such table.
    """
    with opened(files) as captures:
        again = Replay(captures, rules)
        abouts = {capture.path: About.of(capture) for capture in again.captures}
        began = boots_in(again, [])
    found = [boot for boot, path in began if abouts[path] is None]
    for boot, path in began:  # one that was cut out is over, though its file may not hold what ended it
        if (about := abouts[path]) is not None and boot.id in about.boots:
            found.append(as_ended(boot))
    found.sort(key=lambda boot: (boot.started, boot.id))
    if json:
        emit_json(boots_json(found))
    else:
        tell(boot_table(found) if found else ["No boots in these captures."])
        if len(found) == 1:
            say()
            tell(boot_page(found[0], None))
    for problem in again.problems:
        print(f"benchd: {clean(problem)}", file=sys.stderr)
    if again.problems:
        raise typer.Exit(1)
