"""The log of what people did: every change by hand, with what was there before and after."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa

from benchd.store import schema
from benchd.store.database import Database
from benchd.store.study_models import ChangeKind, Hand, LogEntry


def draw(connection: sa.Connection, counter: str) -> int:
    """The next number of a counter, given once only."""
    numbers = schema.counter
    return int(
        connection.execute(
            sa.update(numbers)
            .where(numbers.c.name == counter)
            .values(last=numbers.c.last + 1)
            .returning(numbers.c.last)
        ).scalar_one()
    )


def write_down(
    connection: sa.Connection,
    hand: Hand | None,
    kind: ChangeKind,
    *,
    before: str | None = None,
    after: str | None = None,
    **places: Any,
) -> None:
    """Write down a change within its own transaction; without a `hand` it was not made by a person."""
    if hand is not None:
        entry = {"at": hand.at, "by_way": hand.by, "kind": kind, "before": before, "after": after, **places}
        connection.execute(sa.insert(schema.change).values(number=draw(connection, "change"), **entry))


class Log:
    """The part of `Store` about what people did."""

    _database: Database

    def log(
        self,
        *,
        study: str | None = None,
        trial: str | None = None,
        boot: str | None = None,
        limit: int | None = None,
    ) -> list[LogEntry]:
        """What was done to a study, a trial or a boot (whole ids), or to all; oldest first, the newest `limit`.

        A boot that was moved is in the log of the trial that it left, and of the one that it came to.
        """
        table = schema.change
        query = sa.select(table).order_by(table.c.number.desc())
        if study is not None:
            own = sa.select(schema.trial.c.id).where(schema.trial.c.study == study)
            query = query.where(sa.or_(table.c.study == study, _of_trial(own)))
        if trial is not None:
            query = query.where(_of_trial([trial]))
        if boot is not None:
            query = query.where(table.c.boot == boot)
        if limit is not None:
            query = query.limit(limit)
        with self._database.read() as connection:
            rows = connection.execute(query).mappings().all()
        return [
            LogEntry(by=row["by_way"], **{name: value for name, value in row.items() if name != "by_way"})
            for row in reversed(rows)
        ]


def _of_trial(ids: Any) -> sa.ColumnElement[bool]:
    table = schema.change
    moved = sa.and_(table.c.kind == "boot-moved", sa.or_(table.c.before.in_(ids), table.c.after.in_(ids)))
    return sa.or_(table.c.trial.in_(ids), moved)
