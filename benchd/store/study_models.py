"""What the store keeps of studies: the values that `Store` takes and gives, JSON-ready.

Times are ISO 8601 with zone. Setups map a factor to its level.
"""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal, NamedTuple

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


class Hand(NamedTuple):
    """Who changes something: when (ISO 8601 with zone), and by which way."""

    at: str
    by: str = "command line"


class StoredStudy(Model):
    """One question. `document` holds question, goal, factors, costs, exclusions and reference setup."""

    name: Name
    document: dict[str, Any] = Field(default_factory=dict)
    created: Moment
    edited: Moment


class Trial(Model):
    """One setup and the boots made with it; it runs while `ended` is None.

    `id` ("T1", "T2", ...) is given by the store and never used twice, and captures carry it; `name` is what people call
    it besides. `changed` maps each factor that differs from the trial before to its new level.
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
    name: str = Field("", max_length=60, description="what people call it", exclude_if=lambda name: not name)

    @property
    def called(self) -> str:
        """Its id, and its name where it has one."""
        return f"{self.id} ({self.name})" if self.name else self.id


class Result(Model):
    """A check's result entered for a trial, or for one boot of it, or for a boot without trial.

    `trial` is the one that its boot counts for now. `left_out`: why it does not count.
    """

    id: int | None = Field(None, description="given by the store")
    trial: str | None = None
    boot: str | None = None
    check: Name
    passed: bool
    source: Literal["hand", "console", "csv"] = "hand"
    note: str = ""
    entered: Moment
    left_out: str | None = Field(None, exclude_if=lambda reason: reason is None)

    @model_validator(mode="after")
    def _belongs_somewhere(self) -> Result:
        if self.trial is None and self.boot is None:
            raise ValueError("a result needs a trial or a boot")
        return self


ChangeKind = Literal[
    "trial-started",
    "trial-ended",
    "trial-resumed",
    "trial-noted",
    "trial-named",
    "trial-deleted",
    "trial-restored",
    "result-entered",
    "result-taken-back",
    "result-put-back",
    "boot-moved",
    "boot-left-out",
    "boot-counted",
    "boot-noted",
    "boot-labelled",
    "study-made",
    "study-edited",
    "study-deleted",
    "study-restored",
]


class LogEntry(Model):
    """One thing that a person did. `before` and `after` are what was changed, as text; None: nothing."""

    number: int
    at: str
    by: str = Field(description="`command line` or `page`")
    kind: ChangeKind
    study: str | None = None
    trial: str | None = None
    boot: str | None = None
    result: int | None = None
    before: str | None = None
    after: str | None = None


class DeletedStudy(Model):
    """A study that was deleted and can be brought back: the name that it had, when, and how many trials it has."""

    name: str
    deleted: str
    trials: int


class DeletedTrial(Model):
    """A trial that was deleted and can be brought back."""

    id: str
    study: str
    deleted: str


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
