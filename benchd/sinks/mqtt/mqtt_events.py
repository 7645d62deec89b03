"""Events to MQTT payloads, and the retained state of each machine. Knows no network and no disk."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable
from typing import Any

from pydantic import BaseModel

from benchd.clock import Wall, stamp
from benchd.harmless import clean
from benchd.live_state import LiveState
from benchd.sinks.mqtt.outbox import Entry
from benchd.sinks.mqtt.payloads import MachineAlert, MachineState, StandingAlert
from benchd.sinks.mqtt.told import About
from benchd.sinks.mqtt.topics import Topics
from benchd.store.feed import FeedKey
from benchd.vocabulary.events import (
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
from benchd.vocabulary.models import Boot

SLIM = 65_536
"""Bytes of a boot's record up to which it is sent whole. Brokers limit packets; common practice, no source."""


class Translator:
    """Makes outbox entries of events. `lost_codes` are told with the next code of their machine."""

    def __init__(self, bench: str, topics: Topics, wall: Wall) -> None:
        self.lost_codes: Counter[str] = Counter()
        self._bench = bench
        self._topics = topics
        self._wall = wall

    def entry(self, event: Event) -> Entry | None:
        """Return what to send for an event, or None for events that are not sent (lines, losses, changes)."""
        if getattr(event, "recovered", False):  # told by an earlier run; only what is retained says it again
            return None
        kind, boot, fields = self._fields(event)
        if not kind:
            return None
        at = self._wall(event.t_ns)
        body = {"version": 1, "bench": self._bench, "at": stamp(at), "machine": event.machine, "boot": boot}
        thinned = self.lost_codes.pop(event.machine, 0) if kind == "code" else 0
        topic = self._topics.of(event.machine, kind)
        about = About.of(FeedKey("boot", str(boot), event.machine), fields["record"]) if kind == "boot" else None
        return Entry(kind, topic, body | fields, int(at.timestamp() * 1e9), thinned, about)

    def _fields(self, event: Event) -> tuple[str, str | None, dict[str, Any]]:
        fields: dict[str, Any] = {}
        if isinstance(event, CodeSeen):
            fields |= {"link": event.link, "code": event.code, "port": event.port, "known": event.known}
            return "code", event.boot, fields | {"t": event.t, "u": event.u_ns / 1e9}
        if isinstance(event, StageEntered):
            fields |= {"stage": event.stage, "index": event.index, "t": event.t, "u": event.u}
            return "stage", event.boot, fields | {"previous": event.previous, "previous_s": event.previous_s}
        if isinstance(event, FindingRaised):
            fields |= {"state": "raised", "alert": event.alert, "finding": _plain(event.finding)}
            return "finding", event.boot, fields
        if isinstance(event, FindingCleared):
            fields |= {"state": "cleared", "alert": False, "finding": _plain(event.finding)}
            return "finding", event.boot, fields | {"stood_s": event.stood_s}
        if isinstance(event, BootStarted):
            return "boot", event.boot.id, {"state": "started", "record": slim(event.boot)}
        if isinstance(event, BootSettled | BootOver):
            state = "settled" if isinstance(event, BootSettled) else "ended"
            return "boot", event.boot.id, {"state": state, "record": slim(event.boot)}
        if isinstance(event, LinkChanged):
            return "link", None, {"link": event.link, "up": event.up, "reason": clean(event.reason)}
        return "", None, {}


def _plain(model: BaseModel) -> dict[str, Any]:
    return model.model_dump(mode="json", by_alias=True)


def slim(boot: Boot) -> dict[str, Any]:
    """Return the record; above SLIM bytes it goes without its findings' explanations."""
    record = _plain(boot)
    if len(json.dumps(record)) > SLIM:
        for finding in record["findings"]:
            finding |= {"means": None, "try": [], "caution": None, "detail": None}
    return record


class Retained:
    """The latest state and alert of each machine, and which of them the broker has not got yet."""

    def __init__(self, bench: str, machines: Iterable[str], wall: Wall) -> None:
        self._bench = bench
        self._wall = wall
        self._live = LiveState(machines)
        self.dirty: dict[tuple[str, str], None] = {}

    def all_dirty(self) -> None:
        """Forget what the broker has: it may be another one, or have lost its memory."""
        for machine in self._live.machines:
            self.dirty[machine, "state"] = self.dirty[machine, "alert"] = None

    def feed(self, event: Event) -> None:
        """Take an event into account."""
        changes = self._live.feed(event)
        if isinstance(event, LineSeen | LossSeen):
            return
        self.dirty[event.machine, "state"] = None
        if changes:
            self.dirty[event.machine, "alert"] = None

    def payload(self, machine: str, leaf: str, now_ns: int) -> BaseModel:
        """Return the payload of a machine's `state` or `alert` topic as of now."""
        at = stamp(self._wall(now_ns))
        if leaf == "alert":
            standing = [
                StandingAlert(
                    kind=s.key[1],  # type: ignore[arg-type]
                    rule=s.key[2],
                    since=stamp(self._wall(s.t_ns)),
                    boot=s.boot,
                    stage=s.finding.stage if s.finding else None,
                    code=s.finding.code if s.finding else None,
                    means=clean(s.finding.means or "", 500) if s.finding else clean(s.reason),
                )
                for s in self._live.standing(machine)
                if s.alert
            ]
            return MachineAlert(bench=self._bench, at=at, machine=machine, standing=standing)
        now = self._live[machine]
        return MachineState(
            bench=self._bench,
            at=at,
            machine=machine,
            boot=now.boot.id if now.boot else None,
            trial=now.boot.trial if now.boot else None,
            outcome=now.boot.outcome if now.boot else None,
            stage=now.stage,
            code=now.code,
            links={name: link.up for name, link in now.links.items()},
            stuck=now.stuck is not None,
        )
