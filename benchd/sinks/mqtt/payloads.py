"""What is sent over MQTT: models whose JSON Schema `benchd schema` prints.

Events carry `id` (unique, and the same each time the event is sent: drop what you have seen) and `seq` (grows
by one per event of an outbox, the number in `id`; what is missing in between is counted in `thinned`).
`at` is wall time, ISO 8601 with zone, a label; times in a boot are seconds from its start.
"""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from benchd.sinks.base import Payload
from benchd.vocabulary.models import Boot, Finding, FindingKind, Outcome


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

    model_config = ConfigDict(defer_build=True, extra="forbid", frozen=True)

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
}
"""Name for `benchd schema`: model."""
