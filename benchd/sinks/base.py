"""What a sink is, the bounded queue in front of one, and what its messages share.

The daemon calls `offer` from its event loop; `offer` never waits. When a sink falls behind, codes and console
lines go first; stages, findings and boots stay up to a second, far higher mark. Every drop is counted by kind.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Callable
from typing import Annotated, Any, Literal, Protocol

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from benchd.vocabulary.events import (
    AlarmSilenced,
    BootChanged,
    BootOver,
    BootSettled,
    BootStarted,
    CodeSeen,
    Event,
    FindingCleared,
    FindingRaised,
    LineSeen,
    LinkChanged,
    LossSeen,
    StageEntered,
)
from benchd.vocabulary.times import parse_duration

Seconds = Annotated[float, BeforeValidator(parse_duration)]
"""A duration in settings: `"20s"`, `"5min"`, or a number of seconds."""

KINDS: dict[type, str] = {
    BootStarted: "boot",
    BootChanged: "change",
    BootSettled: "boot",
    BootOver: "boot",
    StageEntered: "stage",
    FindingRaised: "finding",
    FindingCleared: "finding",
    LinkChanged: "link",
    CodeSeen: "code",
    LineSeen: "line",
    LossSeen: "loss",
    AlarmSilenced: "silence",
}
"""Event type: the word for it in counters and topics."""

MINOR = frozenset({"code", "line", "loss", "change"})
"""Kinds that may be dropped at the high mark; each is repeated, summed up or superseded by a later event."""

HIGH = 2_000
"""Queue length from which minor events are dropped: some 20 s of the fastest card."""

FULL = 50_000
"""Queue length from which anything is dropped: hours of stages and findings; only a dead disk gets there."""


class Sink(Protocol):
    """One destination of events.

    `status()` is JSON-ready and has at least name, state, reason, queued and dropped (count by kind).
    """

    name: str

    def offer(self, event: Event) -> None:
        """Take an event; never blocks, never raises."""

    async def run(self) -> None:
        """Work until `close` is called or the task is cancelled."""

    async def close(self) -> None:
        """Finish what can be finished shortly, then make `run` return."""

    def status(self) -> dict[str, Any]:
        """Return the sink's health for people, metrics and the page."""


class Payload(BaseModel):
    """What everything that leaves benchd as JSON from a sink has."""

    model_config = ConfigDict(
        defer_build=True, extra="forbid", frozen=True, serialize_by_alias=True, populate_by_name=True
    )

    version: Literal[1] = Field(default=1, description="grows when a field changes its meaning or goes away")
    bench: str
    at: str = Field(description="wall time, ISO 8601 with zone")


class EventQueue:
    """A bounded queue of events with the drop policy above; used from one thread (the event loop)."""

    def __init__(self, high: int = HIGH, full: int = FULL, on_drop: Callable[[Event], None] | None = None) -> None:
        self.high = high
        self.full = full
        self.dropped: Counter[str] = Counter()
        self._on_drop = on_drop
        self._items: deque[Event] = deque()

    def __len__(self) -> int:
        return len(self._items)

    def put(self, event: Event) -> None:
        """Add an event; at a mark drop it, or the oldest there is."""
        if len(self._items) >= self.high and KINDS[type(event)] in MINOR:
            self._drop(event)
            return
        if len(self._items) >= self.full:
            self._drop(self._items.popleft())
        self._items.append(event)

    def take(self, limit: int = 500) -> list[Event]:
        """Remove and return up to `limit` events, oldest first."""
        return [self._items.popleft() for _ in range(min(limit, len(self._items)))]

    def _drop(self, event: Event) -> None:
        self.dropped[KINDS[type(event)]] += 1
        if self._on_drop is not None:
            self._on_drop(event)
