"""Boots in the store: saved, replaced, closed, and what limits are learned from."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime, timedelta
from typing import Any, NamedTuple

import sqlalchemy as sa

from benchd.store import schema
from benchd.store.database import Database
from benchd.store.reading import BOOT_FIELDS, Ask, BootReading, Rows, microseconds, storable
from benchd.vocabulary.models import Boot, Finding

GOOD_BOOTS = 500
"""Good boots that limits are learned from, the newest: a machine changes, and history must not cost more each day."""


class GoodBoot(NamedTuple):
    """A good boot: its id, when it started (microseconds since 1970), its stages with the seconds that each lasted."""

    id: str
    started_us: int
    lasted: list[tuple[str, float]]


class Boots(BootReading):
    """The part of `Store` about boots: what writes them, and what `BootReading` asks through it."""

    _database: Database

    @contextmanager
    def _asking(self) -> Iterator[Ask]:
        with self._database.read() as connection:

            def ask(sql: str, **given: Any) -> Rows:
                safe = {name: storable(value) if isinstance(value, str) else value for name, value in given.items()}
                return [dict(row) for row in connection.execute(sa.text(sql), safe).mappings()]

            yield ask

    def save_boot(self, boot: Boot, *, capture: str | None = None) -> None:
        """Store `boot` whole, in place of what was stored under its id. `capture` None leaves the one known.

        When this returns the boot is on the disk. Raises ExternalError when it could not be kept.
        """
        values = {column: getattr(boot, name) for name, column in BOOT_FIELDS.items()}
        values["blind"] = [span.model_dump() for span in boot.blind]
        values["measured"] = None if boot.measured is None else boot.measured.model_dump(mode="json")
        values |= {"started_us": microseconds(boot.started), "capture": self._inside(capture), "closed_reason": None}
        parts: list[tuple[sa.Table, list[dict[str, Any]]]] = [
            (schema.stage, [stage.model_dump() for stage in boot.stages]),
            (schema.finding, [_finding_row(finding) for finding in boot.findings]),
            (schema.boot_check, [check.model_dump() for check in boot.checks]),
        ]
        with self._database.write() as connection:
            connection.execute(
                self._database.upsert(schema.boot, values, leave=() if capture is not None else ("capture",))
            )
            for table, rows in parts:
                connection.execute(sa.delete(table).where(table.c.boot == boot.id))
                if rows:
                    connection.execute(
                        sa.insert(table),
                        [{"boot": boot.id, "position": number, **row} for number, row in enumerate(rows)],
                    )

    def neighbours(self, boot_id: str) -> tuple[str | None, str | None]:
        """Ids of the boots of the same machine that started just before and just after a boot (its whole id)."""
        boot = schema.boot
        with self._database.read() as connection:
            row = connection.execute(
                sa.select(boot.c.machine, boot.c.started_us).where(boot.c.id == boot_id)
            ).one_or_none()
            if row is None:
                return None, None
            at = sa.tuple_(boot.c.started_us, boot.c.id)
            here = sa.tuple_(sa.literal(row.started_us), sa.literal(boot_id))
            own = sa.select(boot.c.id).where(boot.c.machine == row.machine)
            before = own.where(at < here).order_by(boot.c.started_us.desc(), boot.c.id.desc()).limit(1)
            after = own.where(at > here).order_by(boot.c.started_us, boot.c.id).limit(1)
            return connection.execute(before).scalar(), connection.execute(after).scalar()

    def replace_boots(self, moved: Mapping[str, str | None]) -> None:
        """Take boots out, each with the id of the boot that stands for it now: results entered for it go there.

        None: no boot does; its results stay under the old id. Where the boot that a result was entered for is there
        again, it goes back to it. All or nothing.
        """
        result = schema.result
        with self._database.write() as connection:
            for old, new in moved.items():
                if new is not None:
                    own = sa.func.coalesce(result.c.entered_for, result.c.boot)
                    connection.execute(sa.update(result).where(result.c.boot == old).values(boot=new, entered_for=own))
                for table in (schema.stage, schema.finding, schema.boot_check):
                    connection.execute(sa.delete(table).where(table.c.boot == old))
                connection.execute(sa.delete(schema.boot).where(schema.boot.c.id == old))
            there = sa.exists().where(schema.boot.c.id == result.c.entered_for)
            connection.execute(sa.update(result).where(there).values(boot=result.c.entered_for, entered_for=None))

    def close_running(self, machine: str, reason: str, but: Collection[str] = ()) -> list[str]:
        """Make boots of `machine` that still run `cut-short`, ended when last seen; their ids, oldest first.

        Boots with an id in `but` are left alone; it may grow while this waits for the store.

        For the start of a daemon whose forerunner was killed. `closed_reason` tells `reason` again.
        """
        boot = schema.boot
        with self._database.write() as connection:
            rows = connection.execute(
                sa.select(boot.c.id, boot.c.started, boot.c.duration_s)
                .where(boot.c.machine == machine, boot.c.outcome == "running")
                .order_by(boot.c.started_us, boot.c.id)
            ).all()
            # Asked only now: a boot that stands in the store was in `but` before it was saved.
            rows = [row for row in rows if row.id not in but]
            for row in rows:
                ended = datetime.fromisoformat(row.started) + timedelta(seconds=row.duration_s)
                connection.execute(
                    sa.update(boot)
                    .where(boot.c.id == row.id)
                    .values(
                        outcome="cut-short",
                        ended=sa.func.coalesce(boot.c.ended, ended.isoformat()),
                        closed_reason=reason,
                    )
                )
        return [row.id for row in rows]

    def good_times(self, machine: str, table: str, limit: int = GOOD_BOOTS) -> dict[str, list[float]]:
        """Seconds that each stage lasted in good boots, by stage, newest first; see `good_boots`."""
        found: dict[str, list[float]] = defaultdict(list)
        for good in self.good_boots(machine, table, limit):
            for name, lasted in good.lasted:
                found[name].append(lasted)
        return dict(found)

    def good_boots(
        self, machine: str, table: str, limit: int = GOOD_BOOTS, of: Collection[str] | None = None
    ) -> list[GoodBoot]:
        """The newest good boots, newest first, and how long each stage of them lasted (to the next stage).

        Good: the boot finished, was seen whole (its start, and every link all the time), no reporter program took
        time in it, and no stall or slow finding stands on that stage, cleared or not. Only the newest `limit` such
        boots are looked at, however many there are; `of` leaves out those with another id.
        """
        boot, finding = schema.boot, schema.finding
        this, following = schema.stage.alias(), schema.stage.alias()
        newest: Any = (
            sa.select(boot.c.id, boot.c.started_us)
            .where(boot.c.machine == machine, boot.c.table_name == table, boot.c.outcome == "finished")
            .where(boot.c.anchored, sa.cast(boot.c.blind, sa.Text) == "[]", boot.c.measured.is_(None))
        )
        if of is None:
            newest = newest.order_by(boot.c.started_us.desc()).limit(limit).subquery()
        else:  # found by their ids, not by going through all in order of time
            newest = newest.where(boot.c.id.in_(list(of))).subquery()
        trouble = (
            sa.select(finding.c.boot)
            .where(finding.c.boot == this.c.boot, finding.c.stage == this.c.name)
            .where(finding.c.kind.in_(("stall", "slow")))
            .exists()
        )
        lasted = (
            sa.select(newest.c.id, newest.c.started_us, this.c.name, (following.c.t - this.c.t).label("lasted"))
            .select_from(newest)
            .join(this, this.c.boot == newest.c.id)
            .join(following, (following.c.boot == this.c.boot) & (following.c.position == this.c.position + 1))
            .where(~trouble)
            .order_by(newest.c.started_us.desc(), newest.c.id.desc(), this.c.position.desc())
        )
        found: dict[str, GoodBoot] = {}
        with self._database.read() as connection:
            for boot_id, started_us, name, seconds in connection.execute(lasted):
                good = found.setdefault(boot_id, GoodBoot(boot_id, started_us, []))
                good.lasted.append((name, seconds))
        return list(found.values())


def _finding_row(finding: Finding) -> dict[str, Any]:
    return {name: getattr(finding, name) for name in Finding.model_fields}
