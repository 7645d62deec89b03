"""`benchd backup` and `benchd restore`: a bench in one file, and a bench made of it again."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from benchd.cli.common import ConfigOption, settings_of
from benchd.cli.output import clean, local, say
from benchd.inference.wording import counted
from benchd.upkeep.backup import back_up
from benchd.upkeep.restore import check_backup
from benchd.upkeep.restore import restore as restore_backup


def register(app: typer.Typer) -> None:
    """Add the commands."""
    app.command()(backup)
    app.command()(restore)


def backup(
    file: Annotated[Path, typer.Argument(help="The new file; its name ends in .tar, .tar.gz or .tar.xz.")],
    config: ConfigOption = None,
) -> None:
    """Write settings, store and captures to one file.

    The daemon may go on meanwhile. Files that may hold secrets (tokens, passwords, keys) are left out and named.

    Exit codes: 0 written, 1 disk or store failed (there is no file then), 2 wrong use.
    """
    loaded = settings_of(config)
    done = back_up(loaded, file, datetime.now().astimezone().isoformat(timespec="seconds"))
    say(
        f"{clean(str(file))} written: {counted(done.files, 'file')}, {done.size / 1e6:.1f} MB, with "
        f"{counted(done.boots, 'boot')} and {done.studies} {'study' if done.studies == 1 else 'studies'}."
    )
    for text in done.left_out:
        say(clean(f"  left out: {text}"))
    say("Keep it on another disk. `benchd restore` makes a bench of it.")


def restore(
    file: Annotated[Path, typer.Argument(help="A backup.")],
    to: Annotated[Path | None, typer.Option(help="The new folder. Without it the backup is only checked.")] = None,
    store: Annotated[
        str | None, typer.Option(metavar="URL", help="Put the store into this empty PostgreSQL database.")
    ] = None,
) -> None:
    """Make a bench of a backup, or check one.

    The bench gets a new folder; without --to nothing is written.

    Exit codes: 0 done, 1 the backup is damaged or the disk failed (nothing is left then), 2 wrong use.
    """
    if to is None:
        found = check_backup(file)
        said = "is sound. `--to FOLDER` makes a bench of it"
    else:
        found = restore_backup(file, to, store)
        said = f"is restored. See that the ports are named so here (`benchd ports`), then: {_run(to / found.settings)}"
    when = f" of {local(found.made)}" if found.made else ""
    machines = ", ".join(found.machines) or "no machine"
    what = f"{machines}; {counted(found.files, 'file')}, {found.size / 1e6:.1f} MB"
    say(clean(f"The backup of {found.bench}{when} ({what}) {said}.", 400))


def _run(settings: Path) -> str:
    return f"`benchd run --config {settings}`"
