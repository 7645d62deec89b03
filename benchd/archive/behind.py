"""How far behind the archive is: by bench what it told last, what of that is here, what lacks, and who is silent."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from pydantic import Field

from benchd.archive import tables
from benchd.archive.database import ArchiveDatabase, now
from benchd.archive.ranges import PIECE, Range, counted, missing, newest, unpacked
from benchd.vocabulary.models import Model

RANGES_SHOWN = 20
TIDY_AT_ONCE = 500


class BoxBehind(Model):
    """An outbox of a bench: numbers from 1 to `told` were given, as far as is known; `missing` of them are not here."""

    outbox: str
    told: int
    missing: int
    ranges: list[Range] = Field(description=f"first and last of each range that lacks, the first {RANGES_SHOWN}")
    settled: bool = Field(description="everything was told anew since: nothing of it lacks")


class BenchBehind(Model):
    """One bench, as the archive knows it."""

    bench: str
    online: bool | None = Field(description="null: it never told its status")
    reason: str
    hears: bool = Field(description="its `mqtt.archive` is on: it tells what people enter, and can be asked")
    outbox: str | None = None
    told: int = Field(0, description="the last number that its present outbox gave")
    taken: int = Field(0, description="the greatest of them that is here")
    missing: int = Field(0, description="numbers that lack, of all its outboxes")
    boxes: list[BoxBehind] = Field(default_factory=list)
    boots: int = 0
    events: int = 0
    last_at: str | None = Field(None, description="the last event's own time")
    last_received: str | None = None
    silent_s: float | None = Field(None, description="since the last event came")
    asked: str | None = Field(None, description="when it was asked last for what lacks")
    answered: str | None = None
    answer: str | None = None


class RefusedKind(Model):
    """Messages that were refused for one reason; `topic` and `words` are those of the last."""

    reason: str
    count: int
    at: str
    topic: str
    words: str


class Behind(Model):
    """How far behind the archive is."""

    at: str
    boots: int
    missing: int
    silent: list[str] = Field(description="benches that are not there now")
    benches: list[BenchBehind]
    refused: list[RefusedKind]


def behind(database: ArchiveDatabase) -> Behind:
    """Look at an archive. Raises ExternalError where it cannot be read."""
    with database.read() as connection:
        found = connection.execute(sa.select(tables.bench).order_by(tables.bench.c.bench)).mappings()
        rows = [dict(row) for row in found]
        boxes = _boxes(connection)
        heard = _heard(connection)
        boots = _boots(connection)
        asks = _asks(connection)
        refused = _refused(connection)
    at = now()
    benches = [
        _bench(row, boxes[row["bench"]], heard.get(row["bench"]), asks.get(row["bench"]), boots, at) for row in rows
    ]
    return Behind(
        at=at,
        boots=sum(boots.values()),
        missing=sum(one.missing for one in benches),
        silent=[one.bench for one in benches if not one.online],
        benches=benches,
        refused=refused,
    )


def _bench(
    row: Mapping[str, Any],
    boxes: Sequence[tuple[BoxBehind, int]],
    heard: tuple[str, str, int] | None,
    asked: Mapping[str, Any] | None,
    boots: Mapping[str, int],
    at: str,
) -> BenchBehind:
    present = next(((box, taken) for box, taken in boxes if box.outbox == row["outbox"]), None)
    last_at, received, events = heard or (None, None, 0)
    return BenchBehind(
        bench=row["bench"],
        online=row["online"],
        reason=row["reason"] or "",
        hears=row["hears"],
        outbox=row["outbox"],
        told=present[0].told if present else 0,
        taken=present[1] if present else 0,
        missing=sum(box.missing for box, _ in boxes),
        boxes=[box for box, _ in boxes],
        boots=boots.get(row["bench"], 0),
        events=events,
        last_at=last_at,
        last_received=received,
        silent_s=None if received is None else max(0.0, _seconds(at) - _seconds(received)),
        asked=asked["asked"] if asked else None,
        answered=asked["answered"] if asked else None,
        answer=asked["words"] if asked else None,
    )


def _seconds(at: str) -> float:
    return datetime.fromisoformat(at).timestamp()


def pieces_of_boxes(connection: sa.Connection, bench: str | None = None) -> dict[tuple[str, str], dict[int, int]]:
    """What all processes took, by bench and outbox: the bits of each piece."""
    query = sa.select(tables.piece.c.bench, tables.piece.c.outbox, tables.piece.c.piece, tables.piece.c.bits)
    if bench is not None:
        query = query.where(tables.piece.c.bench == bench)
    out: dict[tuple[str, str], dict[int, int]] = defaultdict(dict)
    for row in connection.execute(query):
        own = out[row.bench, row.outbox]
        own[row.piece] = own.get(row.piece, 0) | unpacked(row.bits)
    return out


def lacking(row: Any, pieces: Mapping[int, int]) -> list[Range]:
    """The ranges that lack of an outbox (its row)."""
    return [] if row.settled else missing(pieces, row.floor, max(row.told, newest(pieces)))


def _boxes(connection: sa.Connection) -> dict[str, list[tuple[BoxBehind, int]]]:
    pieces = pieces_of_boxes(connection)
    out: dict[str, list[tuple[BoxBehind, int]]] = defaultdict(list)
    for row in connection.execute(sa.select(tables.outbox).order_by(tables.outbox.c.bench, tables.outbox.c.rank)):
        own = pieces.get((row.bench, row.outbox), {})
        ranges = lacking(row, own)
        taken = max(newest(own), row.floor)
        box = BoxBehind(
            outbox=row.outbox,
            told=max(row.told, taken),
            missing=counted(ranges),
            ranges=ranges[:RANGES_SHOWN],
            settled=row.settled,
        )
        out[row.bench].append((box, taken))
    return out


def _heard(connection: sa.Connection) -> dict[str, tuple[str, str, int]]:
    out: dict[str, tuple[str, str, int]] = {}
    for row in connection.execute(sa.select(tables.heard).order_by(tables.heard.c.received)):
        out[row.bench] = (row.at, row.received, out.get(row.bench, ("", "", 0))[2] + row.events)
    return out


def _boots(connection: sa.Connection) -> dict[str, int]:
    """Boots by bench, as they were counted when they came: there may be millions of them."""
    query = sa.select(tables.count.c.bench, sa.func.sum(tables.count.c.boots)).group_by(tables.count.c.bench)
    return {bench: int(boots) for bench, boots in connection.execute(query)}


def _asks(connection: sa.Connection) -> dict[str, Mapping[str, Any]]:
    """The last ask of each bench."""
    ask, own = tables.ask, tables.ask.alias()
    newest_first = sa.select(own.c.ask).where(own.c.bench == tables.bench.c.bench).order_by(own.c.asked.desc())
    last = sa.select(ask).join(tables.bench, ask.c.ask == newest_first.limit(1).scalar_subquery())
    return {row["bench"]: dict(row) for row in connection.execute(last).mappings()}


def _refused(connection: sa.Connection) -> list[RefusedKind]:
    out: dict[str, RefusedKind] = {}
    for row in connection.execute(sa.select(tables.refused).order_by(tables.refused.c.at)).mappings():
        told = RefusedKind(**{name: row[name] for name in RefusedKind.model_fields})
        before = out[told.reason].count if told.reason in out else 0
        out[told.reason] = told.model_copy(update={"count": before + told.count})
    return sorted(out.values(), key=lambda one: one.reason)


def tidy(database: ArchiveDatabase) -> int:
    """Forget the single numbers where all of them are here, so that what is remembered stays small; how many pieces.

    Several processes may do so at once: each outbox is held while it is looked at.
    """
    table, gone = tables.piece, 0
    with database.read() as connection:
        many = sa.select(table.c.bench, table.c.outbox).group_by(table.c.bench, table.c.outbox)
        many = many.having(sa.func.count(table.c.piece.distinct()) > 1).order_by(table.c.bench, table.c.outbox)
        boxes = [(row.bench, row.outbox) for row in connection.execute(many.limit(TIDY_AT_ONCE))]
    for bench, outbox in boxes:
        with database.write() as connection:
            here = sa.and_(tables.outbox.c.bench == bench, tables.outbox.c.outbox == outbox)
            row = connection.execute(sa.select(tables.outbox).where(here).with_for_update()).one()
            pieces = pieces_of_boxes(connection, bench).get((bench, outbox), {})
            lacks = lacking(row, pieces)
            whole = (lacks[0][0] - 1 if lacks else max(row.told, newest(pieces))) // PIECE
            if whole * PIECE > row.floor:
                connection.execute(sa.update(tables.outbox).where(here).values(floor=whole * PIECE))
            full = sa.and_(table.c.bench == bench, table.c.outbox == outbox, table.c.piece < whole)
            gone += connection.execute(sa.delete(table).where(full)).rowcount
    return gone
