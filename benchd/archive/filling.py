"""Asking benches for what lacks, and waiting for their answers. The answers come by the processes that listen."""

from __future__ import annotations

import asyncio
import secrets
import ssl
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import aiomqtt
import sqlalchemy as sa
from pydantic import Field

from benchd.archive import tables
from benchd.archive.behind import lacking, pieces_of_boxes
from benchd.archive.database import ArchiveDatabase, now
from benchd.archive.ranges import PIECE, PIECES_MOST, Range, counted, newest
from benchd.errors import ExternalError, UsageError
from benchd.sinks.mqtt.broker import Broker, Refused
from benchd.sinks.mqtt.broker_words import explain
from benchd.sinks.mqtt.payloads import AskRequest
from benchd.sinks.mqtt.settings import MqttSettings
from benchd.sinks.mqtt.topics import Topics
from benchd.vocabulary.models import Model

RANGES_MOST = 1_000
"""Ranges in one ask; what lacks beyond is asked for when that is answered."""
NUMBERS_MOST = PIECE * PIECES_MOST // 4
"""Numbers in one ask; where more lack, everything is asked for."""
NOTHING = "nothing lacks"
ROUNDS = 3
"""A bench is asked so often for what came to lack meanwhile."""
EXPIRY_S = 3_600
LOOK_S = 0.5
AGAIN_S = 600.0
"""A bench that does not answer is asked again after this long."""


class Filled(Model):
    """What became of filling one bench."""

    bench: str
    before: int
    missing: int
    boots: int = 0
    entries: int = 0
    asked: bool = Field(description="it was asked now; else `words` say why not")
    done: bool
    words: str


@dataclass(slots=True)
class Asking:
    """What one bench is asked for, or why it is not asked."""

    bench: str
    missing: int
    why_not: str = ""
    everything: bool = False
    outbox: str | None = None
    ranges: list[Range] = field(default_factory=list)
    since: str | None = None
    upto: dict[str, int] = field(default_factory=dict)
    """The last number known of each outbox."""


def plan(
    database: ArchiveDatabase, bench: str | None, *, everything: bool = False, since: str | None = None
) -> list[Asking]:
    """What to ask each bench (None: all) for. Raises UsageError for a bench that the archive does not know."""
    with database.read() as connection:
        query = sa.select(tables.bench).order_by(tables.bench.c.bench)
        rows = connection.execute(query).mappings().all()
        known = [row["bench"] for row in rows]
        if bench is not None and bench not in known:
            raise UsageError(f"the archive knows no bench '{bench}'; there are: {', '.join(known[:12]) or 'none yet'}")
        wanted = [dict(row) for row in rows if bench in (None, row["bench"])]
        pieces = pieces_of_boxes(connection, bench)
        boxes = connection.execute(sa.select(tables.outbox).order_by(tables.outbox.c.rank)).all()
    out = []
    for row in wanted:
        own = [box for box in boxes if box.bench == row["bench"]]
        lacks = {box.outbox: lacking(box, pieces.get((box.bench, box.outbox), {})) for box in own}
        upto = {box.outbox: max(box.told, newest(pieces.get((box.bench, box.outbox), {}))) for box in own}
        out.append(_asking(row, own, lacks, upto, everything=everything, since=since))
    return out


def _asking(
    row: dict[str, Any],
    boxes: Sequence[Any],
    lacks: dict[str, list[Range]],
    upto: dict[str, int],
    *,
    everything: bool,
    since: str | None,
) -> Asking:
    found = Asking(row["bench"], sum(counted(ranges) for ranges in lacks.values()), since=since, upto=upto)
    ranges = lacks.get(row["outbox"] or "", [])
    # What an outbox that is gone did not send is known to nobody: then only the whole store is sure.
    earlier = any(box.outbox != row["outbox"] and not box.settled for box in boxes)
    if row["online"] is None:
        found.why_not = "it never told its status: it is not known whether it is there"
    elif not row["online"]:
        found.why_not = f"it is not there now ({row['reason'] or 'no reason told'}): ask again when it is"
    elif not row["hears"]:
        found.why_not = "it hears no asks: set archive = true under [mqtt] in its settings"
    elif everything or earlier or counted(ranges) > NUMBERS_MOST:
        found.everything = since is None
    elif since is None:
        found.outbox, found.ranges = row["outbox"], ranges[:RANGES_MOST]
    return found


class _Ends:
    """What becomes of each bench: `before`, the numbers that lacked at first."""

    def __init__(self, before: Mapping[str, int]) -> None:
        self._before = before
        self.boots, self.entries = Counter[str](), Counter[str]()
        self.filled: dict[str, Filled] = {}

    def end(self, one: Asking, words: str, *, done: bool) -> None:
        self.filled[one.bench] = Filled(
            bench=one.bench,
            before=self._before[one.bench],
            missing=one.missing,
            boots=self.boots[one.bench],
            entries=self.entries[one.bench],
            asked=not one.why_not and words != NOTHING,
            done=done and not one.missing,
            words=words,
        )


class Filling:
    """Asks benches over the broker. `told` gets a line for people now and then."""

    def __init__(
        self, database: ArchiveDatabase, settings: MqttSettings, archive: str, told: Callable[[str], None]
    ) -> None:
        self._database, self._settings, self._archive, self._told = database, settings, archive, told

    async def fill(
        self, bench: str | None, wait_s: float, *, everything: bool = False, since: str | None = None
    ) -> list[Filled]:
        """Ask, and wait for answers up to `wait_s`. Raises UsageError, ExternalError."""
        rest = await asyncio.to_thread(plan, self._database, bench, everything=everything, since=since)
        ends = _Ends({one.bench: one.missing for one in rest})
        until = time.monotonic() + wait_s
        for turn in range(RANGES_MOST):
            for one in rest:
                if one.why_not and (one.missing or everything or since):
                    ends.end(one, one.why_not, done=False)
                elif not (one.everything or one.ranges or one.since):
                    ends.end(one, NOTHING, done=True)
            asked = await self._ask([one for one in rest if one.bench not in ends.filled])
            rest = await self._further(asked, ends, until, turn + 1 < ROUNDS)
            if not rest:
                break
        return [ends.filled[name] for name in sorted(ends.filled)]

    async def _further(
        self, asked: Mapping[str, Asking], ends: _Ends, until: float, again_anyway: bool
    ) -> list[Asking]:
        """Wait for answers; return what is to be asked yet: of what was too much for one ask, or came to lack since."""
        answers = await self._answers(asked, until)
        rest = []
        for ask, one in asked.items():
            again = await asyncio.to_thread(self._planned, one.bench)
            if ask not in answers:
                ends.end(again, "no answer yet: `benchd archive status` shows when it has come", done=False)
                continue
            answer = answers[ask]
            ends.boots[one.bench] += answer["boots"] or 0
            ends.entries[one.bench] += answer["entries"] or 0
            if again.ranges and (len(one.ranges) == RANGES_MOST or again_anyway):
                rest.append(again)
            else:
                ends.end(again, answer["words"] or "answered", done=True)
        return rest

    def _planned(self, bench: str) -> Asking:
        (found,) = plan(self._database, bench)
        return found

    async def by_itself(self, before: Mapping[str, list[Range]]) -> dict[str, list[Range]]:
        """Ask for what has been missing since the last look (`before`), and was not asked for lately.

        Returns what is missing now, by bench, for the next look. Raises ExternalError.
        """
        found = await asyncio.to_thread(plan, self._database, None)
        asked = await asyncio.to_thread(self._lately)
        lacks = {one.bench: one.ranges if not one.everything else [(0, one.missing)] for one in found}
        wanted = [
            one
            for one in found
            if not one.why_not and one.bench not in asked and set(lacks[one.bench]) & set(before.get(one.bench, []))
        ]
        await self._ask(wanted)
        return lacks

    def _lately(self) -> set[str]:
        """Benches that were asked so lately that their answer may be on its way."""
        since = (datetime.now(UTC) - timedelta(seconds=AGAIN_S)).isoformat(timespec="milliseconds")
        query = sa.select(tables.ask.c.bench).where(tables.ask.c.asked >= since)
        with self._database.read() as connection:
            return set(connection.execute(query).scalars())

    async def _ask(self, wanted: Sequence[Asking]) -> dict[str, Asking]:
        """Write down and publish asks; return them by their id."""
        asked = {secrets.token_hex(8): one for one in wanted}
        if not asked:
            return {}
        await asyncio.to_thread(self._write_down, asked)
        settings = self._settings
        client_id = f"{(settings.client_id or self._archive)[:180]}-fill-{secrets.token_hex(4)}"
        try:
            password, context = await asyncio.to_thread(lambda: (settings.password(), settings.context()))
            async with Broker(settings, client_id, None, password, context) as broker:
                for topic, payload in self._messages(asked):
                    await broker.send(topic, payload, expiry_s=EXPIRY_S)
        except (aiomqtt.MqttError, Refused, OSError, ssl.SSLError) as error:
            raise ExternalError(explain(error, settings)) from None
        for one in wanted:
            what = "everything" if one.everything else f"what began since {one.since}" if one.since else "what lacks"
            self._told(f"{one.bench}: asked for {what}")
        return asked

    def _messages(self, asked: dict[str, Asking]) -> Iterator[tuple[str, bytes]]:
        for ask, one in asked.items():
            request = AskRequest(
                archive=self._archive,
                ask=ask,
                outbox=one.outbox if one.ranges else None,
                missing=one.ranges or None,
                since=one.since,
            )
            yield f"{Topics(self._settings.prefix, one.bench).root}/ask", request.model_dump_json().encode()

    def _write_down(self, asked: dict[str, Asking]) -> None:
        rows = [
            {
                "ask": ask, "bench": one.bench, "asked": now(), "outbox": one.outbox, "missing": one.ranges or None,
                "since": one.since, "upto": one.upto if one.everything else {},
            }
            for ask, one in asked.items()
        ]  # fmt: skip
        with self._database.write() as connection:
            connection.execute(sa.insert(tables.ask), rows)

    async def _answers(self, asked: Mapping[str, Asking], until: float) -> dict[str, dict[str, Any]]:
        """The answers that came in time, by ask."""
        found: dict[str, dict[str, Any]] = {}
        while asked:
            found = await asyncio.to_thread(self._answered, list(asked))
            if len(found) == len(asked) or time.monotonic() >= until:
                break
            await asyncio.sleep(LOOK_S)
        return found

    def _answered(self, asks: list[str]) -> dict[str, dict[str, Any]]:
        query = sa.select(tables.ask).where(tables.ask.c.ask.in_(asks), tables.ask.c.answered.is_not(None))
        with self._database.read() as connection:
            return {row["ask"]: dict(row) for row in connection.execute(query).mappings()}
