"""`benchd service`: the units of systemd that keep benchd and the archive running, shown or installed."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path
from typing import Annotated

import typer

from benchd.cli.common import ConfigOption, settings_of
from benchd.cli.output import clean, say
from benchd.upkeep.service import (
    ARCHIVE,
    ARCHIVE_STEPS,
    STEPS,
    USER,
    archive_unit_text,
    install,
    install_archive,
    unit_text,
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(service)


def service(
    config: ConfigOption = None,
    write: Annotated[bool, typer.Option("--install", help="Write the files; nothing is started.")] = False,
    archive: Annotated[bool, typer.Option("--archive", help="The archive of several benches instead.")] = False,
    user: Annotated[
        str | None, typer.Option(help=f"The account that it runs as; {USER}, or {ARCHIVE}.", show_default=False)
    ] = None,
    root: Annotated[Path, typer.Option(help="With --install: below this folder instead of /.")] = Path("/"),
) -> None:
    """Run benchd as a service of this computer.

    Prints the unit for systemd. With --install it is written, with the account, the udev rule and a copy of the
    settings; no file that is there is written over. With --archive: the service that gathers what several benches tell.

    Exit codes: 0 fine, 1 a file cannot be written, 2 wrong use, or another file is in the way.
    """
    program = _program()
    if not write:
        say((archive_unit_text(program, user or ARCHIVE) if archive else unit_text(program, user or USER)).rstrip())
        return
    if archive:
        done, steps = install_archive(program, root, user or ARCHIVE), ARCHIVE_STEPS
    else:
        done, steps = install(settings_of(config), program, root, user or USER), STEPS
    for path in done.written:
        say(clean(f"written     {path}"))
    for path in done.as_wanted:
        say(clean(f"was there   {path}"))
    for text in done.by_hand:
        say(clean(f"by hand     {text}", 400))
    say("Then, as root:")
    for step in steps:
        say(f"    {step}")


def _program() -> str:
    """Return the absolute path of this benchd."""
    beside = Path(sys.executable).with_name("benchd")
    return str(beside if beside.exists() else Path(shutil.which("benchd") or beside).absolute())
