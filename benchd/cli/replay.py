"""`benchd replay`: boots from captures alone."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from benchd.cli.boots import boot_page, boot_table, boots_json
from benchd.cli.options import JsonOption
from benchd.cli.output import clean, emit_json, say, tell
from benchd.watch.replay import Replay


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(replay)


def replay(
    files: Annotated[list[Path], typer.Argument(help="Capture files.", metavar="FILE...")],
    rules: Annotated[
        str | None, typer.Option(help="Judge by this rule table (path or name) instead of the one named.")
    ] = None,
    json: JsonOption = False,
) -> None:
    """Judge captures again, from the files alone.

    The same boots as live, or as another table sees them.

    Exit codes: 0 fine, 1 a file is damaged (what is whole was read), 2 no capture, or no such table.
    """
    again = Replay(files, rules)
    found = again.boots()
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
