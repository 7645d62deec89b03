"""The HTTP application of one daemon."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from typing import TYPE_CHECKING, Any

from fastapi import FastAPI, HTTPException, Request
from fastapi.responses import Response, StreamingResponse

from benchd import __version__
from benchd.errors import CallerError
from benchd.models import Boot
from benchd.sinks.now import MachineNow
from benchd.web.guard import Guard

if TYPE_CHECKING:
    from benchd.daemon import Daemon

REFRESH_S = 1.0
"""A picture is sent this often even if nothing changed, so that a listener knows that it is not old."""
GATHER_S = 0.1
"""Changes within this time are sent as one picture."""


def make_app(daemon: Daemon) -> FastAPI:
    """Return the application that serves `daemon`."""
    app = FastAPI(title="benchd", version=__version__, docs_url=None, redoc_url=None)
    app.add_middleware(Guard, http=daemon.loaded.settings.http, token_path=daemon.loaded.resolve(
        daemon.loaded.settings.http.token_file
    ))

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
                }
                for name, run in daemon.runs.items()
            },
            "rules_problem": daemon.reload_problem,
        }

    @app.get("/api/machines")
    async def machines() -> list[MachineNow]:
        """Return what each machine is doing now."""
        return [daemon.now.picture(name) for name in daemon.now.machines()]

    @app.get("/api/boots")
    async def boots(machine: str | None = None, trial: str | None = None, limit: int = 100) -> list[Boot]:
        """Return stored boots, newest first."""
        return await asyncio.to_thread(
            lambda: daemon.store.boots(machine=machine, trial=trial, limit=max(1, min(limit, 10_000)))
        )

    @app.get("/api/boots/{boot_id}")
    async def boot(boot_id: str) -> Boot:
        """Return one boot."""
        try:
            return await asyncio.to_thread(daemon.store.boot, boot_id)
        except CallerError as error:
            raise HTTPException(404, str(error)) from None

    @app.get("/api/live")
    async def live() -> StreamingResponse:
        """Stream pictures of machines as server-sent events named `machine`, at least one a second each."""
        return StreamingResponse(_pictures(daemon), media_type="text/event-stream")

    return app


async def _pictures(daemon: Daemon) -> AsyncIterator[str]:
    changes = daemon.now.changes()
    names = set(daemon.now.machines())
    pending = asyncio.ensure_future(anext(changes))
    try:
        while True:
            for name in sorted(names):
                picture = daemon.now.picture(name).model_dump(mode="json", by_alias=True)
                yield f"event: machine\ndata: {json.dumps(picture, ensure_ascii=False)}\n\n"
            names = set()
            done, _ = await asyncio.wait([pending], timeout=REFRESH_S)
            if not done:
                names = set(daemon.now.machines())
                continue
            await asyncio.sleep(GATHER_S)
            while pending.done():
                try:
                    changed = pending.result()
                except StopAsyncIteration:
                    return
                if changed is None:
                    return
                names.add(changed)
                pending = asyncio.ensure_future(anext(changes))
                await asyncio.sleep(0)
    finally:
        pending.cancel()
