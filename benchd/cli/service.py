"""`benchd service`: the unit of systemd that keeps benchd running, shown or installed."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path
from typing import Annotated

import typer

from benchd.cli.common import ConfigOption, settings_of
from benchd.cli.output import clean, say
from benchd.upkeep.service import STEPS, USER, install, unit_text


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(service)


def service(
    config: ConfigOption = None,
    write: Annotated[bool, typer.Option("--install", help="Write the files; nothing is started.")] = False,
    user: Annotated[str, typer.Option(help="The account that it runs as.")] = USER,
    root: Annotated[Path, typer.Option(help="With --install: below this folder instead of /.")] = Path("/"),
) -> None:
    """Run benchd as a service of this computer.

    Prints the unit for systemd. With --install it is written, with the account, the udev rule and a copy of the
    settings; no file that is there is written over.

    Exit codes: 0 fine, 1 a file cannot be written, 2 wrong use, or another file is in the way.
    """
    program = _program()
    if not write:
        say(unit_text(program, user).rstrip())
        return
    done = install(settings_of(config), program, root, user)
    for path in done.written:
        say(clean(f"written     {path}"))
    for path in done.as_wanted:
        say(clean(f"was there   {path}"))
    for text in done.by_hand:
        say(clean(f"by hand     {text}", 400))
    say("Then, as root:")
    for step in STEPS:
        say(f"    {step}")


def _program() -> str:
    """Return the absolute path of this benchd."""
    beside = Path(sys.executable).with_name("benchd")
    return str(beside if beside.exists() else Path(shutil.which("benchd") or beside).absolute())
