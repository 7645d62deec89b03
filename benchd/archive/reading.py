"""Messages from the broker as what they tell, or why they are refused. Whoever may write to the broker may send
anything: nothing here trusts a name, a size or a type. Pure."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TypeVar
from urllib.parse import unquote

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from benchd.archive.names import bench_problem
from benchd.archive.ranges import SEQ_MOST
from benchd.archive.rows import Row, row_told
from benchd.checkwords import first_words
from benchd.sinks.mqtt.payloads import (
    AnswerEvent,
    BenchStatus,
    BootEvent,
    CodeEvent,
    EntryEvent,
    EventPayload,
    FindingEvent,
    LinkEvent,
    MachineAlert,
    MachineState,
    StageEvent,
)
from benchd.vocabulary.models import Boot

PAYLOAD_MOST = 1 << 20
"""Bytes of a payload. A boot's record is sent with some 64 KB at most, a study's document has some 200."""
ID_MOST = 200
"""Characters of an id of a boot, trial or machine, without its bench."""

M = TypeVar("M", bound=BaseModel)
_OUTBOX = re.compile(r"[0-9a-f]{12,64}")
_OTHERS: dict[str, type[EventPayload]] = {
    "code": CodeEvent,
    "stage": StageEvent,
    "finding": FindingEvent,
    "link": LinkEvent,
}
"""Events that are in the boot's record or in the capture: they only say that their number is there."""


@dataclass(frozen=True, slots=True)
class Refusal:
    """A message that was not taken: `reason` is a word, `words` say more."""

    reason: str
    words: str
    heard: Heard | None = None
    """The event that it is: its number came, and is not asked for again."""


@dataclass(frozen=True, slots=True)
class BootTold:
    """A boot's record as its bench has it; None: it is not there any more."""

    id: str
    record: Boot | None


@dataclass(frozen=True, slots=True)
class Heard:
    """One event of a bench. `what` is what it changes in the archive, if anything."""

    bench: str
    outbox: str
    seq: int
    at: str
    what: BootTold | Row | AnswerEvent | None


@dataclass(frozen=True, slots=True)
class StatusTold:
    bench: str
    status: BenchStatus


@dataclass(frozen=True, slots=True)
class LiveTold:
    """What a machine does now, or what stands on it (retained, not stored)."""

    bench: str
    machine: str
    now: MachineState | MachineAlert


class _Refused(Exception):
    def __init__(self, reason: str, words: str) -> None:
        super().__init__(words)
        self.reason = reason


Taken = Heard | StatusTold | LiveTold


def read(prefix: str, topic: str, payload: bytes) -> Taken | Refusal | None:
    """Return what a message tells; None for an empty retained one, which only takes an older one away."""
    bench = ""
    try:
        bench, machine, leaf = _places(prefix, topic)
        if not payload and leaf in ("status", "state", "alert"):
            return None
        if len(payload) > PAYLOAD_MOST:
            raise _Refused("too-large", f"{len(payload)} bytes, at most {PAYLOAD_MOST} are taken")
        return _taken(bench, machine, leaf, payload)
    except _Refused as refused:
        return Refusal(refused.reason, str(refused), _numbered(bench, payload))


class _Number(BaseModel):
    """What is read of an event that is refused: which one it is."""

    model_config = ConfigDict(extra="ignore")

    bench: str
    at: str
    id: str
    seq: int = Field(ge=1)


def _numbered(bench: str, payload: bytes) -> Heard | None:
    """The number of an event that is refused, if it has a proper one of this bench."""
    if not bench or len(payload) > PAYLOAD_MOST:
        return None
    try:
        return _heard(bench, _parsed(_Number, payload, bench), None)
    except _Refused:
        return None


def _places(prefix: str, topic: str) -> tuple[str, str | None, str]:
    """The bench, the machine if one is named, and the last level of a topic."""
    levels = topic.removeprefix(f"{prefix}/").split("/")
    if len(levels) == 4 and levels[1] == "machine":
        bench, machine, leaf = unquote(levels[0]), unquote(levels[2]), levels[3]
    elif len(levels) == 2:
        bench, machine, leaf = unquote(levels[0]), None, levels[1]
    else:
        raise _Refused("wrong-topic", "no bench has such a topic")
    if words := bench_problem(bench):
        raise _Refused("wrong-name", words)
    if machine is not None and not (0 < len(machine) <= ID_MOST and machine.isprintable()):
        raise _Refused("wrong-name", f"a machine's name has 1 to {ID_MOST} characters that can be shown")
    return bench, machine, leaf


def _taken(bench: str, machine: str | None, leaf: str, payload: bytes) -> Taken:
    if machine is None:
        if leaf == "status":
            status = _parsed(BenchStatus, payload, bench)
            _time(status.at, "at")
            _outbox(status.outbox)
            return StatusTold(bench, status)
        if leaf == "entry":
            entry = _parsed(EntryEvent, payload, bench)
            try:
                row = row_told(entry.schema_, entry.table, entry.key, entry.row, bench)
            except ValueError as error:
                raise _Refused("wrong-entry", str(error)) from None
            return _heard(bench, entry, row)
        if leaf == "answer":
            answer = _parsed(AnswerEvent, payload, bench)
            return _heard(bench, answer, answer)
    elif leaf in ("state", "alert"):
        model: type[MachineState] | type[MachineAlert] = MachineState if leaf == "state" else MachineAlert
        now = _parsed(model, payload, bench)
        _of(machine, now.machine)
        return LiveTold(bench, machine, now)
    elif leaf == "boot":
        event = _parsed(BootEvent, payload, bench)
        _of(machine, event.machine)
        return _heard(bench, event, _boot(event))
    elif leaf in _OTHERS:
        other = _parsed(_OTHERS[leaf], payload, bench)
        _of(machine, other.machine)
        return _heard(bench, other, None)
    raise _Refused("wrong-topic", "no bench has such a topic")


def _parsed(model: type[M], payload: bytes, bench: str) -> M:
    try:
        found = model.model_validate_json(payload)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        reason = "not-json" if first["type"] == "json_invalid" else "wrong-form"
        raise _Refused(reason, first_words(error)[:300]) from None
    except ValueError as error:  # deeper than is read
        raise _Refused("not-json", str(error)[:300]) from None
    if getattr(found, "bench", bench) != bench:
        raise _Refused("wrong-bench", "it is sent for another bench than its topic says")
    return found


def _heard(bench: str, event: Any, what: BootTold | Row | AnswerEvent | None) -> Heard:
    outbox, dash, seq = event.id.rpartition("-")
    if not dash or seq != str(event.seq) or event.seq > SEQ_MOST:
        raise _Refused("wrong-id", "its id is not that of its outbox and number")
    _outbox(outbox)
    _time(event.at, "at")
    return Heard(bench, outbox, event.seq, event.at, what)


def _outbox(outbox: str) -> None:
    if not _OUTBOX.fullmatch(outbox):
        raise _Refused("wrong-id", "an outbox is named by 12 to 64 hex digits")


def _time(text: str, name: str) -> None:
    try:
        zone = datetime.fromisoformat(text).tzinfo
    except ValueError:
        zone = None
    if zone is None:
        raise _Refused("wrong-time", f"{name} is no time with zone")


def _of(machine: str, told: str) -> None:
    if machine != told:
        raise _Refused("wrong-machine", "it is sent for another machine than its topic says")


def _boot(event: BootEvent) -> BootTold:
    record = event.record
    if (record is None) != (event.state == "removed"):
        raise _Refused("wrong-form", "record: is there, unless the boot was removed")
    boot = event.boot if record is None else record.id
    if boot is None or not 0 < len(boot) <= ID_MOST or not boot.isprintable() or (event.boot or boot) != boot:
        raise _Refused("wrong-id", f"a boot's id has 1 to {ID_MOST} characters and is that of its event")
    if record is not None:
        if record.machine != event.machine:
            raise _Refused("wrong-machine", "its record is of another machine")
        if not all(map(math.isfinite, _numbers(record))):
            raise _Refused("wrong-form", "its record has a number without end")
        _time(record.started, "started")
        if record.ended is not None:
            _time(record.ended, "ended")
    return BootTold(boot, record)


def _numbers(record: Boot) -> Iterator[float]:
    yield record.duration_s
    yield record.off_s or 0.0
    for stage in record.stages:
        yield from (stage.t, stage.u)
    for finding in record.findings:
        yield from (finding.t, finding.limit_s or 0.0, finding.cleared_t or 0.0)
    yield from (check.t for check in record.checks)
    for span in record.blind:
        yield from (span.t, span.until or 0.0)
