"""`benchd compare`, `why`, `next` and `report`: what trials say, and what to try."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from benchd.cli.common import ConfigOption, JsonOption
from benchd.cli.output import clean, emit_json, say

Study = Annotated[str, typer.Argument(help="The study's name.", metavar="STUDY")]


def register(app: typer.Typer) -> None:
    """Add the commands."""
    app.command()(compare)
    app.command()(why)
    app.command(name="next")(next_)
    app.command()(report)


def compare(
    names: Annotated[list[str], typer.Argument(help="Boots or trials: ids, beginnings, `last`.", metavar="A B [C...]")],
    stages_only: Annotated[
        bool,
        typer.Option("--stages-only", help="Leave the captures alone: ladders and times, no codes and lines."),
    ] = False,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Compare boots or trials with the first.

    Where they part, stage times, finishing rates, checks.

    Exit codes: 0 fine, 1 the store failed, 2 unknown, doubled or too few names.
    """
    from benchd.cli.benchfiles import speed_store
    from benchd.cli.weightext import compare_lines
    from benchd.studies.comparing import compare_groups, find_groups

    with speed_store(config) as store:
        compared = compare_groups(store, find_groups(store, names), read=not stages_only)
    if json:
        emit_json(compared.to_json())
        return
    for line in compare_lines(compared):
        say(line)


def why(
    study: Study,
    check: Annotated[str | None, typer.Option(help="Weigh why this check fails, instead of the goal.")] = None,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Weigh the causes by the trials so far.

    The verdict, causes with probabilities, and what cannot be told apart.

    Exit codes: 0 fine (also when nothing is settled), 1 the store failed, 2 no such study or check.
    """
    from benchd.cli.benchfiles import speed_store
    from benchd.cli.weightext import why_lines
    from benchd.studies.weighing import why as weigh

    with speed_store(config) as store:
        found = weigh(store, study, check=check)
    if json:
        emit_json(found.to_json())
        return
    for line in why_lines(found):
        say(line)


def next_(
    study: Study,
    limit: Annotated[int, typer.Option(min=1, max=100, help="How many to rank.")] = 5,
    with_collisions: Annotated[
        bool, typer.Option("--with-collisions", help="Also setups for which the map foretells a collision.")
    ] = False,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Rank the next trials by what they tell per minute.

    The steps of each, what each result would mean, and cautions.

    Exit codes: 0 fine (also when it says stop), 1 the store failed, 2 no such study, or no setup is allowed.
    """
    from benchd.cli.benchfiles import speed_store
    from benchd.cli.weightext import next_lines
    from benchd.studies.weighing import next_trials

    with speed_store(config) as store:
        found = next_trials(store, study, limit=limit, with_collisions=with_collisions)
    if json:
        emit_json(found.to_json())
        return
    for line in next_lines(found):
        say(line)


def report(
    study: Study,
    out: Annotated[Path, typer.Option("--out", help="Folder for STUDY.html and STUDY.md.")] = Path(),
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Write a report for a stranger.

    One HTML file that needs nothing else, and one Markdown file.

    Exit codes: 0 fine, 1 a file or the store failed, 2 no such study.
    """
    from benchd.cli.benchfiles import now, speed_store
    from benchd.studies.report import write_report

    with speed_store(config) as store:
        files = write_report(store, study, out, now())
    if json:
        emit_json({"files": [str(file) for file in files]})
        return
    for file in files:
        say(clean(str(file), 1000))
