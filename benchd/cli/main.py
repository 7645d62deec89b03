"""The command line. Each module in `COMMANDS` has `register(app)`; heavy imports stay inside commands.

Exit codes: 0 fine, 1 the thing asked about failed, 2 wrong use.
"""

from __future__ import annotations

import importlib
import sys
from functools import cache

import typer

from benchd.cli.output import clean_lines
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


@cache
def build() -> typer.Typer:
    """Return the application with every command registered, once."""
    for name in COMMANDS:
        importlib.import_module(name).register(app)
    return app


def main() -> None:
    """Entry point: run a command, print errors of ours as one message, exit 0, 1 or 2."""
    try:
        build()()
    except BenchError as error:
        print(clean_lines(f"benchd: {error}"), file=sys.stderr)
        sys.exit(error.exit_code)
    except BrokenPipeError:
        sys.exit(1)
