"""The HTTP application of one daemon: what each part brings, put together."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response

from benchd import __version__
from benchd.errors import BenchError, UsageError
from benchd.web.auth import Guard, Keys, read_token
from benchd.web.boots import boot_routes
from benchd.web.comparing import compare_routes
from benchd.web.live import live_routes
from benchd.web.mapping import map_routes
from benchd.web.pages import page_routes
from benchd.web.record import Records
from benchd.web.responses import MachineCard, PageStart
from benchd.web.studies import study_routes

if TYPE_CHECKING:
    from benchd.web.bench import ServedBench


def make_app(daemon: ServedBench) -> FastAPI:
    """Return the application that serves `daemon`. Raises UsageError for a token file that is no good."""
    http = daemon.loaded.settings.http
    token_path = daemon.loaded.resolve(http.token_file)
    keys = Keys(read_token(token_path)) if token_path else None
    records = Records(daemon.loaded.base)
    app = FastAPI(title="benchd", version=__version__, docs_url=None, redoc_url=None, openapi_url="/api/openapi.json")
    app.add_middleware(Guard, http=http, keys=keys)
    app.add_exception_handler(BenchError, _told)
    app.add_exception_handler(RequestValidationError, _misread)

    @app.get("/metrics", include_in_schema=False)
    async def metrics(request: Request) -> Response:
        body, content_type = daemon.metrics.render(request.headers.get("accept"))
        return Response(body, headers={"Content-Type": content_type})

    @app.get("/api/health")
    async def health() -> dict[str, Any]:
        """Return how the daemon and its sinks are."""
        return {
            "bench": daemon.loaded.settings.bench.name,
            "version": __version__,
            "sinks": [sink.status() for sink in daemon.sinks],
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
            "rules_problem": daemon.reload_problem,
        }

    @app.get("/api/start")
    async def start() -> PageStart:
        """Return what every page needs first."""
        machines = [
            MachineCard(name=name, table=run.table.name, map=run.part.map is not None)
            for name, run in daemon.runs.items()
        ]
        bench = daemon.loaded.settings.bench.name
        return PageStart(bench=bench, version=__version__, machines=machines, guarded=keys is not None)

    app.include_router(live_routes(daemon.now))
    app.include_router(boot_routes(daemon, records))
    app.include_router(compare_routes(daemon))
    app.include_router(map_routes(daemon, records))
    app.include_router(study_routes(daemon))
    app.include_router(page_routes(keys))
    return app


class PlainJSON(JSONResponse):
    """JSON in ASCII (RFC 8259, section 7): a message may quote half a surrogate pair, which UTF-8 cannot carry."""

    def render(self, content: Any) -> bytes:
        return json.dumps(content).encode("ascii")


async def _told(request: Request, error: Exception) -> JSONResponse:
    """Errors that benchd raises on purpose reach the page as what they say."""
    return PlainJSON({"detail": str(error)}, 422 if isinstance(error, UsageError) else 503)


async def _misread(request: Request, error: Exception) -> JSONResponse:
    """A request that does not fit its form: where and why, without what was sent, which may fit no answer either."""
    assert isinstance(error, RequestValidationError)
    return PlainJSON({"detail": [{key: one[key] for key in ("type", "loc", "msg")} for one in error.errors()]}, 422)
