"""What is sent over MQTT and to alert commands: models whose JSON Schema `benchd schema` prints.

Events carry `id` (unique, and the same each time the event is sent: drop what you have seen) and `seq` (grows
by one per event of an outbox, the number in `id`; what is missing in between is counted in `thinned`).
`at` is wall time, ISO 8601 with zone, a label; times in a boot are seconds from its start.
"""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from benchd.vocabulary.models import Boot, Finding, FindingKind, LimitKind, Outcome


class Payload(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, serialize_by_alias=True, populate_by_name=True)

    version: Literal[1] = Field(default=1, description="grows when a field changes its meaning or goes away")
    bench: str
    at: str = Field(description="wall time, ISO 8601 with zone")


class EventPayload(Payload):
    """What all events share."""

    id: str = Field(description="unique; the same when an event is sent again")
    seq: int = Field(ge=1)
    machine: str
    boot: str | None = None


class CodeEvent(EventPayload):
    """A POST code. `thinned` codes of this machine before it were left out (outage or overload)."""

    link: str
    code: str
    port: int | None = None
    known: bool
    t: float | None = None
    u: float
    thinned: int = 0


class StageEvent(EventPayload):
    """A stage was entered, `t` seconds from boot start give or take `u`; the one before took `previous_s`."""

    stage: str
    index: int
    t: float
    u: float
    previous: str | None = None
    previous_s: float | None = None


class FindingEvent(EventPayload):
    """A finding was raised, or cleared after it stood `stood_s` seconds."""

    state: Literal["raised", "cleared"]
    alert: bool
    finding: Finding
    stood_s: float | None = None


class BootEvent(EventPayload):
    """A boot started, was settled (how it ended as it looks now, may be revised) or ended (once, final)."""

    state: Literal["started", "settled", "ended"]
    record: Boot


class LinkEvent(EventPayload):
    """A link came up or went down."""

    link: str
    up: bool
    reason: str


class BenchStatus(Payload):
    """Retained. The Last Will says `online: false` when the bench vanished without a word."""

    online: bool
    reason: str
    outbox: str = Field(description="the part of event ids before the number")


class MachineState(Payload):
    """Retained. `outcome` is that of the boot named, or None where no boot was seen yet."""

    machine: str
    boot: str | None = None
    trial: str | None = None
    outcome: Outcome | None = None
    stage: str | None = None
    code: str | None = None
    links: dict[str, bool] = Field(default_factory=dict)
    stuck: bool = False


class StandingAlert(BaseModel):
    """One thing that stands on a machine; for a link `rule` is its name."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    kind: FindingKind | Literal["link"]
    rule: str = Field(description="rule, or the link that is down")
    since: str
    boot: str | None = None
    stage: str | None = None
    code: str | None = None
    means: str | None = None


class MachineAlert(Payload):
    """Retained. What stands on the machine now; an empty list says that all is well again."""

    machine: str
    standing: list[StandingAlert]


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
    limit_s: float | None = None
    limit_kind: LimitKind | None = None
    means: str | None = None
    try_: list[str] = Field(default_factory=list, alias="try")
    caution: str | None = None
    title: str
    text: str


PUBLISHED: dict[str, type[BaseModel]] = {
    "boot": Boot,
    "code-event": CodeEvent,
    "stage-event": StageEvent,
    "finding-event": FindingEvent,
    "boot-event": BootEvent,
    "link-event": LinkEvent,
    "bench-status": BenchStatus,
    "machine-state": MachineState,
    "machine-alert": MachineAlert,
    "alert": AlertMessage,
}
"""Name for `benchd schema`: model."""
