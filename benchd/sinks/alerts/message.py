"""What an alert command gets on its standard input: a model whose JSON Schema `benchd schema alert` prints."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from benchd.sinks.base import Payload
from benchd.vocabulary.models import FindingKind, LimitKind


class AlertMessage(Payload):
    """What an alert command gets on its standard input, and what `text` says in words."""

    id: str
    state: Literal["raised", "recovered", "unsteady", "steady"]
    machine: str
    kind: FindingKind | Literal["link"]
    rule: str
    boot: str | None = None
    stage: str | None = None
    code: str | None = None
    t: float | None = None
    in_stage_s: float | None = Field(None, description="how long the stage had lasted then")
    stood_s: float | None = Field(None, description="how long it stood, when it is over")
    late_s: float | None = Field(None, description="how long ago it was, where it could not be delivered at once")
    limit_s: float | None = None
    limit_kind: LimitKind | None = None
    means: str | None = None
    try_: list[str] = Field(default_factory=list, alias="try")
    caution: str | None = None
    title: str
    text: str
