"""The stream behind `benchd live` and the page: pictures of machines as server-sent events."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from typing import TYPE_CHECKING, Annotated

from fastapi import APIRouter, HTTPException, Query
from fastapi.responses import StreamingResponse
from pydantic import Field

from benchd.errors import UsageError
from benchd.sinks.page_feed import MachinePicture, PageFeed
from benchd.web.bodies import Body

if TYPE_CHECKING:
    from benchd.web.bench import ServedBench

REFRESH_S = 1.0
"""A picture is sent this often even if nothing changed, so that a listener knows that it is not old."""
GATHER_S = 0.1
"""Changes within this time are sent as one picture."""
RETRY_MS = 1000
SILENCE_MOST_S = 86_400.0


class Silence(Body):
    """One alarm, and how long nothing is to be heard of it: 0 lets it be heard again. It ends with the alarm."""

    kind: Annotated[str, Field(max_length=40, description="of the finding that stands, or `link`")]
    rule: Annotated[str, Field(max_length=200, description="its rule, or the link's name")]
    for_s: float = Field(600.0, ge=0, le=SILENCE_MOST_S, description="seconds")


def live_routes(daemon: ServedBench) -> APIRouter:
    """Return the routes of the live picture."""
    routes = APIRouter(prefix="/api")
    now = daemon.now

    @routes.get("/machines")
    async def machines() -> list[MachinePicture]:
        """Return what each machine is doing now."""
        return [now.picture(name) for name in now.machines()]

    @routes.post("/machines/{machine}/silence", status_code=204)
    async def silence(machine: str, body: Silence) -> None:
        """Silence one alarm for a time: pages and alerts, until it ends; what stands is shown all the same."""
        if machine not in now.machines():
            raise HTTPException(404, f"no machine is called {machine!r}")
        try:
            daemon.silence(machine, body.kind, body.rule, body.for_s)
        except UsageError as error:
            raise HTTPException(409, str(error)) from None

    @routes.get("/live", response_class=StreamingResponse)
    async def live(
        gather: Annotated[float, Query(ge=0.02, le=REFRESH_S, description="seconds put into one picture")] = GATHER_S,
        codes: Annotated[int, Query(ge=0, le=1000)] = 1000,
        lines: Annotated[int, Query(ge=0, le=1000)] = 1000,
    ) -> StreamingResponse:
        """Stream pictures of machines as server-sent events named `machine`, at least one a second each."""
        return StreamingResponse(
            pictures(now, gather, codes, lines),
            media_type="text/event-stream",
            headers={"Cache-Control": "no-store", "X-Accel-Buffering": "no"},
        )

    return routes


async def pictures(now: PageFeed, gather_s: float, codes: int, lines: int) -> AsyncIterator[str]:
    """Yield the events: all machines at once, then those that changed, then all again when it was quiet."""
    changes = now.changes()
    pending = asyncio.ensure_future(anext(changes))
    loop = asyncio.get_running_loop()
    told_at = dict.fromkeys(now.machines(), 0.0)
    names = set(told_at)
    yield f"retry: {RETRY_MS}\n\n"
    try:
        while True:
            for name in sorted(names):
                told_at[name] = loop.time()
                yield _event(now.picture(name), codes, lines)
            # The first change is told at once; more that follow closely are gathered.
            earliest = max((told_at[name] for name in names), default=0.0) + gather_s
            done, _ = await asyncio.wait([pending], timeout=REFRESH_S)
            names = {name for name, at in told_at.items() if loop.time() - at >= REFRESH_S * 0.9}
            if not done:
                continue
            if (wait := earliest - loop.time()) > 0:
                await asyncio.sleep(wait)
            try:
                names |= pending.result()
            except StopAsyncIteration:
                return
            pending = asyncio.ensure_future(anext(changes))
    finally:
        pending.cancel()


def _event(picture: MachinePicture, codes: int, lines: int) -> str:
    cut = picture.model_copy(
        update={
            "codes": picture.codes[len(picture.codes) - codes :] if codes < len(picture.codes) else picture.codes,
            "lines": picture.lines[len(picture.lines) - lines :] if lines < len(picture.lines) else picture.lines,
        }
    )
    return f"event: machine\ndata: {cut.model_dump_json(by_alias=True)}\n\n"
