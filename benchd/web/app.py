"""The HTTP application of one daemon: what each part brings, put together."""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING, Any

from fastapi import Depends, FastAPI, Request
from fastapi.responses import Response

from benchd import __version__
from benchd.errors import ExternalError
from benchd.web.archive import archive_routes
from benchd.web.auth import Auth, auth_of
from benchd.web.boots import boot_routes
from benchd.web.comparing import compare_routes
from benchd.web.connections import Connections
from benchd.web.door import Guard
from benchd.web.live import live_routes
from benchd.web.mapping import map_routes
from benchd.web.models import model_routes, shared_model_routes
from benchd.web.pages import page_routes
from benchd.web.problems import FORMS, add_problems
from benchd.web.record import Records
from benchd.web.reporter import reporter_routes
from benchd.web.responses import MachineCard, PageStart
from benchd.web.shared_models import SharedModels
from benchd.web.studies import study_routes
from benchd.web.turns import Turns
from benchd.web.undo import undo_routes

if TYPE_CHECKING:
    from benchd.web.bench import ServedArchive, ServedBench

AWAY = "its codes and lines are on its bench, in the capture: an archive has the records only"


def make_app(
    daemon: ServedBench,
    connections: Connections | None = None,
    auth: Auth | None = None,
    archive: ServedArchive | None = None,
) -> FastAPI:
    """Return the application that serves `daemon`. Raises UsageError for a token file that is no good.

    `auth` is what `auth_of` says, where that was asked already. `archive`: many benches, and nothing is changed.
    """
    http = daemon.loaded.settings.http
    auth = auth_of(daemon.loaded) if auth is None else auth
    records = Records(daemon.loaded.base)
    app = FastAPI(
        title="benchd",
        version=__version__,
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/openapi.json",
        responses=FORMS,
    )
    app.state.records = records
    connections = Connections() if connections is None else connections
    app.add_middleware(Guard, http=http, auth=auth, connections=connections, read_only=archive is not None)
    add_problems(app)

    @app.get("/metrics", include_in_schema=False)
    async def metrics(request: Request) -> Response:
        body, content_type = daemon.metrics.render(request.headers.get("accept"))
        return Response(body, headers={"Content-Type": content_type})

    @app.get("/api/health")
    async def health() -> dict[str, Any]:
        """Return how the daemon, its links, its captures and its sinks are."""
        return {
            "bench": daemon.loaded.settings.bench.name,
            "version": __version__,
            "sinks": [sink.status() for sink in daemon.sinks],
            "links": {name: run.link_health() for name, run in daemon.runs.items()},
            "captures": {
                name: {
                    "file": str(run.keeper.path) if run.keeper.path else None,
                    "trouble": run.keeper.trouble,
                    "waiting": run.keeper.waiting,
                    "lost": run.keeper.dropped,
                    "judging_behind_s": daemon.behind.get(name, 0.0),
                }
                for name, run in daemon.runs.items()
            },
            "disk": daemon.disk,
            "rules_problem": daemon.reload_problem,
        } | ({} if archive is None else {"archive": archive.how_far()})

    @app.get("/api/start")
    def start() -> PageStart:
        """Return what every page needs first."""
        machines = [
            MachineCard(name=name, table=run.table.name, map=run.part.map is not None)
            for name, run in daemon.runs.items()
        ]
        if archive is not None:
            with suppress(ExternalError):  # a page without choices is better than none
                machines = [MachineCard(name=name, table="", map=False) for name in daemon.store.machines()]
        bench = daemon.loaded.settings.bench.name
        return PageStart(
            bench=bench,
            version=__version__,
            machines=machines,
            archive=archive is not None,
            guarded=auth is not None,
        )

    app.include_router(live_routes(daemon))
    if archive is not None:
        app.include_router(archive_routes(archive))
    app.include_router(shared_model_routes(SharedModels(daemon, archive is not None)))
    # Given back before the answer is sent: who reads it slowly keeps nobody waiting.
    turns = [Depends(Turns(), scope="function")]
    for routes in (
        boot_routes(daemon, records, AWAY if archive is not None else ""),
        compare_routes(daemon),
        map_routes(daemon, records),
        study_routes(daemon),
        undo_routes(daemon),
        reporter_routes(),
        model_routes(daemon, archive is not None),
    ):
        app.include_router(routes, dependencies=turns)
    app.include_router(page_routes(auth, secure=http.tls_cert is not None))
    return app
