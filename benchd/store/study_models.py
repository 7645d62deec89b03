"""What the store keeps of studies: the values that `Store` takes and gives, JSON-ready.

Times are ISO 8601 with zone. Setups map a factor to its level.
"""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, StringConstraints, model_validator

from benchd.vocabulary.models import Model


def _with_zone(value: str) -> str:
    moment = datetime.fromisoformat(value)
    if moment.tzinfo is None:
        raise ValueError("a time needs its zone, as in 2026-03-01T20:15:00+01:00")
    return value


Moment = Annotated[str, AfterValidator(_with_zone)]
Name = Annotated[str, StringConstraints(min_length=1, max_length=200)]
REST_MOST_S = 7 * 86_400.0
Sha256 = Annotated[str, StringConstraints(pattern="^[0-9a-f]{64}$")]


class StoredStudy(Model):
    """One question. `document` holds question, goal, factors, costs, exclusions and reference setup."""

    name: Name
    document: dict[str, Any] = Field(default_factory=dict)
    created: Moment
    edited: Moment


class Trial(Model):
    """One setup and the boots made with it; it runs while `ended` is None.

    `id` ("T1", "T2", ...) is given by the store and never used twice. `changed` maps each factor that differs
    from the trial before to its new level.
    """

    id: str
    study: Name
    machine: Name
    setup: dict[str, str] = Field(default_factory=dict)
    changed: dict[str, str] = Field(default_factory=dict)
    started: Moment
    ended: Moment | None = None
    note: str = ""
    reseated: bool = Field(False, description="the cover was off before it, and what was plugged was plugged anew")
    rested_s: float | None = Field(None, ge=0, le=REST_MOST_S, description="seconds of rest without power before it")


class Result(Model):
    """A check's result entered for a trial, or for one boot of it, or for a boot without trial."""

    id: int | None = Field(None, description="given by the store")
    trial: str | None = None
    boot: str | None = None
    check: Name
    passed: bool
    source: Literal["hand", "console", "csv"] = "hand"
    note: str = ""
    entered: Moment

    @model_validator(mode="after")
    def _belongs_somewhere(self) -> Result:
        if self.trial is None and self.boot is None:
            raise ValueError("a result needs a trial or a boot")
        return self


class StoredImage(Model):
    """A ROM image, known by its SHA-256 (64 lower-case hex digits). `size` in bytes, `path` as it was read."""

    sha256: Sha256
    name: Name
    size: Annotated[int, Field(ge=0)]
    path: str | None = None


class StoredPrediction(Model):
    """What was foretold for a trial before its boots, to be held against them."""

    id: int
    trial: str
    document: dict[str, Any]
    made: Moment
