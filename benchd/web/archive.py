"""Many benches over HTTP: what all machines do now, and how far behind the archive is."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fastapi import APIRouter

from benchd.web.responses import WallMachine

if TYPE_CHECKING:
    from benchd.web.bench import ServedArchive


def archive_routes(archive: ServedArchive) -> APIRouter:
    """Return the routes under /api/archive."""
    routes = APIRouter(prefix="/api/archive")

    @routes.get("/now")
    async def now() -> list[WallMachine]:
        """Return what every machine on every bench does now; those that are stuck first."""
        return archive.machines_now()

    @routes.get("/behind")
    async def behind() -> dict[str, Any]:
        """Return how far behind the archive is, as `benchd archive status --json`; looked at every few seconds."""
        return archive.how_far()

    return routes
