"""Boots in the store."""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Collection, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple

import sqlalchemy as sa

from benchd.errors import UsageError
from benchd.store import schema
from benchd.store.database import Database
from benchd.store.marks import Marks, boots_of_trial, is_left_out, laid_over
from benchd.store.turns import again
from benchd.vocabulary.models import Boot, Finding, Outcome

MAX_CANDIDATES = 6
GOOD_BOOTS = 500
"""Good boots that limits are learned from, the newest: a machine changes, and history must not cost more each day."""
ROWS = 500
"""Stages that are read at once."""
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_BOOT_FIELDS = {
    name: "table_name" if name == "table" else name
    for name in Boot.model_fields
    if name not in ("stages", "findings", "checks", "imported", "left_out", "note", "labels")
}
"""Field of the model: column of the table. What people decided about a boot is in a table of its own, see `marks`."""
IMPORTED = "imported/"
"""Where captures from other benches lie in the data folder: a boot is an imported one by where its capture lies."""
IMPORTED_SAME = f"{IMPORTED}same/"
"""Those of machines of this bench."""
IMPORTED_OTHER = f"{IMPORTED}other/"
"""Those of machines that are not on this bench: no limit is learned from them, whatever they are called."""


class GoodBoot(NamedTuple):
    """A good boot: its id, when it started (microseconds since 1970), its stages with the seconds that each lasted."""

    id: str
    started_us: int
    lasted: list[tuple[str, float]]


class Boots(Marks):
    """The part of `Store` about boots. They come as people decided about them, except where it says "as told"."""

    _database: Database
    _data: Path | None

    @again
    def save_boot(self, boot: Boot, *, capture: str | None = None) -> None:
        """Store `boot` whole, in place of what was stored under its id. `capture` None leaves the one known.

        What people decided about the boot stays: a trial that it was moved to, that it is left out, note and labels.
        When this returns the boot is on the disk. Raises ExternalError when it could not be kept.
        """
        values = boot_row(boot) | {"capture": self._inside(capture)}
        with self._database.write() as connection:
            connection.execute(
                self._database.upsert(schema.boot, values, leave=() if capture is not None else ("capture",))
            )
            for table, rows in part_rows(boot).items():
                connection.execute(sa.delete(table).where(table.c.boot == boot.id))
                if rows:
                    connection.execute(sa.insert(table), rows)

    def boots(
        self,
        *,
        machine: str | None = None,
        trial: str | None = None,
        outcome: Outcome | None = None,
        since: datetime | str | None = None,
        before: str | None = None,
        limit: int | None = None,
        newest_first: bool = True,
    ) -> list[Boot]:
        """The boots that fit all that is given, by start. `since` is a time with zone, inclusive.

        `before` is a boot's whole id: only boots that come before it; none where there is no such boot.
        `limit` keeps the newest ones, whichever way they are sorted.
        """
        wanted = sa.select(schema.boot.c.id)
        for column, value in ((schema.boot.c.machine, machine), (schema.boot.c.outcome, outcome)):
            if value is not None:
                wanted = wanted.where(column == value)
        if trial is not None:
            wanted = wanted.where(schema.boot.c.id.in_(boots_of_trial(trial)))
        if since is not None:
            wanted = wanted.where(schema.boot.c.started_us >= microseconds(since))
        if before is not None:
            at = sa.select(schema.boot.c.started_us).where(schema.boot.c.id == before).scalar_subquery()
            wanted = wanted.where(sa.tuple_(schema.boot.c.started_us, schema.boot.c.id) < sa.tuple_(at, before))
        if limit is not None and limit < 0:
            raise UsageError(f"a limit of {limit} boots cannot be; give 0 or more")
        if limit is not None:
            wanted = wanted.order_by(schema.boot.c.started_us.desc(), schema.boot.c.id.desc()).limit(limit)
        with self._database.read() as connection:
            found = _load(connection, wanted)
        return found[::-1] if newest_first else found

    def boot(self, id_or_unique_prefix: str) -> Boot:
        """One boot. Raises UsageError when no boot or several boots are meant, and names candidates."""
        with self._database.read() as connection:
            return self._decided_boot(connection, self._boot_id(connection, id_or_unique_prefix))

    def told_boot(self, boot_id: str) -> Boot | None:
        """A boot (its whole id) as told: without what people decided about it. None where there is none."""
        with self._database.read() as connection:
            return next(iter(_told(connection, sa.select(schema.boot.c.id).where(schema.boot.c.id == boot_id))), None)

    def told_boots(self, ids: Collection[str]) -> dict[str, Boot]:
        """Those boots of `ids` (whole ones, some hundred at most) that there are, as told."""
        with self._database.read() as connection:
            wanted = sa.select(schema.boot.c.id).where(schema.boot.c.id.in_(list(ids)))
            return {boot.id: boot for boot in _told(connection, wanted)}

    def _decided_boot(self, connection: sa.Connection, boot_id: str) -> Boot:
        return _load(connection, sa.select(schema.boot.c.id).where(schema.boot.c.id == boot_id))[0]

    def newest_measured(self, machine: str | None = None) -> Boot | None:
        """The newest boot with a report that counts, of a machine or of any of this bench; None where there is none."""
        boot = schema.boot
        wanted = sa.select(boot.c.id).where(boot.c.measured.is_not(None), ~is_left_out(boot.c.id))
        wanted = wanted.where(sa.func.coalesce(boot.c.capture, "").not_like(f"{IMPORTED_OTHER}%"))
        if machine is not None:
            wanted = wanted.where(boot.c.machine == machine)
        newest = wanted.order_by(boot.c.started_us.desc(), boot.c.id.desc()).limit(1)
        with self._database.read() as connection:
            return next(iter(_load(connection, newest)), None)

    def machines(self) -> list[str]:
        """The names of all machines that boots are stored of, sorted."""
        with self._database.read() as connection:
            names = sa.select(schema.boot.c.machine).distinct().order_by(schema.boot.c.machine)
            return list(connection.execute(names).scalars())

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

    def capture_of(self, boot_id: str) -> str | None:
        """The capture file that the boot began in, if known. Takes a unique prefix too."""
        with self._database.read() as connection:
            whole = self._boot_id(connection, boot_id)
            known = self._one_column(connection, schema.boot.c.capture, whole)
        return str(self._data / known) if known is not None and self._data is not None else known

    def boots_of_capture(self, capture: str) -> list[Boot]:
        """The boots that began in a capture file, in order of start, as told."""
        of_file = sa.select(schema.boot.c.id).where(schema.boot.c.capture == self._inside(capture))
        with self._database.read() as connection:
            return sorted(_told(connection, of_file), key=lambda boot: microseconds(boot.started))

    @again
    def replace_boots(self, moved: Mapping[str, str | None]) -> None:
        """Take boots out, each with the id of the boot that stands for it now: what people entered for it goes there.

        None: no boot does; it stays under the old id. Where the boot that something was entered for is there again, it
        goes back to it: results, the trial it was moved to, that it is left out, notes, labels. All or nothing.
        """
        result, mark = schema.result, schema.boot_mark
        with self._database.write() as connection:
            for old, new in moved.items():
                if new is not None:
                    own = sa.func.coalesce(result.c.entered_for, result.c.boot)
                    connection.execute(sa.update(result).where(result.c.boot == old).values(boot=new, entered_for=own))
                    connection.execute(sa.update(mark).where(mark.c.boot == old).values(boot=new))
                for table in (schema.stage, schema.finding, schema.boot_check):
                    connection.execute(sa.delete(table).where(table.c.boot == old))
                connection.execute(sa.delete(schema.boot).where(schema.boot.c.id == old))
            there = sa.exists().where(schema.boot.c.id == result.c.entered_for)
            connection.execute(sa.update(result).where(there).values(boot=result.c.entered_for, entered_for=None))
            again = sa.exists().where(schema.boot.c.id == mark.c.made_for)
            connection.execute(
                sa.update(mark).where(again, mark.c.boot != mark.c.made_for).values(boot=mark.c.made_for)
            )

    def _inside(self, capture: str | None) -> str | None:
        """A path in the data folder relative to it, so that the folder may be moved; others as they are."""
        if capture is None or self._data is None or not os.path.isabs(capture):
            return capture
        path = Path(os.path.abspath(capture))
        return path.relative_to(self._data).as_posix() if path.is_relative_to(self._data) else capture

    def closed_reason(self, boot_id: str) -> str | None:
        """Why `close_running` closed the boot, None if it ended by itself. Takes a unique prefix too."""
        with self._database.read() as connection:
            whole = self._boot_id(connection, boot_id)
            return self._one_column(connection, schema.boot.c.closed_reason, whole)

    @again
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

        Good: the boot finished, is of this bench (or was imported as of the same machine), was seen whole (its start,
        and every link all the time), no reporter program took time in it, no person left it out, and no stall or slow
        finding stands on that stage, cleared or not. Only the newest `limit` such boots are looked at, however many
        there are; `of` leaves out those with another id.
        """
        return self._good_boots(schema.boot.c.machine == machine, IMPORTED_OTHER, table, limit, of)

    def good_boots_of_model(self, model: str, table: str, limit: int = GOOD_BOOTS) -> list[GoodBoot]:
        """The same of all machines of a model that are here, without imported boots: in an archive, on all benches."""
        return self._good_boots(schema.boot.c.model == model, IMPORTED, table, limit, None)

    def _good_boots(
        self, whose: sa.ColumnElement[bool], without: str, table: str, limit: int, of: Collection[str] | None
    ) -> list[GoodBoot]:
        boot = schema.boot
        newest: Any = (
            sa.select(boot.c.id, boot.c.started_us)
            .where(whose, boot.c.table_name == table, is_good(without))
            .order_by(boot.c.started_us.desc(), boot.c.id.desc())
        )
        # Those of `of` are found by their ids, not by going through all in order of time.
        newest = newest.limit(limit) if of is None else newest.where(boot.c.id.in_(list(of)))
        with self._database.read() as connection:
            found = {boot_id: GoodBoot(boot_id, at, []) for boot_id, at in connection.execute(newest).all()}
            _fill_in(connection, found)
        return [good for good in found.values() if good.lasted]

    @staticmethod
    def _one_column(connection: sa.Connection, column: sa.Column[Any], boot_id: str) -> str | None:
        value = connection.execute(sa.select(column).where(schema.boot.c.id == boot_id)).scalar_one()
        return None if value is None else str(value)

    def _boot_id(self, connection: sa.Connection, prefix: str) -> str:
        ids = schema.boot.c.id
        if connection.execute(sa.select(ids).where(ids == prefix)).scalar() is not None:
            return prefix
        found: list[str] = list(
            connection.execute(
                sa.select(ids)
                .where(sa.func.substr(ids, 1, len(prefix), type_=schema.SafeText()) == prefix)
                .order_by(schema.boot.c.started_us.desc(), ids.desc())
                .limit(MAX_CANDIDATES)
            ).scalars()
        )
        if len(found) == 1:
            return found[0]
        return _refuse("boot", prefix, found, "`benchd boots` lists them")


def _refuse(what: str, prefix: str, found: list[str], advice: str) -> str:
    if not found:
        raise UsageError(f"there is no {what} '{prefix}'; {advice}")
    more = ", ..." if len(found) == MAX_CANDIDATES else ""
    raise UsageError(f"'{prefix}' could be {what} {', '.join(found)}{more}; give more of its name")


def _load(connection: sa.Connection, ids: sa.Select[Any]) -> list[Boot]:
    """The boots whose ids `ids` selects, as people decided about them, in six queries however many they are."""
    return laid_over(connection, _told(connection, ids), ids)


def _told(connection: sa.Connection, ids: sa.Select[Any]) -> list[Boot]:
    """The same as told, oldest first."""
    stages = _parts(connection, schema.stage, ids)
    findings = _parts(connection, schema.finding, ids)
    checks = _parts(connection, schema.boot_check, ids)
    rows = connection.execute(
        sa.select(schema.boot).where(schema.boot.c.id.in_(ids)).order_by(schema.boot.c.started_us, schema.boot.c.id)
    ).mappings()
    return [
        Boot(
            **{name: row[column] for name, column in _BOOT_FIELDS.items()},
            imported=(row["capture"] or "").startswith(IMPORTED),
            stages=stages[row["id"]],
            findings=findings[row["id"]],
            checks=checks[row["id"]],
        )
        for row in rows
    ]


def is_good(without: str) -> sa.ColumnElement[bool]:
    """Say of a boot that it is good, but for findings on its stages: see `Boots.good_boots`.

    `without`: where captures lie (in the data folder) whose boots do not count.
    """
    boot = schema.boot.c
    return sa.and_(
        boot.outcome == "finished",
        sa.func.coalesce(boot.capture, "").not_like(f"{without}%"),
        boot.anchored,
        sa.cast(boot.blind, sa.Text) == "[]",
        boot.measured.is_(None),
        ~is_left_out(boot.id),
    )


def _fill_in(connection: sa.Connection, found: Mapping[str, GoodBoot]) -> None:
    """Put into good boots how long their stages lasted, the last first, without those that a finding stands on.

    Differences are taken here: to let the database join each stage with the next took twice as long.
    """
    stage, finding = schema.stage.c, schema.finding.c
    troubled = sa.select(finding.boot, finding.stage).where(
        finding.boot.in_(list(found)), finding.kind.in_(("stall", "slow"))
    )
    trouble = {(boot, name) for boot, name in connection.execute(troubled).all()}
    stages = sa.select(stage.boot, stage.position, stage.name, stage.t).where(stage.boot.in_(list(found)))
    of, before, ended = "", 0, 0.0
    names: dict[str, str] = {}  # some dozen in thousands of rows: each is kept once
    for rows in connection.execute(stages.order_by(stage.boot, stage.position.desc())).partitions(ROWS):
        for boot, position, name, t in rows:
            if position == before and boot == of and (boot, name) not in trouble:
                found[boot].lasted.append((names.setdefault(name, name), ended - t))
            of, before, ended = boot, position - 1, t


def _parts(connection: sa.Connection, table: sa.Table, ids: Any) -> dict[str, list[Any]]:
    """The rows of a table about boots, by boot and in their order, each as what its model is made of."""
    found: dict[str, list[Any]] = defaultdict(list)
    columns = [column for column in table.c if column.name not in ("boot", "position")]
    names = [column.name for column in columns]
    query = sa.select(table.c.boot, *columns).where(table.c.boot.in_(ids)).order_by(table.c.boot, table.c.position)
    for boot, *values in connection.execute(query).all():
        found[boot].append(dict(zip(names, values, strict=True)))
    return found


def boot_row(boot: Boot) -> dict[str, Any]:
    """A boot's own row as told: without its capture, and without what people decided about it."""
    values = {column: getattr(boot, name) for name, column in _BOOT_FIELDS.items()}
    values["blind"] = [span.model_dump() for span in boot.blind]
    values["measured"] = None if boot.measured is None else boot.measured.model_dump(mode="json")
    return values | {"started_us": microseconds(boot.started), "closed_reason": None}


def part_rows(boot: Boot) -> dict[sa.Table, list[dict[str, Any]]]:
    """The rows of a boot's stages, findings and checks, by their table."""
    parts: dict[sa.Table, list[dict[str, Any]]] = {
        schema.stage: [stage.model_dump() for stage in boot.stages],
        schema.finding: [_finding_row(finding) for finding in boot.findings],
        schema.boot_check: [check.model_dump() for check in boot.checks],
    }
    return {
        table: [{"boot": boot.id, "position": number, **row} for number, row in enumerate(rows)]
        for table, rows in parts.items()
    }


def _finding_row(finding: Finding) -> dict[str, Any]:
    return {name: getattr(finding, name) for name in Finding.model_fields}


def microseconds(moment: datetime | str) -> int:
    """Microseconds since 1970 of a time with zone (ISO 8601 if text): what boots are sorted by.

    Raises UsageError for anything else.
    """
    if isinstance(moment, str):
        try:
            moment = datetime.fromisoformat(moment)
        except ValueError as error:
            raise UsageError(f"'{moment}' is no time; write it as 2026-03-01T20:15:00+01:00") from error
    if moment.tzinfo is None:
        raise UsageError(f"the time {moment.isoformat()} has no zone; add one, as in +01:00")
    return (moment - _EPOCH) // timedelta(microseconds=1)
