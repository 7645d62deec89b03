"""The command line. Each module in `COMMANDS` has `register(app)`; heavy imports stay inside commands.

Exit codes: 0 fine, 1 the thing asked about failed, 2 wrong use.
"""

from __future__ import annotations

import importlib
import io
import os
import sys
from functools import cache
from typing import Annotated, Any

import typer
from typer.core import TyperCommand

from benchd.cli.output import clean_lines, say
from benchd.errors import BenchError

COMMANDS = [
    "benchd.cli.run",
    "benchd.cli.demo",
    "benchd.cli.live",
    "benchd.cli.boots",
    "benchd.cli.ports",
    "benchd.cli.rom",
    "benchd.cli.rules",
    "benchd.cli.map",
    "benchd.cli.study",
    "benchd.cli.trial",
    "benchd.cli.weigh",
    "benchd.cli.schema",
]

app = typer.Typer(
    name="benchd",
    help="Watch PC boots on the bench, compare trials, find out why a card does not work.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)


class Command(TyperCommand):
    """A command whose help shows a metavar as it was given, without the library's `<list[Path]>` and dots."""

    def __init__(self, *args: Any, **named: Any) -> None:
        super().__init__(*args, **named)
        for param in self.params:
            metavar = getattr(param, "metavar", None)
            if metavar:
                usage = metavar if param.required else f"[{metavar}]"
                vars(param).update(display_type=lambda ctx: "", _usage_display_name=lambda shown=usage: shown)


def _version(wanted: bool) -> None:
    if wanted:
        from benchd import __version__

        say(f"benchd {__version__}")
        raise typer.Exit()


def _top(
    version: Annotated[
        bool, typer.Option("--version", help="Print the version and end.", callback=_version, is_eager=True)
    ] = False,
) -> None:
    """Watch PC boots on the bench, compare trials, find out why a card does not work."""


@cache
def build() -> typer.Typer:
    """Return the application with every command registered, once."""
    app.callback()(_top)
    for name in COMMANDS:
        importlib.import_module(name).register(app)
    for part in (app, *(group.typer_instance for group in app.registered_groups)):
        for command in part.registered_commands if part else ():
            command.cls = Command
    return app


def main() -> None:
    """Entry point: run a command, print errors of ours as one message, exit 0, 1 or 2.

    What the operating system refuses, and no room has put in words, is told in its own.
    """
    _streams()
    try:
        try:
            build()()
        finally:
            sys.stdout.flush()
    except BenchError as error:
        print(clean_lines(f"benchd: {error}"), file=sys.stderr)
        sys.exit(error.exit_code)
    except BrokenPipeError:
        _silence()
        sys.exit(1)
    except OSError as error:
        where = "" if error.filename is None else f"{os.fsdecode(error.filename)}: "
        _silence()
        print(clean_lines(f"benchd: {where}{error.strerror or error}"), file=sys.stderr)
        sys.exit(1)


def _streams() -> None:
    """Stand in for standard streams that were closed: a store must not become file 1 and be printed into."""
    for number, name, mode in ((0, "stdin", "r"), (1, "stdout", "w"), (2, "stderr", "w")):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest free number, which is this one
        if getattr(sys, name) is None:
            setattr(sys, name, open(number, mode, closefd=False))  # noqa: SIM115 - for the whole run
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def _silence() -> None:
    """Let what is still buffered go nowhere, or the interpreter complains of it when it ends."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, sys.stdout.fileno())
    os.close(nowhere)
