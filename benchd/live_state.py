"""What each machine does now and what stands on it: events in, one picture out. Pure.

The page, `benchd live`, the retained MQTT state, the gauges and the alerts are all drawn from this reducer, so that
they cannot disagree. Rules of what stands, in the order in which they apply:

1. FindingRaised makes (machine, kind, rule) stand; raised again while it stands, nothing changes.
2. FindingCleared ends it: the machine moved on.
3. BootStarted ends what can only be true of the boot before (STUCK kinds): somebody restarted the machine.
   Other kinds (a fault text, a skipped stage) say something about the setup, so a restart proves nothing.
4. A boot that is over as finished ends STUCK kinds left over, and those other kinds that it did not have.
5. A boot that ended otherwise (it has an `ended` time) ends its own STUCK kinds: restarted or switched off.
   A boot that is only settled without that time still hangs, and its finding stands.
6. LinkChanged down makes (machine, "link", link) stand, up ends it.
7. AlarmSilenced keeps what stands quiet until its time; it stands all the same. What ends is silent no more.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

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
from benchd.vocabulary.models import Boot, Finding
from benchd.vocabulary.times import NS

STUCK = frozenset({"stall", "loop", "quiet"})
"""Kinds of finding that describe a machine that is stuck at this moment."""

Key = tuple[str, str, str]
"""Machine, kind, rule (or link)."""


@dataclass(frozen=True, slots=True)
class Standing:
    """One thing that stands: since when (`t_ns`) and in which boot. `reason` is a link's."""

    key: Key
    t_ns: int
    boot: str | None
    finding: Finding | None
    alert: bool
    reason: str = ""


@dataclass(frozen=True, slots=True)
class StandingChange:
    """`standing` began (`began`) or ended, at `t_ns`, because of `why` (for people), `silent`: while silenced."""

    standing: Standing
    began: bool
    t_ns: int
    why: str
    stood_s: float = 0.0
    silent: bool = False


@dataclass(slots=True)
class LinkNow:
    up: bool = False
    reason: str = "not opened yet"


@dataclass(slots=True)
class MachineNow:
    """One machine at this moment; times are monotonic (ns), None before the first."""

    boot: Boot | None = None
    boot_ns: int | None = None
    stage: str | None = None
    stage_ns: int | None = None
    code: str | None = None
    life_ns: int | None = None
    links: dict[str, LinkNow] = field(default_factory=dict)
    losses: dict[str, int] = field(default_factory=dict)
    standing: dict[Key, Standing] = field(default_factory=dict)
    silent: dict[Key, int] = field(default_factory=dict)
    remembered: bool = False

    @property
    def stuck(self) -> Finding | None:
        """The finding by which the machine is stuck now, the newest if several stand; None while it is not."""
        return self.stuck_by.finding if self.stuck_by else None

    @property
    def stuck_by(self) -> Standing | None:
        """What stands because of that finding."""
        found = [s for s in self.standing.values() if s.key[1] in STUCK]
        return found[-1] if found else None


class LiveState:
    """Keeps the picture of each machine. `feed` an event, get what began or ended to stand."""

    def __init__(self, machines: Iterable[str] = ()) -> None:
        self.machines: dict[str, MachineNow] = {name: MachineNow() for name in machines}

    def __getitem__(self, machine: str) -> MachineNow:
        if (now := self.machines.get(machine)) is None:
            now = self.machines[machine] = MachineNow()
        return now

    def standing(self, machine: str) -> list[Standing]:
        """Return what stands on a machine, oldest first."""
        return sorted(self[machine].standing.values(), key=lambda s: s.t_ns)

    def stuck(self, machine: str) -> bool:
        """Return whether the machine is stuck: a stall, loop or silence stands."""
        return self[machine].stuck is not None

    def remember(self, boot: Boot, boot_ns: int) -> None:
        """Show a machine's last boot of an earlier run, until there is one of this run."""
        now = self[boot.machine]
        if now.boot is None:
            now.boot, now.boot_ns, now.remembered = boot, boot_ns, True
            now.stage, now.code = boot.last_stage, boot.last_code

    def silent_until(self, key: Key) -> int | None:
        """Return until when nothing is to be heard of what stands; None where nobody silenced it."""
        return self[key[0]].silent.get(key)

    def feed(self, event: Event) -> list[StandingChange]:
        """Take an event; return the changes of what stands, possibly none."""
        now = self[event.machine]
        match event:
            case CodeSeen():
                now.code, now.life_ns = event.code, event.t_ns
            case LineSeen():
                now.life_ns = event.t_ns
            case StageEntered():
                # A console line is known later than it began: the stage that began last is where the machine is.
                if now.stage_ns is None or event.t_ns >= now.stage_ns:
                    now.stage, now.stage_ns = event.stage, event.t_ns
            case LossSeen():
                now.losses[event.reason] = now.losses.get(event.reason, 0) + event.count
            case FindingRaised():
                key = (event.machine, event.finding.kind, event.finding.rule)
                return _begin(now, Standing(key, event.t_ns, event.boot, event.finding, event.alert), "raised")
            case FindingCleared():
                key = (event.machine, event.finding.kind, event.finding.rule)
                return _end(now, [key], event.t_ns, "the machine moved on", event.stood_s)
            case LinkChanged():
                return _link(now, event)
            case AlarmSilenced():
                _silence(now, (event.machine, event.kind, event.rule), event)
            case BootStarted():
                return _started(now, event)
            case BootChanged() | BootSettled() | BootOver():
                return _changed(now, event)
        return []


def _silence(now: MachineNow, key: Key, event: AlarmSilenced) -> None:
    now.silent.pop(key, None)
    if key in now.standing and event.until_ns > event.t_ns:
        now.silent[key] = event.until_ns


def _link(now: MachineNow, event: LinkChanged) -> list[StandingChange]:
    now.links[event.link] = LinkNow(event.up, event.reason)
    key = (event.machine, "link", event.link)
    if event.up:
        return _end(now, [key], event.t_ns, "the link is up again")
    return _begin(now, Standing(key, event.t_ns, None, None, True, event.reason), event.reason)


def _started(now: MachineNow, event: BootStarted) -> list[StandingChange]:
    now.boot, now.boot_ns, now.life_ns = event.boot, event.t_ns, event.t_ns
    now.stage = now.stage_ns = None
    now.remembered = False
    now.losses = {}
    keys = [k for k, s in now.standing.items() if k[1] in STUCK and s.boot != event.boot.id]
    return _end(now, keys, event.t_ns, "a new boot started")


def _changed(now: MachineNow, event: BootChanged | BootSettled | BootOver) -> list[StandingChange]:
    boot = event.boot
    if now.boot is None or now.boot.id == boot.id or (now.remembered and now.boot.started < boot.started):
        now.boot = boot
    if isinstance(event, BootOver) and boot.outcome == "finished":
        return _end(now, _disproved(now, boot), event.t_ns, "a boot finished without it")
    if boot.ended:
        keys = [k for k, s in now.standing.items() if k[1] in STUCK and s.boot == boot.id]
        return _end(now, keys, event.t_ns, "the machine was restarted or switched off")
    return []


def _disproved(now: MachineNow, boot: Boot) -> list[Key]:
    """Return what cannot stand any more once this boot finished."""
    seen = {(f.kind, f.rule) for f in boot.findings if f.cleared_t is None}
    return [key for key in now.standing if key[1] in STUCK or (key[1] != "link" and key[1:] not in seen)]


def _begin(now: MachineNow, standing: Standing, why: str) -> list[StandingChange]:
    if standing.key in now.standing:
        return []
    now.standing[standing.key] = standing
    return [StandingChange(standing, True, standing.t_ns, why)]


def _end(
    now: MachineNow, keys: Iterable[Key], t_ns: int, why: str, stood_s: float | None = None
) -> list[StandingChange]:
    out = []
    for key in keys:
        until_ns = now.silent.pop(key, None)
        if old := now.standing.pop(key, None):
            stood = (t_ns - old.t_ns) / NS if stood_s is None else stood_s
            silent = until_ns is not None and t_ns < until_ns
            out.append(StandingChange(old, False, t_ns, why, stood, silent))
    return out
