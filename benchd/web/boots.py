"""Boots over HTTP: the list, one boot with what surrounds it, its record, its capture."""

from __future__ import annotations

import statistics
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from fastapi import APIRouter, HTTPException, Query, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import FileResponse, Response
from pydantic import TypeAdapter

from benchd.boots.deadlines import stage_limit
from benchd.capture.packed import file_of
from benchd.errors import UsageError
from benchd.rules import RuleTable
from benchd.vocabulary.models import Boot, Outcome
from benchd.web.record import Reading, Records, done, gone_words
from benchd.web.responses import BootPage, BootRecord, MachineTable, Usual

if TYPE_CHECKING:
    from benchd.web.bench import ServedBench

LIST_MOST = 1000
"""Boots in one answer; `before` asks for those further back."""
OPEN = ("running",)
LIST = TypeAdapter(list[Boot])


def boot_routes(daemon: ServedBench, records: Records, away: str = "") -> APIRouter:
    """Return the routes under /api/boots and a machine's usual times. `away` says why there are no captures here."""
    routes = APIRouter(prefix="/api")

    @routes.get("/boots", response_model=list[Boot])
    def boots(
        machine: str | None = None,
        trial: str | None = None,
        outcome: Outcome | None = None,
        limit: Annotated[int, Query(ge=0, description=f"no more than {LIST_MOST} are given at once")] = 100,
        before: Annotated[str | None, Query(description="only those before this boot: its whole id")] = None,
    ) -> Response:
        """Return stored boots, newest first."""
        found = daemon.store.boots(
            machine=machine, trial=trial, outcome=outcome, limit=min(limit, LIST_MOST), before=before
        )
        # Written here, in the request's thread: the daemon's loop does not wait for a long list.
        return Response(LIST.dump_json(found, by_alias=True), media_type="application/json")

    @routes.get("/boots/{boot_id}")
    def boot(boot_id: str) -> Boot:
        """Return one boot; its report names the images of its study."""
        return _with_images(daemon, find_boot(daemon, boot_id))

    @routes.get("/boots/{boot_id}/page")
    def boot_page(boot_id: str) -> BootPage:
        """Return one boot with its usual times, code meanings and neighbours."""
        found = find_boot(daemon, boot_id)
        path = capture_path(daemon, found.id)
        run = daemon.runs.get(found.machine)
        table = run.table if run is not None and run.table.name == found.table else None
        before, after = daemon.store.neighbours(found.id)
        results = daemon.store.results(boot=found.id)
        return BootPage(
            boot=_with_images(daemon, found),
            ladder=[stage.name for stage in table.stage] if table else [stage.name for stage in found.stages],
            usual=usual_times(daemon, found.machine, found.table, table),
            meanings=meanings(table) if table else {},
            capture=path.name if path and file_of(path) else None,
            gone=None if path and file_of(path) else gone_words(path),
            closed_reason=daemon.store.closed_reason(found.id),
            before=before,
            after=after,
            results=results,
            taken_back=daemon.store.results(boot=found.id, taken_back=True),
            outside=any(one.trial is None for one in results),
        )

    @routes.get("/boots/{boot_id}/record")
    async def record(boot_id: str, request: Request) -> BootRecord:
        """Return the boot's codes and console lines, read again from its capture."""

        def ask() -> Reading:
            boot = find_boot(daemon, boot_id)
            if away:
                return done(BootRecord(boot=boot.id, problem=away))
            return records.ask(boot.id, capture_path(daemon, boot.id), boot.ended is not None)

        return await records.while_asked(await run_in_threadpool(ask), request)

    @routes.get("/boots/{boot_id}/capture", response_class=FileResponse)
    def capture(boot_id: str) -> FileResponse:
        """Return the capture file that holds the boot (pcapng; compressed, `.pcapng.gz`, where it lies so)."""
        path = capture_path(daemon, find_boot(daemon, boot_id).id)
        file = None if path is None else file_of(path)
        if file is None:
            raise HTTPException(404, f"of this boot: {gone_words(path)}")
        return FileResponse(file, media_type="application/octet-stream", filename=file.name)

    @routes.get("/machines/{machine}/table")
    def table(machine: str) -> MachineTable:
        """Return a machine's ladder, how long each stage usually lasts, and what codes mean."""
        if machine not in daemon.runs:
            raise HTTPException(404, f"no machine is called {machine!r}")
        rules = daemon.runs[machine].table
        return MachineTable(
            table=rules.name,
            ladder=[stage.name for stage in rules.stage],
            usual=usual_times(daemon, machine, rules.name, rules),
            meanings=meanings(rules),
            model=daemon.runs[machine].part.model,
        )

    return routes


def find_boot(daemon: ServedBench, boot_id: str) -> Boot:
    """Return a boot by id or unique prefix. Raises HTTPException 404, saying what there is instead."""
    try:
        return daemon.store.boot(boot_id)
    except UsageError as error:
        raise HTTPException(404, str(error)) from None


def _with_images(daemon: ServedBench, boot: Boot) -> Boot:
    if boot.measured is None or boot.trial is None:  # most boots: what these have none of is not imported
        return boot
    from benchd.studies.measuring import with_images

    return with_images(daemon.store, boot)


def capture_path(daemon: ServedBench, boot_id: str) -> Path | None:
    """Return the boot's capture, if it is known and inside the data folder; whether it is there, `file_of` says."""
    known = daemon.store.capture_of(boot_id)
    if known is None:
        return None
    path = Path(known).resolve()
    return path if path.is_relative_to(daemon.loaded.data) else None


def record_of(daemon: ServedBench, records: Records, boot: Boot) -> BootRecord:
    """Return the record of a boot; reads its capture, which may take a while."""
    return records.of(boot.id, capture_path(daemon, boot.id), boot.ended is not None)


def usual_times(daemon: ServedBench, machine: str, table_name: str, table: RuleTable | None) -> list[Usual]:
    """Return each stage's times in good boots of this machine under this table."""
    if table is None:
        return []
    learned = daemon.learned.get(machine, {})
    out = []
    good = daemon.store.good_times(machine, table_name)
    for stage in table.stage:
        times = sorted(good.get(stage.name, []))
        quarters = statistics.quantiles(times, n=4, method="inclusive") if len(times) > 1 else times * 3
        limit = stage_limit(table, stage, learned.get(stage.name))
        figures = dict(zip(("quarter", "median", "three_quarters"), quarters, strict=True)) if times else {}
        out.append(
            Usual(
                stage=stage.name,
                n=len(times),
                low=times[0] if times else None,
                high=times[-1] if times else None,
                limit_s=limit.seconds,
                limit_kind=limit.kind,
                **figures,
            )
        )
    return out


def meanings(table: RuleTable) -> dict[str, str]:
    """Return what each one-byte code means in the table, by its two hex digits."""
    out = {f"{value:02X}": table.meaning(value) for value in range(256)}
    for stage in table.stage:
        for when in stage.enter:
            if when.code is not None and not when.code.wide:
                for value in range(256):
                    if value in when.code and not out[f"{value:02X}"]:
                        out[f"{value:02X}"] = stage.means or f"stage {stage.name}"
    return {code: text for code, text in out.items() if text}
