"""Every answer that says no has one form, with a sentence in it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from pydantic import Field
from starlette.exceptions import HTTPException

from benchd.errors import BenchError, UsageError
from benchd.store.study_models import Trial
from benchd.vocabulary.models import Model

TOLD_MOST = 2000
"""Characters of a sentence."""


class Refusal(Model):
    """What went wrong, and what to do."""

    detail: str = Field(description="a sentence for people")


class StillRuns(Refusal):
    """A trial runs on the machine: asked for again with `end_running` as its id, the new one is begun."""

    running: Trial
    boots: int
    results: int


class NotYet(Refusal):
    """What would go with a study: asked for again with `yes`, it is deleted."""

    trials: int
    boots: int
    results: int


class Refused(Exception):
    """Ends a request with a refusal that says more than a sentence."""

    def __init__(self, status: int, refusal: Refusal) -> None:
        super().__init__(refusal.detail)
        self.status, self.refusal = status, refusal


FORMS: dict[int | str, dict[str, Any]] = {
    "4XX": {"model": Refusal, "description": "what was asked cannot be"},
    "5XX": {"model": Refusal, "description": "something outside or inside failed"},
}


class PlainJSON(JSONResponse):
    """JSON in ASCII (RFC 8259, section 7): a message may quote half a surrogate pair, which UTF-8 cannot carry."""

    def render(self, content: Any) -> bytes:
        return json.dumps(content).encode("ascii")


def problem(status: int, detail: str, headers: Mapping[str, str] | None = None) -> PlainJSON:
    """Return the answer."""
    return PlainJSON(Refusal(detail=detail[:TOLD_MOST]).model_dump(), status, headers)


def add_problems(app: FastAPI) -> None:
    """Let every exception of a route end in a `Refusal`."""
    app.add_exception_handler(BenchError, _told)
    app.add_exception_handler(Refused, _with_more)
    app.add_exception_handler(RequestValidationError, _misread)
    app.add_exception_handler(HTTPException, _refused)
    app.add_exception_handler(Exception, _failed)


async def _told(request: Request, error: Exception) -> PlainJSON:
    """Errors that benchd raises on purpose reach the page as what they say."""
    return problem(422 if isinstance(error, UsageError) else 503, str(error))


async def _with_more(request: Request, error: Exception) -> PlainJSON:
    assert isinstance(error, Refused)
    return PlainJSON(error.refusal.model_dump(mode="json"), error.status)


async def _misread(request: Request, error: Exception) -> PlainJSON:
    """A request that does not fit its form: where and why, without what was sent, which may fit no answer either."""
    assert isinstance(error, RequestValidationError)
    places = [(".".join(str(part) for part in one["loc"][1:]), one["msg"]) for one in error.errors()]
    return problem(422, "; ".join(f"{place}: {text}" if place else text for place, text in places))


async def _refused(request: Request, error: Exception) -> PlainJSON:
    assert isinstance(error, HTTPException)
    return problem(error.status_code, str(error.detail), error.headers)


async def _failed(request: Request, error: Exception) -> PlainJSON:
    """A bug: the server logs it."""
    return problem(500, "benchd failed at this: its log says where; please report it")
