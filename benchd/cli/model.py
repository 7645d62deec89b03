"""`benchd model`: at which code and stage boots of one model of machine stand, on all benches."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated

import typer

from benchd.cli.common import ArchiveOption, ConfigOption, JsonOption, store_of
from benchd.cli.output import clean, columns, emit_json, tell
from benchd.inference.wording import counted, percent
from benchd.studies.modelview import ModelView, model_view

PLACES = 12


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(model)


def model(
    name: Annotated[str | None, typer.Argument(help="The model, as in `machine.model`; without: list them.")] = None,
    archive: ArchiveOption = None,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Show where boots of one model of machine stand.

    By code and stage, over all machines of that model: how many, what share, on which benches; usual times of stages.

    Exit codes: 0 fine, 1 the store failed, 2 no such model.
    """

    with store_of(config, archive=archive) as store:
        known = store.models() if name is None else {}
        found = None if name is None else model_view(store, name, archive=archive is not None)
    if found is None:
        if json:
            emit_json(known)
        else:
            rows = [["model", "boots"], *([clean(one, 64), str(count)] for one, count in known.items())]
            tell(columns(rows) if known else ["No boot is of a known model: set `model` under [[machine]]."])
    elif json:
        emit_json(found.model_dump(mode="json"))
    else:
        tell(clean(line, 1000) for line in model_lines(found))


def model_lines(found: ModelView) -> Iterator[str]:
    """Yield where boots stand, which machines there are, and usual times."""
    over = f"{counted(found.boots, 'boot')} of {counted(len(found.machines), 'machine')}"
    others = found.boots - found.tells
    more = f", {others} cut short or without link" if others else ""
    yield f"{found.model}: {over}: {found.finished} finished, {found.stood} stood{more}."
    if not found.places:
        yield "None stood anywhere."
        return
    yield ""
    rows = [["stands in", "at code", "rules", "boots", "share (95 %)", "machines", f"by {found.by}", "for example"]]
    for one in found.places[:PLACES]:
        by = ", ".join(f"{name} {count}" for name, count in list(one.counts.items())[:4])
        by += f", {len(one.counts) - 4} more" if len(one.counts) > 4 else ""
        share = f"{percent(one.share)} ({percent(one.low)} to {percent(one.high)})"
        stage = (one.stage or "no stage") + (", loops" if one.outcome == "looped" else "")
        cells = [
            stage,
            one.code or "-",
            one.table,
            str(one.boots),
            share,
            f"{one.machines} of {len(found.machines)}",
            by,
        ]
        rows.append([clean(cell, 80) for cell in [*cells, one.newest[0]]])
    yield from columns(rows)
    if len(found.places) > PLACES:
        yield f"and {len(found.places) - PLACES} more places"
    yield from _times(found)


def _times(found: ModelView) -> Iterator[str]:
    if found.times:
        yield ""
        rows = [["stage", "rules", "good boots", "usual", "middle half", "longest"]]
        for one in found.times:
            middle = f"{one.quarter:.2f} to {one.three_quarters:.2f} s"
            times = [f"{one.median:.2f} s", middle, f"{one.high:.2f} s"]
            rows.append([clean(one.stage, 60), clean(one.table, 60), str(one.n), *times])
        yield from columns(rows)
