"""Events to MQTT payloads, and the retained state of each machine. Knows no network and no disk."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable
from typing import Any

from pydantic import BaseModel

from benchd.clock import Wall, stamp
from benchd.harmless import clean
from benchd.sinks.mqtt.outbox import Entry
from benchd.sinks.mqtt.payloads import MachineAlert, MachineState, StandingAlert
from benchd.sinks.mqtt.topics import Topics
from benchd.sinks.standing import Board
from benchd.vocabulary.events import (
    BootChanged,
    BootEnded,
    BootStarted,
    CodeSeen,
    Event,
    FindingCleared,
    FindingRaised,
    LinkChanged,
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
        kind, boot, fields = self._fields(event)
        if not kind:
            return None
        at = self._wall(event.t_ns)
        body = {"version": 1, "bench": self._bench, "at": stamp(at), "machine": event.machine, "boot": boot}
        thinned = self.lost_codes.pop(event.machine, 0) if kind == "code" else 0
        topic = self._topics.of(event.machine, kind)
        return Entry(kind, topic, body | fields, int(at.timestamp() * 1e9), thinned)

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
            return "boot", event.boot.id, {"state": "started", "record": _slim(event.boot)}
        if isinstance(event, BootEnded):
            return "boot", event.boot.id, {"state": "ended", "record": _slim(event.boot)}
        if isinstance(event, LinkChanged):
            return "link", None, {"link": event.link, "up": event.up, "reason": clean(event.reason)}
        return "", None, {}


def _plain(model: BaseModel) -> dict[str, Any]:
    return model.model_dump(mode="json", by_alias=True)


def _slim(boot: Boot) -> dict[str, Any]:
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
        self._board = Board()
        self._links: dict[str, dict[str, bool]] = {m: {} for m in machines}
        self._boot: dict[str, Boot] = {}
        self._stage: dict[str, str | None] = {}
        self._code: dict[str, str | None] = {}
        self.dirty: dict[tuple[str, str], None] = {}

    def all_dirty(self) -> None:
        """Forget what the broker has: it may be another one, or have lost its memory."""
        for machine in self._links:
            self.dirty[machine, "state"] = self.dirty[machine, "alert"] = None

    def feed(self, event: Event) -> None:
        """Take an event into account."""
        machine = event.machine
        self._links.setdefault(machine, {})
        if isinstance(event, CodeSeen):
            self._code[machine] = event.code
        elif isinstance(event, StageEntered):
            self._stage[machine] = event.stage
        elif isinstance(event, BootStarted):
            self._boot[machine], self._stage[machine] = event.boot, None
        elif isinstance(event, BootChanged | BootEnded):
            if event.boot.id == getattr(self._boot.get(machine), "id", event.boot.id):
                self._boot[machine], self._stage[machine] = event.boot, event.boot.last_stage
        elif isinstance(event, LinkChanged):
            self._links[machine][event.link] = event.up
        elif not isinstance(event, FindingRaised | FindingCleared):
            return
        self.dirty[machine, "state"] = None
        if self._board.feed(event):
            self.dirty[machine, "alert"] = None

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
                for s in self._board.on(machine)
                if s.alert
            ]
            return MachineAlert(bench=self._bench, at=at, machine=machine, standing=standing)
        boot = self._boot.get(machine)
        return MachineState(
            bench=self._bench,
            at=at,
            machine=machine,
            boot=boot.id if boot else None,
            trial=boot.trial if boot else None,
            outcome=boot.outcome if boot else None,
            stage=self._stage.get(machine),
            code=self._code.get(machine),
            links=self._links[machine],
            stuck=self._board.stuck(machine),
        )
