"""Boots by what kind of machine they are of: where they stand, and how long their stages usually last."""

from __future__ import annotations

from collections import defaultdict
from typing import Any, NamedTuple

import sqlalchemy as sa

from benchd.store import schema
from benchd.store.boots import IMPORTED, is_good
from benchd.store.database import Database
from benchd.store.marks import is_left_out

NEWEST = 3
"""Boots that are named of each place where some stand."""
TIMED = 2_000
"""Good boots that times are taken from, the newest."""


class Ended(NamedTuple):
    """How many boots of one machine ended in the same way at the same place; `newest` are ids, the newest first."""

    machine: str
    table: str
    outcome: str
    stage: str | None
    code: str | None
    boots: int
    newest: tuple[str, ...]


def _counting(model: str) -> Any:
    """Boots of a model that are over and count: none that was left out, came from another bench, or is one pass."""
    boot = schema.boot
    return sa.and_(
        boot.c.model == model,
        boot.c.outcome != "running",
        boot.c.passes_of.is_(None),
        sa.func.coalesce(boot.c.capture, "").not_like(f"{IMPORTED}%"),
        ~is_left_out(boot.c.id),
    )


class Models:
    """The part of `Store` about models of machines."""

    _database: Database

    def models(self) -> dict[str, int]:
        """How many boots there are of each model."""
        boot = schema.boot
        query = sa.select(boot.c.model, sa.func.count()).where(boot.c.model.is_not(None)).group_by(boot.c.model)
        with self._database.read() as connection:
            return {model: count for model, count in connection.execute(query.order_by(boot.c.model))}

    def endings(self, model: str) -> list[Ended]:
        """How boots of a model ended, by machine and place."""
        boot = schema.boot
        place = (boot.c.machine, boot.c.table_name, boot.c.outcome, boot.c.last_stage, boot.c.last_code)
        latest = (boot.c.started_us.desc(), boot.c.id.desc())
        ranked = (
            sa.select(
                *place,
                boot.c.id,
                sa.func.count().over(partition_by=place).label("boots"),
                sa.func.row_number().over(partition_by=place, order_by=latest).label("place"),
            )
            .where(_counting(model))
            .subquery()
        )
        query = sa.select(ranked).where(ranked.c.place <= NEWEST).order_by(ranked.c.place)
        found: dict[tuple[Any, ...], tuple[int, list[str]]] = {}
        with self._database.read() as connection:
            for row in connection.execute(query):
                found.setdefault(tuple(row[:5]), (row.boots, []))[1].append(row.id)
        return [
            Ended(machine, table, outcome, stage, code, boots, tuple(ids))
            for (machine, table, outcome, stage, code), (boots, ids) in found.items()
        ]

    def model_times(self, model: str) -> dict[str, dict[str, list[float]]]:
        """Seconds that each stage lasted in the newest good boots of a model, by rule table and stage.

        Good is what `Boots.good_boots` says; nothing of a stage that a stall or slow finding stands on.
        """
        boot, finding = schema.boot, schema.finding
        this, following = schema.stage.alias(), schema.stage.alias()
        good: Any = sa.select(boot.c.id, boot.c.table_name).where(_counting(model), is_good(IMPORTED))
        good = good.order_by(boot.c.started_us.desc()).limit(TIMED).subquery()
        trouble = sa.exists().where(
            finding.c.boot == this.c.boot, finding.c.stage == this.c.name, finding.c.kind.in_(("stall", "slow"))
        )
        lasted = (
            sa.select(good.c.table_name, this.c.name, (following.c.t - this.c.t).label("lasted"))
            .join(this, this.c.boot == good.c.id)
            .join(following, sa.and_(following.c.boot == this.c.boot, following.c.position == this.c.position + 1))
            .where(~trouble)
            .order_by(this.c.position)
        )
        found: dict[str, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
        with self._database.read() as connection:
            for row in connection.execute(lasted):
                found[row.table_name][row.name].append(row.lasted)
        return {table: dict(stages) for table, stages in found.items()}
