"""Comparisons over HTTP: what `benchd compare --json` says, with what the page draws beside it."""

from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Literal

from fastapi import APIRouter, HTTPException, Query
from fastapi.responses import Response

from benchd.apart import Apart
from benchd.errors import UsageError
from benchd.inference.bootlog import BootGroup, stage_order
from benchd.studies.comparing import NamedBoots, boot_log, compare_groups, find_groups
from benchd.studies.responses import CompareForm
from benchd.web.responses import ComparedGroup, ComparePage, GroupStage

if TYPE_CHECKING:
    from benchd.web.bench import ServedBench

GROUPS_MOST = 6
TIMES_SHOWN = 400

Of = Annotated[list[str], Query(alias="of", min_length=1, max_length=GROUPS_MOST, description="ids of boots or trials")]


def compare_routes(daemon: ServedBench) -> APIRouter:
    """Return the routes under /api/compare. What compares takes 75 MB, which little else needs: it is done apart."""
    apart = Apart()
    routes = APIRouter(prefix="/api/compare")

    @routes.get("")
    def compared(of: Of) -> ComparePage:
        """Compare two to six boots or trials: every one against the first."""
        try:
            groups = find_groups(daemon.store, of)
            logs = [_log(group) for group in groups]
            stages = stage_order([boot for group in logs for boot in group.boots])
            told = apart(compare_groups, daemon.store, groups) if len(groups) > 1 else None
        except UsageError as error:
            raise HTTPException(404, str(error)) from None
        return ComparePage(
            groups=[_group(group, found.trial, stages) for group, found in zip(logs, groups, strict=True)],
            stages=stages,
            comparison=CompareForm(told) if told else None,
        )

    @routes.get("/times.svg", response_class=Response)
    def times(
        of: Of, theme: Literal["light", "dark"] = "light", width: Annotated[int, Query(ge=280, le=1800)] = 900
    ) -> Response:
        """Draw how long each stage took in each group (SVG)."""
        from benchd.drawing.charts import draw_times

        try:
            groups = [_log(group) for group in find_groups(daemon.store, of)]
        except UsageError as error:
            raise HTTPException(404, str(error)) from None
        drawn = draw_times(groups, dark=theme == "dark", width=width)
        return Response(drawn, media_type="image/svg+xml", headers={"Content-Security-Policy": "default-src 'none'"})

    return routes


def _log(group: NamedBoots) -> BootGroup:
    return BootGroup(group.name, tuple(boot_log(boot) for boot in group.boots))


def _group(group: BootGroup, trial: str | None, stages: Sequence[str]) -> ComparedGroup:
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
    return ComparedGroup(
        name=group.name,
        trial=trial,
        boots=[boot.name for boot in group.boots],
        outcomes=dict(Counter(boot.outcome for boot in group.boots)),
        ladder=ladder,
    )
