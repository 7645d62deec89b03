"""`benchd show`: one boot, also code by code and line by line."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchd.cli.boots import boot_page, seconds
from benchd.cli.common import ArchiveOption, ConfigOption, JsonOption, store_of
from benchd.cli.output import clean, emit_json, tell
from benchd.errors import UsageError
from benchd.store import Store
from benchd.vocabulary.models import Boot

if TYPE_CHECKING:
    from benchd.vocabulary.events import Event

UNWELL = ("stalled", "looped", "link-lost")


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(show)


def show(
    boot: Annotated[str, typer.Argument(help="A boot's id, or the beginning of it; `last` for the newest.")],
    trace: Annotated[bool, typer.Option("--trace", help="Every code and line, from the capture.")] = False,
    archive: ArchiveOption = None,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Show one boot: ladder, findings, what to try.

    Exit codes: 0 fine, 1 the boot stalled, looped or lost its link, or the store failed, 2 no such boot.
    """
    with store_of(config, archive=archive) as store:
        found = _newest(store) if boot == "last" else store.boot(boot)
        found = with_images_known(store, found)
        capture = store.capture_of(found.id)
        told = [] if json else [*entered(store, found), *foretold(store, found)]
    if json:
        emit_json(found.model_dump(mode="json", by_alias=True))
    else:
        tell([*boot_page(found, capture), *told])
        if trace:
            if capture is None:
                where = "its codes and lines are on its bench" if archive is not None else "it has no capture"
                raise UsageError(f"boot {found.id}: {where}")
            tell(trace_lines(Path(capture), found.id))
    if found.outcome in UNWELL:
        raise typer.Exit(1)


def _newest(store: Store) -> Boot:
    newest = store.boots(limit=1)
    if not newest:
        raise UsageError("no boots are stored yet")
    return newest[0]


def entered(store: Store, boot: Boot) -> list[str]:
    """The results that people entered for the boot, with their numbers; whether they count in any trial."""
    results = store.results(boot=boot.id)
    if not results:
        return []
    from benchd.cli.studytext import outside_lines, result_table

    inside = [one for one in results if one.trial is not None]
    outside = [one for one in results if one.trial is None]
    return [*result_table(inside, "entered for it:"), *outside_lines(outside)]


def with_images_known(store: Store, boot: Boot) -> Boot:
    """A boot whose report names the images of its trial's study; what most boots have none of is not imported."""
    if boot.measured is None or boot.trial is None:
        return boot
    from benchd.studies.measuring import with_images

    return with_images(store, boot)


def foretold(store: Store, boot: Boot) -> list[str]:
    """What was foretold of the option-ROM scan for the boot's trial, against what the boot showed."""
    if boot.trial is None or not store.predictions(boot.trial):
        return []
    # Only a trial with a prediction needs these, and they take longer than all the rest of this command.
    from benchd.cli.studytext import wrapped
    from benchd.studies.comparing import NamedBoots, events_of, predicted

    group = NamedBoots(boot.id, (boot,), boot.trial)
    told = predicted(store, group, events_of(store, [boot])[0])
    return ["", "option-ROM scan, predicted against seen:", *(line for text in told for line in wrapped(text, "  "))]


def trace_lines(capture: Path, boot: str) -> Iterator[str]:
    """Yield every code, console line and stage of one boot, from its capture."""
    from benchd.watch.trace import (
        TraceReader,  # here: it loads what judges captures, and a boot's page is asked for often
    )

    for event in TraceReader().events(boot, capture):
        if told := _told(event):
            t, u, what, text = told
            yield f"{seconds(t, u):>12}  {what:>8}  {text}"


def _told(event: Event) -> tuple[float, float, str, str] | None:
    from benchd.vocabulary.events import CodeSeen, LineSeen, StageEntered

    match event:
        case CodeSeen():
            port = f"{event.port:X}h" if event.port is not None else "post"
            return event.t or 0, event.u_ns / 1e9, port, event.code
        case LineSeen() if not event.partial:
            return event.t or 0, event.u_ns / 1e9, "text", clean(event.text)
        case StageEntered():
            return event.t, event.u, "stage", clean(event.stage)
    return None
