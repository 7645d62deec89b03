"""`benchd rules find` and `benchd rules about`: from the name on the BIOS chip to a table, and what a table is for."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from benchd.cli.output import clean, emit_json, say
from benchd.errors import BenchError, UsageError
from benchd.rules import RuleTable
from benchd.rules.files import load_table, shipped_tables
from benchd.rules.finding import MAKER, Found
from benchd.rules.finding import find as find_tables

Words = Annotated[
    list[str], typer.Argument(help="What the chip and the board say, such as a maker, 386, 1990.", metavar="WORD...")
]
Json = Annotated[bool, typer.Option("--json", help="Print JSON.")]


def add(rules: typer.Typer) -> None:
    """Add both to the `rules` commands."""
    rules.command()(find)
    rules.command()(about)


def all_tables() -> list[RuleTable]:
    """Return every table in ./rules and every shipped one that can be read."""
    here = {path.stem: path for path in sorted(Path("rules").glob("*.toml"))}
    out = []
    for path in {**shipped_tables(), **here}.values():
        try:
            out.append(load_table(str(path.resolve()), Path()))
        except BenchError:
            continue  # `rules list` tells which, and `rules check` why
    return out


def find(words: Words, json: Json = False) -> None:
    """Find tables by what the BIOS chip says.

    The maker's name, the processor class, the year: best first.

    Exit codes: 0 fine, 1 no table fits, 2 wrong use.
    """
    found, unknown = find_tables(all_tables(), " ".join(words))
    if json:
        emit_json({"tables": [_row(one) for one in found], "unknown": unknown})
    else:
        _say_found(found, unknown)
    if not found:
        raise typer.Exit(1)


def _row(one: Found) -> dict[str, Any]:
    head = one.table.table
    told = {"makers": head.makers, "machines": head.machines, "years": head.years, "source": head.source}
    return {"name": one.table.name, "score": one.score, "because": list(one.words), **told}


def _say_found(found: list[Found], unknown: list[str]) -> None:
    for one in found:
        say(f"{one.table.name:<16} {clean(_chip(one.table))}  (because of {clean(', '.join(one.words))})")
    if unknown:
        say(f"no table knows: {clean(', '.join(unknown))}")
    if found:
        say("How their boots end tells them apart: `benchd rules about NAME`.")
    else:
        say("No table fits. Record a few good boots, then `benchd rules draft`.")


def _chip(table: RuleTable) -> str:
    head = table.table
    years = f"{head.years[0]} to {head.years[1]}" if head.years else ""
    return "; ".join(part for part in (", ".join(head.makers), ", ".join(head.machines), years) if part)


def about(words: Words) -> None:
    """Tell what a table is for, by its name or the maker's.

    Exit codes: 0 fine, 2 no such table.
    """
    tables = all_tables()
    named = [table for table in tables if table.name in words]
    if not named:
        named = [one.table for one in find_tables(tables, " ".join(words))[0] if one.score >= MAKER]
    if not named:
        names = ", ".join(table.name for table in tables)
        raise UsageError(f"no table is called {' '.join(words)!r}, and no maker in one; the tables are {names}")
    for number, table in enumerate(named):
        if number:
            say()
        say_about(table)


def say_about(table: RuleTable) -> None:
    """Print a table's head: what it is for and where it is from."""
    head = table.table
    say(table.name)
    if _chip(table):
        say(f"  for: {clean(_chip(table))}")
    say(f"  source: {clean(head.source)}")
    for line in head.about.strip().splitlines():
        say(f"  {clean(line)}")
    say(f"  ports: {', '.join(f'{p:X}h' for p in head.ports) or 'any'}")
    ends = [str(when) for stage in table.stage if stage.final for when in stage.enter]
    say(f"  a boot ends with: {clean(', '.join(ends)) or 'nothing that the table knows'}")
