"""Events into the archive: many in one transaction, each once, whatever order they come in.

1. Of two events about one record the later counts: that of the later outbox of the bench, in one outbox that with the
   greater number. So an event that comes again, or late, changes nothing, and any order gives the same archive.
2. The decision is one statement, which takes hold of the record until the transaction ends: several processes may
   apply at once. All take hold of records in the same order, so that none waits for another in a circle.
3. That an event was here is written in the same transaction, apart for each process.
"""

from __future__ import annotations

import json
from collections import Counter, OrderedDict, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from benchd.archive import tables
from benchd.archive.database import ArchiveDatabase, now
from benchd.archive.names import apart, there, there_or_none
from benchd.archive.ranges import bits_between, bits_of, packed, unpacked
from benchd.archive.reading import BootTold, Heard, Refusal, StatusTold
from benchd.archive.rows import Row, placed, placed_key
from benchd.sinks.mqtt.payloads import AnswerEvent
from benchd.store import schema
from benchd.store.boots import IMPORTED, boot_row, part_rows
from benchd.vocabulary.models import Boot

CHUNK = 500
"""Rows in one statement: databases limit its parameters (32,766 in SQLite 3.40)."""
PIECES_KEPT = 20_000
"""Pieces of outboxes kept in memory, 128 bytes each and what Python adds."""
OLD_STYLE = 12
"""Hex digits of an outbox's name from before they began with the time."""

Key = tuple[str, str, str]
"""Bench, part and key of a record."""
Order = tuple[int, int]
"""Rank of an outbox and number in it: of two events of a bench the later has the greater."""
Place = tuple[str, str, int]
"""Bench, outbox and piece."""


@dataclass(slots=True)
class Batch:
    """What is applied in one transaction, in the order in which it came."""

    heard: list[Heard] = field(default_factory=list)
    statuses: list[StatusTold] = field(default_factory=list)
    refused: list[tuple[str, Refusal]] = field(default_factory=list)
    """Topic and refusal."""

    def __len__(self) -> int:
        return len(self.heard) + len(self.statuses) + len(self.refused)


@dataclass(frozen=True, slots=True)
class Applied:
    """What became of a batch: events taken, and those of them that changed a record."""

    events: int = 0
    changed: int = 0


class Applier:
    """Applies batches; `process` is this process's name. One thread at a time.

    Raises ExternalError where the database fails: nothing of the batch is in it then.
    """

    def __init__(self, database: ArchiveDatabase, process: str) -> None:
        self._database = database
        self._process = process
        self._ranks: dict[tuple[str, str], int] = {}
        self._shares: dict[str, int] = {}
        self._pieces: OrderedDict[Place, int] = OrderedDict()
        self._more: Counter[str] = Counter()
        """How many more boots of each bench there are by the batch that is being applied."""

    def share(self, bench: str) -> int | None:
        """The number of a bench's share; None where there are too many benches."""
        if bench not in self._shares:
            if (share := self._database.share_of(bench)) is None:
                return None
            self._shares[bench] = share
        return self._shares[bench]

    def apply(self, batch: Batch) -> Applied:
        """Apply a batch: all of it is in the database when this returns. `share` was asked for each bench of it."""
        pieces = self._received(batch.heard)
        self._more.clear()
        with self._database.write() as connection:
            ranks = self._rank(connection, batch)
            self._statuses(connection, batch.statuses)
            whole = self._whole(connection, batch.heard, ranks)
            changed = self._records(connection, batch.heard, ranks, whole)
            fresh = self._note(connection, pieces, batch.heard)
            for one in batch.heard:
                if isinstance(one.what, AnswerEvent):
                    fresh |= self._answer(connection, one, one.what, fresh)
            self._refuse(connection, batch.refused)
            self._count(connection)
        self._ranks |= ranks
        for place, bits in fresh.items():
            self._pieces[place] = bits
            self._pieces.move_to_end(place)
        while len(self._pieces) > PIECES_KEPT:
            self._pieces.popitem(last=False)
        return Applied(len(batch.heard), changed)

    # ------------------------------------------------------------------ outboxes

    def _rank(self, connection: sa.Connection, batch: Batch) -> dict[tuple[str, str], int]:
        """The rank of every outbox in the batch: of two outboxes of a bench the later has the greater."""
        made: dict[tuple[str, str], str | None] = {}
        for one in batch.heard:
            made.setdefault((one.bench, one.outbox))
        for told in batch.statuses:
            made[told.bench, told.status.outbox] = told.status.made
        table = tables.outbox
        ranks = {key: self._ranks[key] for key in made if key in self._ranks}
        unknown = sorted(key for key in made if key not in ranks)
        for start in range(0, len(unknown), CHUNK):
            part = unknown[start : start + CHUNK]
            rows = [
                {"bench": box[0], "outbox": box[1], "rank": rank_of(box[1], made[box]), "made": made[box]}
                for box in part
            ]
            connection.execute(self._database.insert(table).values(rows).on_conflict_do_nothing())
            query = sa.select(table.c.bench, table.c.outbox, table.c.rank)
            found = connection.execute(query.where(sa.tuple_(table.c.bench, table.c.outbox).in_(part)))
            ranks |= {(row.bench, row.outbox): row.rank for row in found}
        return ranks

    def _statuses(self, connection: sa.Connection, told: Sequence[StatusTold]) -> None:
        newest = {one.bench: one.status for one in told}
        for bench in sorted(newest):
            status = newest[bench]
            values = {
                "online": status.online, "reason": status.reason[:400], "outbox": status.outbox,
                "hears": status.archive, "status_at": status.at,
            }  # fmt: skip
            connection.execute(sa.update(tables.bench).where(tables.bench.c.bench == bench).values(values))
            own = sa.and_(tables.outbox.c.bench == bench, tables.outbox.c.outbox == status.outbox)
            more = sa.and_(own, tables.outbox.c.told < status.seq)
            connection.execute(sa.update(tables.outbox).where(more).values(told=status.seq))
            if status.made is not None:
                unknown = sa.and_(own, tables.outbox.c.made.is_(None))
                connection.execute(sa.update(tables.outbox).where(unknown).values(made=status.made))

    # ------------------------------------------------------------------ what is whole

    def _whole(
        self, connection: sa.Connection, heard: Sequence[Heard], ranks: Mapping[tuple[str, str], int]
    ) -> dict[str, Order]:
        """From which event on each bench told all that it has. Where that is news, take out what came before."""
        news: dict[str, Order] = {}
        for one in heard:
            if isinstance(one.what, AnswerEvent) and one.what.whole_from is not None:
                told = (ranks[one.bench, one.outbox], one.what.whole_from)
                news[one.bench] = max(told, news.get(one.bench, told))
        table = tables.whole
        out: dict[str, Order] = {}
        for alone, benches in ((True, sorted(news)), (False, sorted({one.bench for one in heard} - news.keys()))):
            for start in range(0, len(benches), CHUNK):
                query = (
                    sa.select(table).where(table.c.bench.in_(benches[start : start + CHUNK])).order_by(table.c.bench)
                )
                for row in connection.execute(query.with_for_update(read=not alone)):
                    out[row.bench] = (row.rank, row.seq)
        for bench, told in sorted(news.items()):
            if told > out[bench]:
                rank, seq = out[bench] = told
                connection.execute(sa.update(table).where(table.c.bench == bench).values(rank=rank, seq=seq))
                self._forget(connection, bench, rank, seq)
        return out

    def _forget(self, connection: sa.Connection, bench: str, rank: int, seq: int) -> None:
        """Take out the records of a bench that only earlier events told of: there they are gone."""
        table = tables.version
        earlier = sa.or_(table.c.rank < rank, sa.and_(table.c.rank == rank, table.c.seq < seq))
        query = sa.select(table.c.part, table.c.key).where(table.c.bench == bench, earlier)
        gone: dict[str, list[str]] = defaultdict(list)
        for row in connection.execute(query.order_by(table.c.part, table.c.key)):
            gone[row.part].append(row.key)
        self._take_out(connection, [there(boot, bench) for boot in gone.pop("boot", [])])
        gone.pop("image", None)  # other benches may have the same
        for part, keys in gone.items():
            own = tables.loose.tables[part]
            for key in keys:
                values = placed_key(Row(part, tuple(json.loads(key)), None), bench, self._shares[bench])
                connection.execute(sa.delete(own).where(*(own.c[name] == value for name, value in values.items())))

    # ------------------------------------------------------------------ records

    def _records(
        self,
        connection: sa.Connection,
        heard: Sequence[Heard],
        ranks: Mapping[tuple[str, str], int],
        whole: Mapping[str, Order],
    ) -> int:
        newest: dict[Key, tuple[int, int, Heard]] = {}
        for one in heard:
            if (key := _key(one)) is None:
                continue
            told = (ranks[one.bench, one.outbox], one.seq, one)
            if told[:2] < whole[one.bench]:  # the bench has told all that there is since
                continue
            if key not in newest or newest[key][:2] < told[:2]:
                newest[key] = told
        won = self._take_hold(connection, newest)
        self._boots(connection, [newest[key][2] for key in won if key[1] == "boot"])
        rows: dict[str, list[Heard]] = defaultdict(list)
        for key in won:
            if key[1] != "boot":
                rows[key[1]].append(newest[key][2])
        for name in sorted(rows):
            self._rows(connection, tables.loose.tables[name], rows[name])
        return len(won)

    def _take_hold(self, connection: sa.Connection, newest: Mapping[Key, tuple[int, int, Heard]]) -> list[Key]:
        """Hold the records that these events are newer of than what is here; return their keys."""
        table = tables.version
        won: list[Key] = []
        keys = sorted(newest)
        for start in range(0, len(keys), CHUNK):
            rows = [
                {"bench": key[0], "part": key[1], "key": key[2], "rank": newest[key][0], "seq": newest[key][1]}
                for key in keys[start : start + CHUNK]
            ]
            insert = self._database.insert(table).values(rows)
            told, known = insert.excluded, table.c
            newer = sa.or_(told.rank > known.rank, sa.and_(told.rank == known.rank, told.seq > known.seq))
            claim = insert.on_conflict_do_update(
                index_elements=[known.bench, known.part, known.key],
                set_={"rank": told.rank, "seq": told.seq},
                where=newer,
            ).returning(known.bench, known.part, known.key)
            won += [(row.bench, row.part, row.key) for row in connection.execute(claim)]
        return sorted(won)

    def _boots(self, connection: sa.Connection, heard: Sequence[Heard]) -> None:
        told = [(one.bench, one.what) for one in heard if isinstance(one.what, BootTold)]
        self._take_out(connection, [there(what.id, bench) for bench, what in told if what.record is None])
        self._put_boots(connection, [named(what, bench) for bench, what in told if what.record is not None])

    def _put_boots(self, connection: sa.Connection, boots: Sequence[Boot]) -> None:
        parts: dict[sa.Table, list[dict[str, Any]]] = {table: [] for table in _PARTS}
        for boot in boots:
            for table, rows in part_rows(boot).items():
                parts[table] += rows
        self._take_out(connection, [boot.id for boot in boots], _PARTS)
        if boots:
            self._more.update(apart(boot.id)[1] for boot in boots)
            for boot_id in self._here(connection, [boot.id for boot in boots]):
                self._more[apart(boot_id)[1]] -= 1
            rows = [boot_row(boot) | {"capture": IMPORTED if boot.imported else None} for boot in boots]
            self._put(connection, schema.boot, rows)
        for table, rows in parts.items():
            if rows:
                connection.execute(sa.insert(table), rows)

    def _take_out(self, connection: sa.Connection, ids: Sequence[str], of: Sequence[sa.Table] | None = None) -> None:
        """Take boots out, or only their parts."""
        for start in range(0, len(ids), CHUNK):
            some = ids[start : start + CHUNK]
            for table in _PARTS if of is None else of:
                connection.execute(sa.delete(table).where(table.c.boot.in_(some)))
            if of is None:
                gone = sa.delete(schema.boot).where(schema.boot.c.id.in_(some)).returning(schema.boot.c.id)
                for boot_id in connection.execute(gone).scalars():
                    self._more[apart(boot_id)[1]] -= 1

    def _here(self, connection: sa.Connection, ids: Sequence[str]) -> Iterator[str]:
        """Which of these boots are here: they are held, nobody else puts them in or takes them out."""
        for start in range(0, len(ids), CHUNK):
            query = sa.select(schema.boot.c.id).where(schema.boot.c.id.in_(ids[start : start + CHUNK]))
            yield from connection.execute(query).scalars()

    def _rows(self, connection: sa.Connection, table: sa.Table, heard: Sequence[Heard]) -> None:
        """Put rows of one table in, or take them out. Of an image that several benches have, each row told last."""
        put: dict[frozenset[str], list[dict[str, Any]]] = defaultdict(list)
        for one in heard:
            assert isinstance(one.what, Row)
            share = self._shares[one.bench]
            values = placed(one.what, one.bench, share)
            if values is None:
                key = placed_key(one.what, one.bench, share)
                here = sa.and_(*(table.c[name] == value for name, value in key.items()))
                connection.execute(sa.delete(table).where(here))
            else:
                put[frozenset(values)].append(values)
        for rows in put.values():
            self._put(connection, table, rows)

    def _put(self, connection: sa.Connection, table: sa.Table, rows: Sequence[Mapping[str, Any]]) -> None:
        insert = self._database.insert(table)
        keys = [column.name for column in table.primary_key.columns]
        changes = {name: insert.excluded[name] for name in rows[0] if name not in keys}
        connection.execute(insert.on_conflict_do_update(index_elements=keys, set_=changes), list(rows))

    # ------------------------------------------------------------------ what was here

    def _received(self, heard: Sequence[Heard]) -> dict[Place, int]:
        seqs: dict[tuple[str, str], list[int]] = defaultdict(list)
        for one in heard:
            seqs[one.bench, one.outbox].append(one.seq)
        return {(*box, piece): bits for box, own in seqs.items() for piece, bits in bits_of(own).items()}

    def _note(self, connection: sa.Connection, pieces: Mapping[Place, int], heard: Sequence[Heard]) -> dict[Place, int]:
        fresh = self._grown(connection, pieces)
        self._write_pieces(connection, fresh)
        table = tables.heard
        newest: dict[str, tuple[str, int]] = {}
        for one in heard:
            newest[one.bench] = (one.at, newest.get(one.bench, ("", 0))[1] + 1)
        if newest:
            rows = [
                {"bench": bench, "process": self._process, "at": at, "received": now(), "events": count}
                for bench, (at, count) in sorted(newest.items())
            ]
            insert = self._database.insert(table).values(rows)
            told = insert.excluded
            values = {"at": told.at, "received": told.received, "events": table.c.events + told.events}
            connection.execute(insert.on_conflict_do_update(index_elements=["bench", "process"], set_=values))
        return fresh

    def _grown(self, connection: sa.Connection, pieces: Mapping[Place, int]) -> dict[Place, int]:
        """The pieces with what this process has of them already."""
        known = {place: self._pieces[place] for place in pieces if place in self._pieces}
        unknown = sorted(place for place in pieces if place not in known)
        table = tables.piece
        for start in range(0, len(unknown), CHUNK):
            here = sa.tuple_(table.c.bench, table.c.outbox, table.c.piece).in_(unknown[start : start + CHUNK])
            query = sa.select(table).where(table.c.process == self._process, here)
            for row in connection.execute(query):
                known[row.bench, row.outbox, row.piece] = unpacked(row.bits)
        return {place: known.get(place, 0) | bits for place, bits in pieces.items()}

    def _write_pieces(self, connection: sa.Connection, pieces: Mapping[Place, int]) -> None:
        rows = [
            {"bench": bench, "outbox": outbox, "piece": piece, "process": self._process, "bits": packed(bits)}
            for (bench, outbox, piece), bits in sorted(pieces.items())
        ]
        if rows:
            self._put(connection, tables.piece, rows)

    def _answer(
        self, connection: sa.Connection, heard: Heard, answer: AnswerEvent, fresh: Mapping[Place, int]
    ) -> dict[Place, int]:
        """Count what was asked for as here: the bench told again what there is of it, by events of other numbers."""
        table = tables.ask
        own = sa.and_(table.c.ask == answer.ask, table.c.bench == heard.bench, table.c.answered.is_(None))
        asked = connection.execute(sa.select(table).where(own)).mappings().first()
        if asked is None:
            return {}
        values = {"answered": now(), "words": answer.words[:400], "boots": answer.boots, "entries": answer.entries}
        connection.execute(sa.update(table).where(table.c.ask == answer.ask).values(values))
        if asked["missing"] is not None and asked["outbox"] is not None:
            box = (heard.bench, asked["outbox"])
            pieces = {(*box, piece): bits for piece, bits in bits_between(asked["missing"]).items()}
            grown = self._grown(connection, {place: bits | fresh.get(place, 0) for place, bits in pieces.items()})
            self._write_pieces(connection, grown)
            return grown
        if asked["since"] is None:
            for outbox, seq in sorted(asked["upto"].items()):
                here = sa.and_(tables.outbox.c.bench == heard.bench, tables.outbox.c.outbox == outbox)
                whole = outbox != heard.outbox
                further = sa.case((tables.outbox.c.floor < seq, seq), else_=tables.outbox.c.floor)
                values = {"floor": further, "settled": whole or tables.outbox.c.settled}
                connection.execute(sa.update(tables.outbox).where(here).values(values))
        return {}

    def _count(self, connection: sa.Connection) -> None:
        """Count the boots that are here more, or less: each process by itself, so that none waits for another."""
        table = tables.count
        for bench in sorted(bench for bench, more in self._more.items() if more):
            insert = self._database.insert(table).values(bench=bench, process=self._process, boots=self._more[bench])
            more = {"boots": table.c.boots + insert.excluded.boots}
            connection.execute(insert.on_conflict_do_update(index_elements=["bench", "process"], set_=more))

    def _refuse(self, connection: sa.Connection, refused: Sequence[tuple[str, Refusal]]) -> None:
        last: dict[str, tuple[int, str, str]] = {}
        for topic, one in refused:
            last[one.reason] = (last.get(one.reason, (0, "", ""))[0] + 1, topic[:300], one.words[:300])
        table = tables.refused
        for reason in sorted(last):
            count, topic, words = last[reason]
            values = {"process": self._process, "at": now(), "topic": topic, "words": words}
            insert = self._database.insert(table).values(reason=reason, count=count, **values)
            more = {"count": table.c.count + insert.excluded.count, "at": now(), "topic": topic, "words": words}
            connection.execute(insert.on_conflict_do_update(index_elements=["reason", "process"], set_=more))


_PARTS = (schema.stage, schema.finding, schema.boot_check)


def _key(one: Heard) -> Key | None:
    if isinstance(one.what, BootTold):
        return one.bench, "boot", one.what.id
    if isinstance(one.what, Row):
        return one.bench, one.what.table, one.what.key_text
    return None


def named(told: BootTold, bench: str) -> Boot:
    """A boot's record with the names that it has in the archive."""
    assert told.record is not None
    boot = told.record
    return boot.model_copy(
        update={
            "id": there(boot.id, bench),
            "machine": there(boot.machine, bench),
            "trial": there_or_none(boot.trial, bench),
            "passes_of": there_or_none(boot.passes_of, bench),
        }
    )


def rank_of(outbox: str, made: str | None) -> int:
    """The place of an outbox among those of its bench.

    Its name begins with the time at which it was made (12 hex digits of milliseconds since 1970); one with an old-style
    name comes before all of those, by the time its bench tells, else by when it was first heard of.
    """
    if len(outbox) > OLD_STYLE:
        return int(outbox[:OLD_STYLE], 16) << 8 | int((outbox[OLD_STYLE:] + "00")[:2], 16)
    try:
        at = datetime.fromisoformat(made or now()).timestamp()
    except ValueError:
        at = datetime.fromisoformat(now()).timestamp()
    return (int(at * 1000) << 8) - (1 << 62)
