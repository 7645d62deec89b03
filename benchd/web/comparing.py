"""Comparisons over HTTP: stored boots and trials as groups, what `trials.compare` says of them, and a chart."""

from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Literal

from fastapi import APIRouter, HTTPException, Query
from fastapi.responses import Response

from benchd.errors import CallerError
from benchd.models import Boot
from benchd.trials.bootlog import BootGroup, BootLog, Event, stage_marks
from benchd.web.boots import record_of
from benchd.web.record import Records
from benchd.web.shapes import BootRecord, ComparePage, Group, GroupStage

if TYPE_CHECKING:
    from benchd.daemon import Daemon
    from benchd.trials.compare import Comparison

GROUPS_MOST = 6
BOOTS_MOST = 1_000
READ_MOST = 24
"""Boots of a group whose captures are read for codes and lines; times and rates are counted over all."""
TIMES_SHOWN = 400
TRIAL_PREFIX = "T"

Of = Annotated[
    list[str], Query(alias="of", min_length=1, max_length=GROUPS_MOST, description="ids of boots or trials")
]


def compare_routes(daemon: Daemon, records: Records) -> APIRouter:
    """Return the routes under /api/compare."""
    routes = APIRouter(prefix="/api/compare")

    @routes.get("")
    def compared(of: Of) -> ComparePage:
        """Compare two to six boots or trials: every one against the first."""
        groups = [(name, group_boots(daemon, name)) for name in of]
        try:
            return _page(daemon, records, groups)
        except CallerError as error:
            raise HTTPException(422, str(error)) from None

    @routes.get("/times.svg", response_class=Response)
    def times(
        of: Of, theme: Literal["light", "dark"] = "light", width: Annotated[int, Query(ge=280, le=1800)] = 900
    ) -> Response:
        """Draw how long each stage took in each group (SVG)."""
        from benchd.web.charts import CHART_POLICY, draw_times

        groups = [group_of(name, group_boots(daemon, name)) for name in of]
        drawn = draw_times(groups, dark=theme == "dark", width=width)
        return Response(drawn, media_type="image/svg+xml", headers={"Content-Security-Policy": CHART_POLICY})

    return routes


def group_boots(daemon: Daemon, name: str) -> list[Boot]:
    """Return the boots that a trial's id or a boot's id stands for. Raises HTTPException 404."""
    try:
        if name[:1] == TRIAL_PREFIX and name[1:].isdigit():
            daemon.store.trial(name)
            boots = daemon.store.boots(trial=name, limit=BOOTS_MOST, newest_first=False)
            boots = [boot for boot in boots if boot.passes_of is None and boot.outcome != "running"]
            if not boots:
                raise CallerError(f"trial {name} has no boots that ended yet; boot the machine once")
            return boots
        return [daemon.store.boot(name)]
    except CallerError as error:
        raise HTTPException(404, str(error)) from None


def boot_log(boot: Boot, record: BootRecord | None = None) -> BootLog:
    """Return a boot as the comparison sees it; with its codes and lines where `record` is given."""
    outcome = {"cut-short": "cut short", "link-lost": "link lost", "running": "cut short"}.get(
        boot.outcome, boot.outcome
    )
    events: list[Event] = []
    if record is not None:
        events = [Event("code", code.code, code.t) for code in record.codes]
        events += [Event("line", line.text, line.t) for line in record.lines if line.text.strip()]
        events.sort(key=lambda event: event.t_s)
    end = max(0.0, boot.duration_s)
    marks = stage_marks([(stage.name, stage.t) for stage in boot.stages], end, outcome == "finished")
    return BootLog(boot.id, outcome, end, marks, tuple(events))


def group_of(name: str, boots: Sequence[Boot], records: Sequence[BootRecord] = ()) -> BootGroup:
    """Return stored boots under one name."""
    known = {record.boot: record for record in records}
    return BootGroup(name, tuple(boot_log(boot, known.get(boot.id)) for boot in boots))


def _page(daemon: Daemon, records: Records, groups: Sequence[tuple[str, Sequence[Boot]]]) -> ComparePage:
    from benchd.trials.compare import stage_order

    logs = [group_of(name, boots) for name, boots in groups]
    stages = stage_order([boot for group in logs for boot in group.boots])
    found = _compared(daemon, records, groups, logs) if len(groups) > 1 else ()
    return ComparePage(
        groups=[_group(group, stages) for group in logs],
        stages=stages,
        comparisons=[one.to_json() for one in found],
    )


def _compared(
    daemon: Daemon, records: Records, groups: Sequence[tuple[str, Sequence[Boot]]], logs: Sequence[BootGroup]
) -> tuple[Comparison, ...]:
    from benchd.trials.compare import compare

    read, missing = [], 0
    for name, boots in groups:
        newest = list(boots)[-READ_MOST:]
        found = [record_of(daemon, records, boot) for boot in newest]
        missing += sum(record.problem is not None for record in found)
        read.append(group_of(name, newest, found))
    if all(len(boots) <= READ_MOST for _, boots in groups):
        whole = events = compare(read)
    else:
        whole, events = compare(logs), compare(read)
    notes: list[str] = []
    if missing:
        notes.append(f"{missing} captures could not be read: codes and lines are compared without them")
    if events is not whole:
        notes.append(f"codes and lines are compared over the newest {READ_MOST} boots of each")
    return tuple(
        replace(
            one,
            first_divergence=own.first_divergence,
            lasting_divergence=own.lasting_divergence,
            only=own.only,
            order=own.order,
            sentence=own.sentence if events is whole else one.sentence,
            notes=(*one.notes, *notes),
        )
        for one, own in zip(whole, events, strict=True)
    )


def _group(group: BootGroup, stages: Sequence[str]) -> Group:
    ladder = []
    for name in stages:
        marks = [next((m for m in boot.stages if m.name == name), None) for boot in group.boots]
        reached = [mark for mark in marks if mark is not None]
        took = [mark.took_s for mark in reached if mark.took_s is not None]
        ladder.append(
            GroupStage(
                name=name,
                k=len(reached),
                n=len(group.boots),
                median_at=round(statistics.median(m.at_s for m in reached), 6) if reached else None,
                took=[round(t, 6) for t in took[-TIMES_SHOWN:]],
            )
        )
    return Group(
        name=group.name,
        boots=[boot.name for boot in group.boots],
        outcomes=dict(Counter(boot.outcome for boot in group.boots)),
        ladder=ladder,
    )
