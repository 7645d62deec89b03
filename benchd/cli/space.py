"""`benchd space`: what takes room, how long the disk lasts, what would be let go next; and doing it by hand."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from typing import Annotated

import typer

from benchd.cli.common import ConfigOption, JsonOption, settings_of, store_of
from benchd.cli.output import clean, columns, emit_json, tell
from benchd.errors import ExternalError
from benchd.inference.wording import counted
from benchd.upkeep.space import Space, space_of
from benchd.upkeep.tidying import Tidied, Tidier
from benchd.watch.folder import lock_data

WORDS = {
    "captures": "captures",
    "captures-compressed": "captures, compressed",
    "store": "store",
    "outbox": "events that wait for the broker",
    "images": "rule tables, maps and ROM images",
    "other": "other files of the data folder",
}
MB = 1e6


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(space)


def space(
    now: Annotated[
        bool, typer.Option("--now", help="Compress and let go what is due, while benchd is not running.")
    ] = False,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Say what takes room, and how long the disk lasts.

    `benchd run` compresses and lets go by itself, as the settings say; nothing of a study is ever let go.

    Exit codes: 0 fine, 1 the disk has less free than its reserve, or disk or store failed, 2 wrong use.
    """
    loaded = settings_of(config)
    done = None
    if now:
        lock = lock_data(loaded.data)
        try:
            with store_of(config, write=True) as store:
                done = Tidier(loaded, store).turn()
        finally:
            os.close(lock)
    with store_of(config) as store:
        found = space_of(loaded, store, time.time())
    if json:
        emit_json(found.model_dump(mode="json"))
    else:
        tell([*(_done(done) if done else ()), *_lines(found)])
    if done and done.problems:
        raise ExternalError("; ".join(done.problems))
    if found.below_reserve:
        raise typer.Exit(1)


def _done(done: Tidied) -> Iterator[str]:
    yield f"{counted(done.packed, 'capture')} compressed: {done.before / MB:.1f} MB became {done.after / MB:.1f} MB"
    yield f"{counted(done.let_go, 'capture')} let go: {done.freed / MB:.1f} MB"
    yield ""


def _lines(found: Space) -> Iterator[str]:
    rows = [["what", "files", "MB"]]
    rows += [[WORDS[part.what], str(part.files), f"{part.bytes / MB:.1f}"] for part in found.parts]
    yield from columns(rows)
    yield ""
    yield f"{found.held / MB:.1f} MB of captures hold boots of trials, or noted, labelled or left out: they stay."
    less = ", LESS than the reserve of" if found.below_reserve else "; reserve"
    yield f"free on the disk: {found.free / MB:.1f} MB{less} {found.reserve / MB:.0f} MB (bench.reserve_gb)"
    yield _pace(found)
    yield from _policy(found)


def _pace(found: Space) -> str:
    if found.pace is None:
        return "How fast it grows can be said after the first day."
    text = f"captures grow by {found.pace / MB:.2f} MB a day (last 30 days)"
    if found.days_left is None:
        return f"{text}: the disk lasts."
    years = f" ({found.days_left / 365:.1f} years)" if found.days_left > 700 else ""
    return f"{text}: the disk lasts {found.days_left:.0f} days{years}."


def _policy(found: Space) -> Iterator[str]:
    packed = f"after {found.pack_days:g} days without a write" if found.pack_days else "never (bench.pack_days = 0)"
    yield f"captures are compressed {packed}"
    if found.keep_days is None and found.keep_gb is None:
        yield "Nothing is let go: neither bench.keep_days nor bench.keep_gb is set."
        return
    limits = [f"bench.keep_days = {found.keep_days:g}"] if found.keep_days is not None else []
    limits += [f"bench.keep_gb = {found.keep_gb:g}"] if found.keep_gb is not None else []
    yield f"let go, oldest first, by {' and '.join(limits)}. Next:" if found.next else "Nothing is there to let go."
    for one in found.next:
        names = one.captures[0] + (f" and {len(one.captures) - 1} more" if len(one.captures) > 1 else "")
        when = f"on {one.at}" if one.at else "when it is due"
        yield clean(f"  {names}: {one.bytes / MB:.1f} MB, {counted(one.boots, 'boot')}, {when}, by {one.why}")
