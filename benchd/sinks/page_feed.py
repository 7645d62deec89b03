"""The sink behind `benchd live` and the page: what each machine is doing now, and a stream of changes.

A listener is told which machines changed, not each change: one that reads slowly is never waited for, holds no
more than the names, and gets the newest picture when it comes back.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import AsyncIterator, Callable
from dataclasses import replace
from datetime import datetime
from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from benchd.boots.deadlines import Deadline
from benchd.clock import SYSTEM, Clock
from benchd.live_state import LinkNow, LiveState
from benchd.vocabulary.events import BootStarted, CodeSeen, Event, LineSeen
from benchd.vocabulary.models import Boot, Finding, GoalNow, LimitKind
from benchd.vocabulary.times import NS

CODES_SHOWN = 64
LINES_SHOWN = 40
LINE_LENGTH = 1000


class Shown(BaseModel):
    model_config = ConfigDict(defer_build=True, extra="forbid")


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


class MachinePicture(Shown):
    """One machine at this moment. `stage_for_s` and `quiet_for_s` grow by themselves between updates."""

    machine: str
    table: str
    ladder: list[str] = Field(default_factory=list)
    limits: dict[str, float] = Field(default_factory=dict)
    trial: str | None = None
    trial_study: str | None = None
    trial_started: str | None = None
    trial_left: str | None = Field(None, description="a sentence: it was begun on an earlier day and looks forgotten")
    goal: GoalNow | None = Field(None, description="the goal of the running trial, and whether it was reached")
    boot: Boot | None = None
    remembered: bool = Field(False, description="the boot is the last one of an earlier run")
    boot_for_s: float | None = None
    stage: str | None = None
    stage_for_s: float | None = None
    quiet_for_s: float | None = None
    due: str | None = Field(None, description="what silence will mean if it lasts: a rule, or `silence`")
    due_in_s: float | None = None
    due_limit_s: float | None = Field(None, description="the limit that will have been passed then")
    due_limit_kind: LimitKind | None = None
    standing: Finding | None = Field(None, description="by what the machine is stuck at this moment")
    silent_for_s: float | None = Field(None, description="how long its alarm is silenced yet")
    codes: list[ShownCode] = Field(default_factory=list)
    lines: list[ShownLine] = Field(default_factory=list)
    links: dict[str, ShownLink] = Field(default_factory=dict)
    losses: dict[str, int] = Field(default_factory=dict)


class _Shown:
    """What the page shows of a machine beside its live state: the last codes and lines, and facts no event carries."""

    def __init__(self, table: str, ladder: list[str]) -> None:
        self.facts: dict[str, Any] = {"table": table, "ladder": ladder}
        self.codes: deque[CodeSeen] = deque(maxlen=CODES_SHOWN)
        self.lines: dict[tuple[str, int], LineSeen] = {}
        """By link and line: a newer form takes the place of the older one."""
        self.due: Callable[[], Deadline | None] = lambda: None


def _without_report(boot: Boot | None) -> Boot | None:
    """The boot for a picture that is sent many times a second: its report is 20 KB, and asked for where it is shown."""
    return boot if boot is None or boot.measured is None else boot.model_copy(update={"measured": None})


def _keep_line(lines: dict[tuple[str, int], LineSeen], event: LineSeen) -> None:
    """Add a line, or put its newer form where it stands."""
    lines[event.link, event.line] = event if len(event.text) <= LINE_LENGTH else _cut(event)
    if len(lines) > LINES_SHOWN:
        del lines[next(iter(lines))]


def _cut(event: LineSeen) -> LineSeen:
    return replace(event, text=event.text[:LINE_LENGTH])


def _shown_code(event: CodeSeen) -> ShownCode:
    return ShownCode(code=event.code, port=event.port, t=event.t, known=event.known, link=event.link)


def _shown_line(event: LineSeen) -> ShownLine:
    return ShownLine(line=event.line, text=event.text, t=event.t, link=event.link, partial=event.partial)


class _Listener:
    def __init__(self) -> None:
        self.changed: dict[str, None] = {}
        self.woken = asyncio.Event()


class PageFeed:
    """Keeps the picture. `version` grows with each change; `changes()` yields machine names as they change."""

    name = "now"

    def __init__(self, clock: Clock = SYSTEM) -> None:
        self.live = LiveState()
        self._shown: dict[str, _Shown] = {}
        self._clock = clock
        self._listeners: set[_Listener] = set()
        self._closed = False
        self.version = 0

    def add(self, machine: str, table: str, ladder: list[str], links: list[str]) -> None:
        """Make a machine known before anything is seen of it."""
        self.live[machine].links = {name: LinkNow() for name in links}
        self._shown[machine] = _Shown(table, ladder)

    def follow(self, machine: str, due: Callable[[], Deadline | None]) -> None:
        """Ask `due` at each picture what silence will mean, when, and by which limit."""
        self._shown[machine].due = due

    def offer(self, event: Event) -> None:
        """Take an event; never blocks."""
        shown = self._shown.get(event.machine)
        if shown is None:
            return
        self.live.feed(event)
        match event:
            case BootStarted():
                shown.codes.clear()
                shown.lines.clear()
            case CodeSeen():
                shown.codes.append(event)
            case LineSeen():
                _keep_line(shown.lines, event)
        self.touch(event.machine)

    def remember(self, boot: Boot) -> None:
        """Show the last boot of an earlier run, as long as there is none of this one."""
        now_ns = self._clock.monotonic_ns()
        age_ns = self._clock.time_ns() - round(datetime.fromisoformat(boot.started).timestamp() * NS)
        self.live.remember(boot, now_ns - max(0, age_ns))
        self.touch(boot.machine)

    def touch(self, machine: str) -> None:
        """Tell listeners that a machine's picture changed."""
        self.version += 1
        for listener in self._listeners:
            listener.changed[machine] = None
            listener.woken.set()

    def describe(self, machine: str, **values: Any) -> None:
        """Set facts that no event carries: `trial` and `trial_...`, `goal`, `limits`, `table`, `ladder`."""
        self._shown[machine].facts |= values
        self.touch(machine)

    def machines(self) -> list[str]:
        return list(self._shown)

    def picture(self, machine: str) -> MachinePicture:
        """Return a machine's picture at this moment. Raises KeyError."""
        shown, now = self._shown[machine], self.live[machine]
        now_ns = self._clock.monotonic_ns()

        def since(t_ns: int | None) -> float | None:
            return None if t_ns is None else round(max(0, now_ns - t_ns) / NS, 3)

        due = shown.due()
        silent_ns = now.silent.get(now.stuck_by.key, now_ns) if now.stuck_by else now_ns
        return MachinePicture(
            machine=machine,
            **shown.facts,
            boot=_without_report(now.boot),
            remembered=now.remembered,
            boot_for_s=since(now.boot_ns),
            stage=now.stage,
            stage_for_s=since(now.stage_ns),
            quiet_for_s=since(now.life_ns),
            due=due.rule if due else None,
            due_in_s=round(max(0, due.t_ns - now_ns) / NS, 3) if due else None,
            due_limit_s=due.limit.seconds if due and due.limit else None,
            due_limit_kind=due.limit.kind if due and due.limit else None,
            standing=now.stuck,
            silent_for_s=round((silent_ns - now_ns) / NS, 1) if silent_ns > now_ns else None,
            codes=[_shown_code(event) for event in shown.codes],
            lines=[_shown_line(event) for event in shown.lines.values()],
            links={name: ShownLink(up=link.up, reason=link.reason) for name, link in now.links.items()},
            losses=dict(now.losses),
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
