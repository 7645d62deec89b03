"""What is sent over MQTT: models whose JSON Schema `benchd schema` prints.

Events carry `id` (unique, and the same each time the event is sent: drop what you have seen) and `seq` (grows
by one per event of an outbox, the number in `id`; what is missing in between is counted in `thinned`).
`at` is wall time, ISO 8601 with zone, a label; times in a boot are seconds from its start.
"""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from benchd.sinks.base import Payload
from benchd.vocabulary.models import Boot, Finding, FindingKind, Outcome


class NumberedPayload(Payload):
    """What all events share."""

    id: str = Field(description="unique; the same when an event is sent again")
    seq: int = Field(ge=1)


class EventPayload(NumberedPayload):
    """What all events of a machine share."""

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
    """A boot started, was settled (how it ended as it looks now, may be revised) or ended (once, final).

    With `mqtt.archive` also: `stored`, the record as the bench's store has it now, where that is not what was told last
    (judged again, rebuilt, imported), without what people decided about it; `removed`, it is no boot any more.
    """

    state: Literal["started", "settled", "ended", "stored", "removed"]
    record: Boot | None = Field(description="null: removed")

    @model_validator(mode="after")
    def _one_of_both(self) -> BootEvent:
        if (self.record is None) != (self.state == "removed"):
            raise ValueError("a boot that was removed has no record, every other has one")
        return self


class LinkEvent(EventPayload):
    """A link came up or went down."""

    link: str
    up: bool
    reason: str


class EntryEvent(NumberedPayload):
    """A row that people made or changed, as the bench's store has it now, or null where it is gone.

    Of two that tell of one `table` and `key` the later counts: by outbox, then by `seq`.
    """

    schema_: str = Field(alias="schema", description="version of the store's tables, which name the columns")
    table: Literal["study", "trial", "result", "boot_mark", "image", "prediction", "change"]
    key: str = Field(description="its primary key, as JSON text")
    row: dict[str, Any] | None = Field(description="column: value; null: the row is gone")


Number = Annotated[int, Field(ge=1, le=1 << 53)]
AskName = Annotated[str, Field(min_length=1, max_length=64)]
MOST_RANGES = 1_000
"""Ranges of missing numbers that one ask may have."""


class AskRequest(BaseModel):
    """What an archive asks a bench to tell again.

    `missing` numbers of `outbox`, first and last of each range; or all boots started since a time and all that people
    entered; or, with neither, everything.
    """

    model_config = ConfigDict(defer_build=True, extra="forbid", frozen=True, hide_input_in_errors=True)

    version: Literal[1] = Field(default=1, description="grows when a field changes its meaning or goes away")
    archive: AskName = Field(description="name of the archive")
    ask: AskName = Field(description="id of this ask; its answer carries it")
    outbox: AskName | None = None
    missing: list[tuple[Number, Number]] | None = Field(None, max_length=MOST_RANGES)
    since: str | None = Field(None, max_length=40, description="ISO 8601 with zone")

    @model_validator(mode="after")
    def _sense(self) -> AskRequest:
        if self.missing is not None and (self.outbox is None or self.since is not None):
            raise ValueError("missing numbers are those of an outbox, and of no time")
        if any(first > last for first, last in self.missing or ()):
            raise ValueError("a range ends before it begins")
        try:
            if self.since is not None and datetime.fromisoformat(self.since).tzinfo is None:
                raise ValueError
        except ValueError:
            raise ValueError("since is no time with a zone") from None
        return self


class AnswerEvent(NumberedPayload):
    """What was asked for has been told again, by events before this one."""

    ask: str
    outbox: str | None = None
    missing: list[tuple[int, int]] | None = None
    boots: int = Field(description="boots told again")
    entries: int = Field(description="entries told again")
    words: str
    whole_from: int | None = Field(
        None, description="all that there is was told by events from this `seq` on: what only older ones told is gone"
    )


class BenchStatus(Payload):
    """Retained. The Last Will says `online: false` when the bench vanished without a word."""

    online: bool
    reason: str
    outbox: str = Field(description="the part of event ids before the number")
    seq: int = Field(0, description="last number given in this outbox")
    made: str | None = Field(None, description="when the outbox was made; null: not known")
    archive: bool = Field(False, description="entries and stored boots are told, and asks heard (`mqtt.archive`)")


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
    "entry-event": EntryEvent,
    "ask-request": AskRequest,
    "answer-event": AnswerEvent,
    "bench-status": BenchStatus,
    "machine-state": MachineState,
    "machine-alert": MachineAlert,
}
"""Name for `benchd schema`: model."""
