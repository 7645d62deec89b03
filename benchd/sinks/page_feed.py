"""The sink behind `benchd live` and the page: what each machine is doing now, and a stream of changes.

A listener is told which machines changed, not each change: one that reads slowly is never waited for, holds no
more than the names, and gets the newest picture when it comes back.
"""

from __future__ import annotations

import asyncio
import time
from collections import deque
from collections.abc import AsyncIterator, Callable
from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from benchd.vocabulary.events import (
    BootChanged,
    BootEnded,
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
from benchd.vocabulary.models import Boot, Finding

CODES_SHOWN = 64
LINES_SHOWN = 40
LINE_LENGTH = 1000


class Shown(BaseModel):
    model_config = ConfigDict(extra="forbid")


class ShownCode(Shown):
    """A code as last seen: seconds from boot start, or None outside a boot."""

    code: str
    port: int | None = None
    t: float | None = None
    known: bool = True
    link: str = "post"


class ShownLine(Shown):
    """A console line; `text` is as received and must be shown as text only."""

    line: int
    text: str
    t: float | None = None
    link: str = "console"
    partial: bool = False


class ShownLink(Shown):
    up: bool
    reason: str


class MachineNow(Shown):
    """One machine at this moment. `stage_for_s` and `quiet_for_s` grow by themselves between updates."""

    machine: str
    table: str
    ladder: list[str] = Field(default_factory=list)
    limits: dict[str, float] = Field(default_factory=dict)
    trial: str | None = None
    boot: Boot | None = None
    boot_for_s: float | None = None
    stage: str | None = None
    stage_for_s: float | None = None
    quiet_for_s: float | None = None
    due: str | None = Field(None, description="what silence will mean if it lasts: a rule, or `silence`")
    due_in_s: float | None = None
    standing: Finding | None = None
    codes: list[ShownCode] = Field(default_factory=list)
    lines: list[ShownLine] = Field(default_factory=list)
    links: dict[str, ShownLink] = Field(default_factory=dict)
    losses: dict[str, int] = Field(default_factory=dict)


class _State:
    def __init__(self, now: MachineNow) -> None:
        self.now = now
        self.codes: deque[ShownCode] = deque(maxlen=CODES_SHOWN)
        self.lines: deque[ShownLine] = deque(maxlen=LINES_SHOWN)
        self.due: Callable[[], tuple[str, int] | None] = lambda: None
        self.boot_ns: int | None = None
        self.stage_ns: int | None = None
        self.life_ns: int | None = None


class _Listener:
    def __init__(self) -> None:
        self.changed: dict[str, None] = {}
        self.woken = asyncio.Event()


class PageFeed:
    """Keeps the picture. `version` grows with each change; `changes()` yields machine names as they change."""

    name = "now"

    def __init__(self) -> None:
        self._states: dict[str, _State] = {}
        self._listeners: set[_Listener] = set()
        self._closed = False
        self.version = 0

    def add(self, machine: str, table: str, ladder: list[str], links: list[str]) -> None:
        """Make a machine known before anything is seen of it."""
        now = MachineNow(machine=machine, table=table, ladder=ladder)
        now.links = {name: ShownLink(up=False, reason="not opened yet") for name in links}
        self._states[machine] = _State(now)

    def follow(self, machine: str, due: Callable[[], tuple[str, int] | None]) -> None:
        """Ask `due` at each picture what silence will mean, and when (monotonic ns)."""
        self._states[machine].due = due

    def offer(self, event: Event) -> None:
        """Take an event; never blocks."""
        state = self._states.get(event.machine)
        if state is None:
            return
        self._apply(state, event)
        self.touch(event.machine)

    def touch(self, machine: str) -> None:
        """Tell listeners that a machine's picture changed."""
        self.version += 1
        for listener in self._listeners:
            listener.changed[machine] = None
            listener.woken.set()

    def describe(self, machine: str, **values: Any) -> None:
        """Set facts that no event carries: `trial`, `limits`, `table`, `ladder`."""
        state = self._states[machine]
        for key, value in values.items():
            setattr(state.now, key, value)
        self.touch(machine)

    def _apply(self, state: _State, event: Event) -> None:
        now = state.now
        match event:
            case BootStarted():
                now.boot, now.stage, now.standing = event.boot, None, None
                state.codes.clear()
                state.lines.clear()
                now.losses = {}
                state.boot_ns, state.stage_ns, state.life_ns = event.t_ns, None, event.t_ns
            case BootChanged() | BootEnded():
                if now.boot is None or now.boot.id == event.boot.id:
                    now.boot = event.boot
            case CodeSeen():
                state.codes.append(
                    ShownCode(code=event.code, port=event.port, t=event.t, known=event.known, link=event.link)
                )
                state.life_ns = event.t_ns
            case LineSeen():
                shown = ShownLine(
                    line=event.line,
                    text=event.text[:LINE_LENGTH],
                    t=event.t,
                    link=event.link,
                    partial=event.partial,
                )
                old = next((i for i, s in enumerate(state.lines) if (s.link, s.line) == (shown.link, shown.line)), None)
                if old is None:
                    state.lines.append(shown)
                else:
                    state.lines[old] = shown
                state.life_ns = event.t_ns
            case StageEntered():
                now.stage, state.stage_ns = event.stage, event.t_ns
            case FindingRaised():
                if event.alert:
                    now.standing = event.finding
            case FindingCleared():
                if now.standing is not None and (now.standing.kind, now.standing.rule) == (
                    event.finding.kind,
                    event.finding.rule,
                ):
                    now.standing = None
            case LinkChanged():
                now.links[event.link] = ShownLink(up=event.up, reason=event.reason)
            case LossSeen():
                now.losses[event.reason] = now.losses.get(event.reason, 0) + event.count

    def machines(self) -> list[str]:
        return list(self._states)

    def picture(self, machine: str) -> MachineNow:
        """Return a machine's picture at this moment. Raises KeyError."""
        state = self._states[machine]
        now_ns = time.monotonic_ns()

        def since(t_ns: int | None) -> float | None:
            return None if t_ns is None else round(max(0, now_ns - t_ns) / 1e9, 3)

        due = state.due()
        return state.now.model_copy(
            update={
                "due": due[0] if due else None,
                "due_in_s": round(max(0, due[1] - now_ns) / 1e9, 3) if due else None,
                "codes": list(state.codes),
                "lines": list(state.lines),
                "boot_for_s": since(state.boot_ns),
                "stage_for_s": since(state.stage_ns),
                "quiet_for_s": since(state.life_ns),
            }
        )

    async def changes(self) -> AsyncIterator[set[str]]:
        """Yield the names of machines that changed since the last time; ends when the sink is closed."""
        listener = _Listener()
        self._listeners.add(listener)
        try:
            while not self._closed:
                await listener.woken.wait()
                listener.woken.clear()
                changed, listener.changed = set(listener.changed), {}
                if changed:
                    yield changed
        finally:
            self._listeners.discard(listener)

    async def run(self) -> None:
        """Nothing runs: pictures are kept in `offer`."""

    async def close(self) -> None:
        self._closed = True
        for listener in self._listeners:
            listener.woken.set()

    def status(self) -> dict[str, Any]:
        return {
            "name": self.name,
            "state": "running",
            "reason": "",
            "queued": sum(len(listener.changed) for listener in self._listeners),
            "dropped": {},
        }
