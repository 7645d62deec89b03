"""The command line: which commands there are. A command's module is imported only when it is asked for.

Where a command begins, and what becomes of its errors, is in `start`.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from copy import copy
from functools import cache, partial
from types import ModuleType
from typing import Annotated, Any

import typer
from typer.core import TyperCommand, TyperGroup
from typer.main import get_command_name
from typer.models import CommandInfo, TyperInfo

from benchd import __version__
from benchd.cli.output import say
from benchd.cli.start import main

__all__ = ["COMMANDS", "build", "load", "main"]

COMMANDS = {
    "run": ("run", "Watch the machines of a settings file until Ctrl-C."),
    "demo": ("demo", "Show everything on a simulated machine."),
    "live": ("live", "Watch boots in the terminal while the daemon runs."),
    "boots": ("boots", "List stored boots, newest last."),
    "show": ("show", "Show one boot: ladder, findings, what to try."),
    "replay": ("replay", "Judge captures again, from the files alone."),
    "backup": ("backup", "Write settings, store and captures to one file."),
    "restore": ("backup", "Make a bench of a backup, or check one."),
    "archive": ("archive", "Many benches in one archive."),
    "space": ("space", "Say what takes room, and how long the disk lasts."),
    "service": ("service", "Run benchd as a service of this computer."),
    "setup": ("setup", "Make a settings file: ask, listen, write."),
    "ports": ("ports", "List serial ports and what stands in their way."),
    "map": ("map", "Map the first megabyte, predict the option-ROM scan."),
    "model": ("model", "Show where boots of one model of machine stand."),
    "compare": ("weigh", "Compare boots or trials with the first."),
    "why": ("weigh", "Weigh the causes by the trials so far."),
    "next": ("weigh", "Rank the next trials by what they tell per minute."),
    "report": ("weigh", "Write a report for a stranger."),
    "schema": ("schema", "Print the JSON Schema of a published form."),
    "rom": ("rom", "Option-ROM images: inspect, pad, seal, fit, split, join."),
    "reporter": ("reporter", "The machine reports itself: build the program, read it."),
    "card": ("card", "The POST-code card: check one, write its firmware."),
    "rules": ("rules", "Rule tables: check, list, find, show, draft, fit."),
    "study": ("study", "Studies: one question, its factors, its goal."),
    "trial": ("trial", "Trials: one setup, and the boots made with it."),
}
"""Command: the module in this package whose `register(app)` adds it, and its summary (the first line of its help)."""


NO_NUMBER = {"a valid integer": "give a whole number", "a valid number": "give a number"}
"""What the library says where a number is wanted, and what is said in its place."""


def load(words: Iterable[str]) -> None:
    """Import what the commands among `words` need."""
    for name in words:
        if name in COMMANDS:
            _module(name)


def _module(name: str) -> ModuleType:
    return importlib.import_module(f"benchd.cli.{COMMANDS[name][0]}")


class Command(TyperCommand):
    """A command whose help shows a metavar as it was given: the library would add the type, braces and dots."""

    def collect_usage_pieces(self, ctx: Any) -> list[str]:
        pieces = [self.options_metavar or ""]
        for param in self.get_params(ctx):
            if param.param_type_name == "argument" and (metavar := getattr(param, "metavar", None)):
                pieces.append(metavar if param.required else f"[{metavar}]")
            else:
                pieces += param.get_usage_pieces(ctx)
        return pieces

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Read the arguments; what a library says of a number that is none is said in plain words."""
        try:
            return list(super().parse_args(ctx, args))
        except Exception as error:  # of no class that all versions of the library share
            for theirs, ours in NO_NUMBER.items():
                if theirs in str(getattr(error, "message", "")):
                    error.message = ours  # type: ignore[attr-defined]
            raise

    def format_options(self, ctx: Any, formatter: Any) -> None:
        rows: dict[str, list[tuple[str, str]]] = {"Arguments": [], "Options": []}
        for param in self.get_params(ctx):
            if (row := param.get_help_record(ctx)) is None:
                continue
            if param.param_type_name == "argument":
                rows["Arguments"].append((getattr(param, "metavar", None) or row[0], row[1]))
            else:
                rows["Options"].append(row)
        for title, found in rows.items():
            if found:
                with formatter.section(title):
                    formatter.write_dl(found)


class Loaded(Mapping[str, Any]):
    """Commands by name, each made when it is looked up first: reading the options of one takes a millisecond."""

    def __init__(self, makers: Mapping[str, Callable[[], Any]]) -> None:
        self._makers = makers
        self._made: dict[str, Any] = {}

    def __getitem__(self, name: str) -> Any:
        if name not in self._made:
            self._made[name] = self._makers[name]()
        return self._made[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._makers)

    def __len__(self) -> int:
        return len(self._makers)


def _loaded(name: str) -> Any:
    """Make a command of `COMMANDS`; its module is imported now."""
    part = _app()
    _module(name).register(part)
    return _commands(part)[name]


def _commands(app: typer.Typer) -> Loaded:
    """The commands and groups of commands that were added to an application."""
    makers: dict[str, Callable[[], Any]] = {}
    for command in app.registered_commands:
        assert command.callback is not None
        command.cls = Command
        makers[command.name or get_command_name(command.callback.__name__)] = partial(_command, command)
    for group in app.registered_groups:
        makers[str(group.name)] = partial(_group, group)
    return Loaded(makers)


def _command(told: CommandInfo) -> Any:
    app = _app()
    app.registered_commands = [told]
    return typer.main.get_command(app)


def _group(told: TyperInfo) -> Any:
    assert told.typer_instance is not None
    commands, bare = _commands(told.typer_instance), copy(told.typer_instance)
    bare.registered_commands, bare.registered_groups = [], []
    told, app = copy(told), _app()
    told.typer_instance = bare
    app.registered_groups = [told]
    (group,) = typer.main.get_group(app).commands.values()
    group.commands = commands  # type: ignore[attr-defined]
    return group


def _app() -> typer.Typer:
    return typer.Typer(rich_markup_mode=None, add_completion=False)


class Top(TyperGroup):
    """The commands by name, listed from the table alone."""

    def __init__(self, **named: Any) -> None:
        super().__init__(**named | {"commands": {}})
        self.commands = Loaded({name: partial(_loaded, name) for name in COMMANDS})  # type: ignore[assignment]  # it is only read

    def list_commands(self, ctx: Any) -> list[str]:
        return list(COMMANDS)

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, summary) for name, (_, summary) in COMMANDS.items()])


def _version(wanted: bool) -> None:
    if wanted:
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
    """Return the application, once."""
    app = typer.Typer(
        name="benchd",
        cls=Top,
        no_args_is_help=True,
        add_completion=False,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
    )
    app.callback()(_top)
    return app
