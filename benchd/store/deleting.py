"""Trials and studies that are deleted, and brought back: they are out of every list, and nothing of them is lost."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from benchd.errors import UsageError
from benchd.store import schema
from benchd.store.database import Database
from benchd.store.log import draw, write_down
from benchd.store.marks import boots_of_trial
from benchd.store.study_models import DeletedStudy, DeletedTrial, Hand


class Deleting:
    """The part of `Store` about what was deleted."""

    _database: Database

    if TYPE_CHECKING:  # in other parts of `Store`

        def _trial_row(self, connection: sa.Connection, trial_id: str) -> Mapping[str, Any]: ...

        def _study_row(self, connection: sa.Connection, name: str) -> Mapping[str, Any]: ...

    def delete_trial(self, trial_id: str, hand: Hand) -> None:
        """Delete a trial that has no boots, with the results entered for it; if it runs, it ends.

        Raises UsageError while boots belong to it: they are told there, and moved first.
        """
        table = schema.trial
        with self._database.write() as connection:
            known = self._trial_row(connection, trial_id)
            boots = list(connection.execute(boots_of_trial(trial_id)).scalars())
            if boots:
                more = f" and {len(boots) - 3} more" if len(boots) > 3 else ""
                raise UsageError(
                    f"trial {trial_id} has boots ({', '.join(sorted(boots)[:3])}{more}): move them first, "
                    "`benchd boots move BOOT TRIAL`"
                )
            values = {"deleted": hand.at, "ended": known["ended"] or hand.at}
            connection.execute(sa.update(table).where(table.c.id == trial_id).values(values))
            before = f"started {known['started']}"
            write_down(connection, hand, "trial-deleted", trial=trial_id, study=known["study"], before=before)

    def restore_trial(self, trial_id: str, hand: Hand) -> None:
        """Bring a deleted trial back, with its results; it does not run. Raises UsageError when it was not deleted."""
        table = schema.trial
        with self._database.write() as connection:
            back = sa.update(table).where(table.c.id == trial_id, table.c.deleted.is_not(None)).values(deleted=None)
            if connection.execute(back).rowcount == 0:
                self._trial_row(connection, trial_id)
                raise UsageError(f"trial {trial_id} is there: it was not deleted")
            known = self._trial_row(connection, trial_id)
            after = f"started {known['started']}"
            write_down(connection, hand, "trial-restored", trial=trial_id, study=known["study"], after=after)

    def delete_study(self, name: str, hand: Hand) -> None:
        """Delete a study with its trials and results; those that run end. Its name is free then."""
        table, trial = schema.study, schema.trial
        with self._database.write() as connection:
            known = self._study_row(connection, name)
            aside = f"{name[:160]} (deleted {draw(connection, 'study')})"
            gone = {"name": aside, "called": name, "deleted": hand.at}
            connection.execute(sa.insert(table).values(dict(known) | gone))
            connection.execute(sa.update(trial).where(trial.c.study == name).values(study=aside))
            running = trial.c.ended.is_(None)
            connection.execute(sa.update(trial).where(trial.c.study == aside, running).values(ended=hand.at))
            connection.execute(sa.delete(table).where(table.c.name == name))
            write_down(connection, hand, "study-deleted", study=name, before=aside)

    def restore_study(self, name: str, hand: Hand) -> None:
        """Bring back the study of that name that was deleted last, with all that it had. No trial of it runs.

        Raises UsageError where none was deleted, or the name is in use again.
        """
        table, trial = schema.study, schema.trial
        with self._database.write() as connection:
            deleted = (
                sa.select(table).where(table.c.called == name).order_by(table.c.deleted.desc(), table.c.name.desc())
            )
            row = connection.execute(deleted).mappings().first()
            if row is None:
                self._study_row(connection, name)
                raise UsageError(f"study '{name}' is there: it was not deleted")
            if connection.execute(sa.select(table.c.name).where(table.c.name == name)).first() is not None:
                raise UsageError(f"there is a study '{name}' again: delete that one first, or leave this one deleted")
            back = {"name": name, "called": None, "deleted": None}
            connection.execute(sa.insert(table).values(dict(row) | back))
            connection.execute(sa.update(trial).where(trial.c.study == row["name"]).values(study=name))
            connection.execute(sa.delete(table).where(table.c.name == row["name"]))
            write_down(connection, hand, "study-restored", study=name, before=row["name"])

    def deleted_studies(self) -> list[DeletedStudy]:
        """Studies that were deleted and can be brought back, by the name that they had, the last one first."""
        table, trial = schema.study, schema.trial
        count = sa.select(sa.func.count()).where(trial.c.study == table.c.name).scalar_subquery()
        query = sa.select(table.c.called, table.c.deleted, count).where(table.c.deleted.is_not(None))
        with self._database.read() as connection:
            rows = connection.execute(query.order_by(table.c.deleted.desc(), table.c.name.desc())).all()
        return [DeletedStudy(name=called, deleted=deleted, trials=trials) for called, deleted, trials in rows]

    def deleted_trials(self) -> list[DeletedTrial]:
        """Trials that were deleted by themselves, in the order they were started."""
        table = schema.trial
        query = sa.select(table.c.id, table.c.study, table.c.deleted).where(table.c.deleted.is_not(None))
        with self._database.read() as connection:
            rows = connection.execute(query.order_by(table.c.number)).all()
        return [DeletedTrial(id=trial, study=study, deleted=deleted) for trial, study, deleted in rows]
