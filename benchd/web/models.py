"""Models of machines over HTTP: where their boots stand."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fastapi import APIRouter, HTTPException

from benchd.errors import UsageError
from benchd.studies.modelview import ModelView, model_view
from benchd.web.responses import SharedModel
from benchd.web.shared_models import SharedModels

if TYPE_CHECKING:
    from benchd.web.bench import ServedBench


def model_routes(daemon: ServedBench, archive: bool) -> APIRouter:
    """Return the routes under /api/models."""
    routes = APIRouter(prefix="/api/models")

    @routes.get("")
    def models() -> dict[str, int]:
        """Return how many boots there are of each model of machine."""
        return daemon.store.models()

    @routes.get("/{name}")
    def model(name: str) -> ModelView:
        """Return at which code and stage boots of a model stand, as `benchd model --json`."""
        try:
            return model_view(daemon.store, name, archive=archive)
        except UsageError as error:
            raise HTTPException(404, str(error)) from None

    return routes


def shared_model_routes(shared: SharedModels) -> APIRouter:
    """Return the route of a model on all benches: it takes no turn, since it may wait for another computer."""
    routes = APIRouter(prefix="/api/models")

    @routes.get("/{name}/shared")
    async def model_on_all_benches(name: str) -> SharedModel:
        """Return the same of all benches, as the archive has it; where that cannot be had in 5 s, why."""
        return await shared.of(name)

    return routes
