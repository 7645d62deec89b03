"""`benchd archive`: many benches in one database; how far behind it is; asking benches for what lacks."""

from __future__ import annotations

import asyncio
import logging
import signal
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from benchd.archive.behind import Behind, BenchBehind, behind
from benchd.archive.database import ArchiveDatabase
from benchd.archive.filling import Filled, Filling
from benchd.archive.running import Archive
from benchd.archive.settings import LoadedArchive, load_archive
from benchd.cli.options import JsonOption
from benchd.cli.output import clean, columns, emit_json, local, say, tell
from benchd.cli.serving import LooseThreads, leave, set_up_logging, stays, watched
from benchd.errors import UsageError
from benchd.inference.wording import counted
from benchd.vocabulary.times import parse_duration

ArchiveConfig = Annotated[Path, typer.Option("--config", help="The archive's settings file.")]
DEFAULT = Path("archive.toml")


def register(app: typer.Typer) -> None:
    """Add the commands."""
    group = typer.Typer(rich_markup_mode=None, no_args_is_help=True, help="Many benches in one archive.")
    group.command()(run)
    group.command()(status)
    group.command()(fill)
    app.add_typer(group, name="archive")


def run(
    config: ArchiveConfig = DEFAULT,
    verbose: Annotated[bool, typer.Option("--verbose", help="Log more.")] = False,
) -> None:
    """Gather what benches tell until Ctrl-C.

    All of it goes into one database, and the page over all benches is served. Several may run at once, each with its
    own `archive.name`.

    Exit codes: 0 stopped on request, 1 something outside failed (address in use), 2 wrong settings or database.
    """
    set_up_logging(verbose)
    stays()
    loaded = load_archive(config)
    asyncio.run(_serve(loaded))
    leave()


async def _serve(loaded: LoadedArchive) -> None:
    log = logging.getLogger("benchd")
    loop = asyncio.get_running_loop()
    loop.set_default_executor(LooseThreads())
    archive = Archive(loaded)
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, archive.stop)

    def ready() -> None:
        part, mqtt = loaded.settings.archive, loaded.mqtt
        log.info("archive %s: from %s:%d, below %s/", part.name, mqtt.host, mqtt.port, mqtt.prefix)
        log.info("metrics and page at %s", archive.server.url)

    await watched(archive.run, ready)
    log.info("stopped; what was not acknowledged comes again")


def status(
    config: ArchiveConfig = DEFAULT,
    json: JsonOption = False,
) -> None:
    """Show how far behind the archive is.

    By bench: what it told last, what of that lacks, whether it is silent.

    Exit codes: 0 nothing lacks and no bench is silent, 1 otherwise, or the database failed, 2 wrong use.
    """

    database = ArchiveDatabase(load_archive(config).store, create=False, read_only=True)
    try:
        found = behind(database)
    finally:
        database.close()
    if json:
        emit_json(found.model_dump(mode="json"))
    else:
        tell(status_lines(found))
    if found.missing or found.silent:
        raise typer.Exit(1)


def status_lines(found: Behind) -> Iterator[str]:
    """Yield a table of benches, then what was refused."""
    if not found.benches:
        yield "No bench was heard of yet."
    else:
        rows = [["bench", "is", "boots", "last event", "told", "here", "missing", "asked"]]
        yield from (clean(line) for line in columns([*rows, *(_row(one) for one in found.benches)]))
    for one in found.benches:
        yield from (clean(line, 1000) for line in _lacking(one))
    for kind in found.refused:
        yield clean(f"refused, {kind.reason}: {kind.count}, the last on {kind.topic}: {kind.words}", 600)
    lacks = f"{counted(found.missing, 'event')} missing: `benchd archive fill` asks for them"
    silent = f", {len(found.silent)} of {len(found.benches)} benches silent" if found.silent else ""
    yield f"{counted(found.boots, 'boot')}, {lacks if found.missing else 'nothing missing'}{silent}"


def _row(one: BenchBehind) -> list[str]:
    here = "unknown" if one.online is None else "there" if one.online else "SILENT"
    asked = "-" if one.asked is None else f"{local(one.asked)}, {'answered' if one.answered else 'no answer yet'}"
    last = local(one.last_at) if one.last_at else "-"
    lacks = str(one.missing) if one.missing else "-"
    return [one.bench, here, str(one.boots), last, str(one.told), str(one.taken), lacks, asked]


def _lacking(one: BenchBehind) -> Iterator[str]:
    """Yield which events of a bench lack, and that it cannot be asked for them."""
    for box in one.boxes:
        if box.missing:
            ranges = ", ".join(str(a) if a == b else f"{a} to {b}" for a, b in box.ranges)
            earlier = "" if box.outbox == one.outbox else ", of an earlier outbox"
            yield f"{one.bench}: {counted(box.missing, 'event')} missing{earlier}: {ranges}"
    if one.missing and not one.hears:
        yield f"{one.bench}: cannot be asked: set archive = true under [mqtt] in its settings"


def fill(
    bench: Annotated[str | None, typer.Argument(help="Only this bench; default: all.", metavar="BENCH")] = None,
    everything: Annotated[
        bool, typer.Option("--everything", help="All that the bench's store has, not only what lacks.")
    ] = False,
    since: Annotated[
        str | None, typer.Option(help="All boots that began since then, with all entries; e.g. 2026-03-01T20:00+01:00.")
    ] = None,
    wait: Annotated[str, typer.Option(help="How long answers are waited for.")] = "60s",
    config: ArchiveConfig = DEFAULT,
    json: JsonOption = False,
) -> None:
    """Ask benches for what lacks.

    Says what came, or what stays missing and why. `benchd archive run` must be running: it takes the answers.

    Exit codes: 0 nothing lacks now, 1 something stays missing, or broker or database failed, 2 wrong use.
    """

    if everything and since is not None:
        raise UsageError("give --everything or --since, not both")
    try:
        wait_s = parse_duration(wait)
    except ValueError as error:
        raise UsageError(f"--wait {error}") from None
    loaded = load_archive(config)
    database = ArchiveDatabase(loaded.store, create=False, read_only=False)
    try:
        filling = Filling(
            database, loaded.mqtt, loaded.settings.archive.share, lambda line: None if json else say(clean(line))
        )
        ends = asyncio.run(filling.fill(bench, wait_s, everything=everything, since=_moment(since)))
    finally:
        database.close()
    if json:
        emit_json([one.model_dump(mode="json") for one in ends])
    else:
        tell(clean(filled_words(one), 600) for one in ends)
    if not all(one.done for one in ends):
        raise typer.Exit(1)


def filled_words(one: Filled) -> str:
    """One bench's end, in a line."""
    lacks = f"{counted(one.missing, 'event')} missing still" if one.missing else "nothing lacks"
    if not one.asked:
        return f"{one.bench}: {lacks}" if one.done else f"{one.bench}: not asked: {one.words}; {lacks}"
    entries = "1 entry" if one.entries == 1 else f"{one.entries} entries"
    return f"{one.bench}: {counted(one.boots, 'boot')} and {entries} told again, {lacks} ({one.words})"


def _moment(text: str | None) -> str | None:
    if text is None:
        return None
    try:
        return datetime.fromisoformat(text).astimezone().isoformat()
    except ValueError:
        raise UsageError(f"--since {text}: write a day or a time, as in 2026-03-01 or 2026-03-01T20:15") from None
