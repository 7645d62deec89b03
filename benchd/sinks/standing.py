"""What stands on each machine right now: findings not yet over, links that are down. Pure.

Rules, in the order they apply:

1. FindingRaised makes (machine, kind, rule) stand; raised again while it stands, nothing changes.
2. FindingCleared ends it: the machine moved on.
3. BootStarted ends what can only be true of the boot before (HELD kinds): somebody restarted the machine.
   Other kinds (a fault text, a skipped stage) say something about the setup, so a restart proves nothing.
4. A boot that is over as finished ends HELD kinds left over, and those other kinds that it did not have.
5. A boot that is over otherwise (it has an `ended` time) ends its own HELD kinds: restarted or switched off.
   A boot told as ended without that time was only settled: it still hangs, and its finding stands.
6. LinkChanged down makes (machine, "link", link) stand, up ends it.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchd.vocabulary.events import (
    BootChanged,
    BootEnded,
    BootStarted,
    Event,
    FindingCleared,
    FindingRaised,
    LinkChanged,
)
from benchd.vocabulary.models import Finding

HELD = frozenset({"stall", "loop", "quiet"})
"""Kinds that describe a machine that is stuck at this moment."""

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
class Change:
    """`standing` began (`began`) or ended, at `t_ns`, because of `why` (for people)."""

    standing: Standing
    began: bool
    t_ns: int
    why: str
    stood_s: float = 0.0


class Board:
    """Keeps what stands. `feed` an event, get the changes it made."""

    def __init__(self) -> None:
        self._standing: dict[Key, Standing] = {}

    def on(self, machine: str) -> list[Standing]:
        """Return what stands on a machine, oldest first."""
        return sorted((s for s in self._standing.values() if s.key[0] == machine), key=lambda s: s.t_ns)

    def stuck(self, machine: str) -> bool:
        """Return whether the machine is stuck: a stall, loop or silence stands."""
        return any(s.key[0] == machine and s.key[1] in HELD for s in self._standing.values())

    def feed(self, event: Event) -> list[Change]:
        """Apply rules 1 to 6; return the changes, possibly none."""
        if isinstance(event, FindingRaised):
            key = (event.machine, event.finding.kind, event.finding.rule)
            return self._begin(Standing(key, event.t_ns, event.boot, event.finding, event.alert), "raised")
        if isinstance(event, FindingCleared):
            key = (event.machine, event.finding.kind, event.finding.rule)
            return self._end([key], event.t_ns, "the machine moved on", event.stood_s)
        if isinstance(event, BootStarted):
            keys = [
                k
                for k, s in self._standing.items()
                if k[0] == event.machine and k[1] in HELD and s.boot != event.boot.id
            ]
            return self._end(keys, event.t_ns, "a new boot started")
        if isinstance(event, BootEnded | BootChanged):
            return self._over(event)
        if isinstance(event, LinkChanged):
            link: Key = (event.machine, "link", event.link)
            if event.up:
                return self._end([link], event.t_ns, "the link is up again")
            return self._begin(Standing(link, event.t_ns, None, None, True, event.reason), event.reason)
        return []

    def _over(self, event: BootEnded | BootChanged) -> list[Change]:
        """Apply rules 4 and 5."""
        boot = event.boot
        mine = [(k, s) for k, s in self._standing.items() if k[0] == event.machine and k[1] != "link"]
        if boot.outcome == "finished" and (boot.ended or isinstance(event, BootEnded)):
            seen = {(f.kind, f.rule) for f in boot.findings if f.cleared_t is None}
            keys = [k for k, _ in mine if k[1] in HELD or (k[1], k[2]) not in seen]
            return self._end(keys, event.t_ns, "a boot finished without it")
        if boot.ended:
            keys = [k for k, s in mine if k[1] in HELD and s.boot == boot.id]
            return self._end(keys, event.t_ns, "the machine was restarted or switched off")
        return []

    def _begin(self, standing: Standing, why: str) -> list[Change]:
        if standing.key in self._standing:
            return []
        self._standing[standing.key] = standing
        return [Change(standing, True, standing.t_ns, why)]

    def _end(self, keys: list[Key], t_ns: int, why: str, stood_s: float | None = None) -> list[Change]:
        out = []
        for key in keys:
            if old := self._standing.pop(key, None):
                stood = (t_ns - old.t_ns) / 1e9 if stood_s is None else stood_s
                out.append(Change(old, False, t_ns, why, stood))
        return out
