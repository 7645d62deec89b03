"""Which captures hold boots that people hold on to: what may be let go to make room, and what may not."""

from __future__ import annotations

from typing import NamedTuple

import sqlalchemy as sa

from benchd.store import schema
from benchd.store.database import Database


class CaptureBoots(NamedTuple):
    """Boots that began in a capture; how many of them are in a trial or were decided or written about, or still run."""

    boots: int
    held: int
    running: int


class Holding:
    """The part of `Store` about which captures are needed."""

    _database: Database

    def boots_by_capture(self) -> dict[str, CaptureBoots]:
        """Of each capture, as it is named in the store (relative to the data folder): its boots.

        Held is a boot of a trial, also of one that was deleted or that it was moved to or out of, one that was left
        out, noted or labelled, and one with a result entered for it.
        """
        boot, mark, result = schema.boot, schema.boot_mark, schema.result
        decided = sa.or_(
            mark.c.trial.is_not(None),
            mark.c.left_out.is_not(None),
            mark.c.note != "",
            sa.cast(mark.c.labels, sa.Text) != "[]",
        )
        held = sa.or_(
            boot.c.trial.is_not(None),
            sa.exists().where(mark.c.boot == boot.c.id, decided),
            sa.exists().where(result.c.boot == boot.c.id),
        )
        query = (
            sa.select(
                boot.c.capture,
                sa.func.count(),
                sa.func.sum(sa.case((held, 1), else_=0)),
                sa.func.sum(sa.case((boot.c.outcome == "running", 1), else_=0)),
            )
            .where(boot.c.capture.is_not(None))
            .group_by(boot.c.capture)
        )
        with self._database.read() as connection:
            rows = connection.execute(query).all()
        return {name: CaptureBoots(int(count), int(held), int(running)) for name, count, held, running in rows}
