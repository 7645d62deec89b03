"""Studies, trials, images and predictions in the store: what cannot be rebuilt from captures."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import sqlalchemy as sa
from pydantic import ValidationError

from benchd.checkwords import first_words
from benchd.errors import UsageError
from benchd.store import schema
from benchd.store.boots import MAX_CANDIDATES, microseconds
from benchd.store.database import Database
from benchd.store.deleting import Deleting
from benchd.store.log import draw, write_down
from benchd.store.marks import gone_trials
from benchd.store.study_models import Hand, StoredImage, StoredPrediction, StoredStudy, Trial

NAME_MOST = 60


class Studies(Deleting):
    """The part of `Store` about studies. Times are ISO 8601 with zone and come from the caller.

    What was deleted is not there, except for `restore_trial` and `restore_study`.
    """

    _database: Database

    def save_study(self, study: StoredStudy, hand: Hand | None = None) -> None:
        """Store `study` in place of the one of that name, if any; `created` stays what it was first."""
        _check_json(f"study '{study.name}'", study.document)
        table = schema.study
        with self._database.write() as connection:
            known = connection.execute(sa.select(table).where(table.c.name == study.name)).mappings().first()
            if known is not None and known["deleted"] is not None:
                raise UsageError(f"'{study.name}' is the name of a deleted study; take another one")
            if known is None or known["document"] != study.document:
                write_down(connection, hand, "study-made" if known is None else "study-edited", study=study.name)
            connection.execute(self._database.upsert(schema.study, study.model_dump(), leave=("created",)))

    def study(self, name: str) -> StoredStudy:
        """One study. Raises UsageError when there is none of that name, and names those there are."""
        with self._database.read() as connection:
            return _study(self._study_row(connection, name))

    def studies(self) -> list[StoredStudy]:
        """All studies, the one edited last first."""
        with self._database.read() as connection:
            query = sa.select(schema.study).where(schema.study.c.deleted.is_(None))
            found = [_study(row) for row in connection.execute(query).mappings()]
        return sorted(found, key=lambda study: (-microseconds(study.edited), study.name))

    def start_trial(
        self,
        *,
        study: str,
        machine: str,
        setup: Mapping[str, str],
        changed: Mapping[str, str],
        started: str,
        note: str = "",
        reseated: bool = False,
        rested_s: float | None = None,
        name: str = "",
        hand: Hand | None = None,
    ) -> Trial:
        """Begin a trial on `machine`; the one that ran there ends at the same moment."""
        table = schema.trial
        with self._database.write() as connection:
            self._study_row(connection, study)
            number = draw(connection, "trial")
            trial = _new_trial(
                id=f"T{number}",
                study=study,
                machine=machine,
                setup=dict(setup),
                changed=dict(changed),
                started=started,
                note=note,
                reseated=reseated,
                rested_s=rested_s,
                name=name,
            )
            ran = sa.update(table).where(table.c.machine == machine, table.c.ended.is_(None)).values(ended=started)
            for row in connection.execute(ran.returning(table.c.id, table.c.study)).all():
                write_down(connection, hand, "trial-ended", trial=row.id, study=row.study, after=started)
            connection.execute(sa.insert(table).values(number=number, **_columns(trial)))
            write_down(connection, hand, "trial-started", trial=trial.id, study=study, after=_setup_words(setup))
        return trial

    def current_trial(self, machine: str) -> Trial | None:
        """The trial that runs on `machine`, which boots seen now belong to."""
        table = schema.trial
        with self._database.read() as connection:
            row = (
                connection.execute(sa.select(table).where(table.c.machine == machine, table.c.ended.is_(None)))
                .mappings()
                .first()
            )
        return None if row is None else _trial(row)

    def end_trial(self, trial_id: str, ended: str, hand: Hand | None = None) -> Trial:
        """End the trial; one that has ended keeps its end."""
        microseconds(ended)
        table = schema.trial
        with self._database.write() as connection:
            known = self._trial_row(connection, trial_id)
            if known["ended"] is None:
                connection.execute(sa.update(table).where(table.c.id == trial_id).values(ended=ended))
                write_down(connection, hand, "trial-ended", trial=trial_id, study=known["study"], after=ended)
            return _trial(self._trial_row(connection, trial_id))

    def resume_trial(self, trial_id: str, hand: Hand | None = None) -> Trial:
        """Let a trial that ended run again. Raises UsageError where it runs, or another one does on its machine."""
        table = schema.trial
        with self._database.write() as connection:
            known = self._trial_row(connection, trial_id)
            if known["ended"] is None:
                raise UsageError(f"trial {trial_id} did not end: it runs on {known['machine']}")
            runs = sa.select(table.c.id).where(table.c.machine == known["machine"], table.c.ended.is_(None))
            if (other := connection.execute(runs).scalar()) is not None:
                raise UsageError(
                    f"trial {other} runs on {known['machine']}: end it first with `benchd trial end {other}`"
                )
            connection.execute(sa.update(table).where(table.c.id == trial_id).values(ended=None))
            write_down(connection, hand, "trial-resumed", trial=trial_id, study=known["study"], before=known["ended"])
            return _trial(self._trial_row(connection, trial_id))

    def note_trial(self, trial_id: str, text: str, hand: Hand | None = None) -> Trial:
        """Add `text` as a new line to the trial's note."""
        table = schema.trial
        with self._database.write() as connection:
            known = self._trial_row(connection, trial_id)
            whole = f"{known['note']}\n{text}" if known["note"] else text
            connection.execute(sa.update(table).where(table.c.id == trial_id).values(note=whole))
            write_down(connection, hand, "trial-noted", trial=trial_id, study=known["study"], after=text)
            return _trial(self._trial_row(connection, trial_id))

    def name_trial(self, trial_id: str, name: str, hand: Hand | None = None) -> Trial:
        """Give the trial a name beside its id, which stays; "" takes it away. Raises UsageError for what is none."""
        name = " ".join(name.split())
        if len(name) > NAME_MOST:
            raise UsageError(f"a trial's name has at most {NAME_MOST} characters, not {len(name)}")
        table = schema.trial
        with self._database.write() as connection:
            known = self._trial_row(connection, trial_id)
            connection.execute(sa.update(table).where(table.c.id == trial_id).values(name=name))
            if known["name"] != name:
                places = {"before": known["name"] or None, "after": name or None}
                write_down(connection, hand, "trial-named", trial=trial_id, study=known["study"], **places)
            return _trial(self._trial_row(connection, trial_id))

    def trial(self, trial_id: str) -> Trial:
        """One trial. Raises UsageError when there is none of that id, and names the latest."""
        with self._database.read() as connection:
            return _trial(self._trial_row(connection, trial_id))

    def trials(self, *, study: str | None = None, machine: str | None = None) -> list[Trial]:
        """Trials in the order they were started."""
        query = sa.select(schema.trial).where(schema.trial.c.id.not_in(gone_trials())).order_by(schema.trial.c.number)
        if study is not None:
            query = query.where(schema.trial.c.study == study)
        if machine is not None:
            query = query.where(schema.trial.c.machine == machine)
        with self._database.read() as connection:
            if study is not None:
                self._study_row(connection, study)
            return [_trial(row) for row in connection.execute(query).mappings()]

    def add_image(self, image: StoredImage) -> None:
        """Store what is known of a ROM image; the same bytes under a new name take that name."""
        with self._database.write() as connection:
            connection.execute(self._database.upsert(schema.image, image.model_dump()))

    def image(self, sha256_or_unique_prefix: str) -> StoredImage:
        """One image. Raises UsageError when none or several are meant."""
        table, prefix = schema.image, sha256_or_unique_prefix.lower()
        with self._database.read() as connection:
            rows = (
                connection.execute(
                    sa.select(table)
                    .where(sa.func.substr(table.c.sha256, 1, len(prefix)) == prefix)
                    .order_by(table.c.sha256)
                    .limit(MAX_CANDIDATES)
                )
                .mappings()
                .all()
            )
        if len(rows) == 1:
            return StoredImage(**rows[0])
        if not rows:
            raise UsageError(f"there is no image with SHA-256 {prefix}...; add it from its file first")
        names = ", ".join(f"{row['sha256'][:16]} ({row['name']})" for row in rows)
        raise UsageError(f"'{prefix}' could be image {names}; give more of its SHA-256")

    def images(self) -> list[StoredImage]:
        """All images, by name."""
        table = schema.image
        with self._database.read() as connection:
            rows = connection.execute(sa.select(table)).mappings().all()
        return sorted((StoredImage(**row) for row in rows), key=lambda image: (image.name, image.sha256))

    def add_prediction(self, trial_id: str, document: Mapping[str, Any], made: str) -> StoredPrediction:
        """Store what is foretold for a trial."""
        _check_json(f"prediction for {trial_id}", document)
        microseconds(made)
        with self._database.write() as connection:
            self._trial_row(connection, trial_id)
            number = connection.execute(
                sa.insert(schema.prediction)
                .values(trial=trial_id, document=dict(document), made=made)
                .returning(schema.prediction.c.id)
            ).scalar_one()
        return StoredPrediction(id=number, trial=trial_id, document=dict(document), made=made)

    def predictions(self, trial_id: str) -> list[StoredPrediction]:
        """Predictions for a trial in the order they were made."""
        table = schema.prediction
        query = sa.select(table).where(table.c.trial == trial_id).order_by(table.c.id)
        with self._database.read() as connection:
            self._trial_row(connection, trial_id)
            return [StoredPrediction(**row) for row in connection.execute(query).mappings()]

    def _study_row(self, connection: sa.Connection, name: str) -> Mapping[str, Any]:
        table = schema.study
        there_is = table.c.deleted.is_(None)
        row = connection.execute(sa.select(table).where(table.c.name == name, there_is)).mappings().first()
        if row is None:
            deleted = sa.select(table.c.name).where(table.c.called == name, table.c.deleted.is_not(None))
            if connection.execute(deleted).first() is not None:
                raise UsageError(f"study '{name}' was deleted: `benchd study restore {name}` brings it back")
            known = list(connection.execute(sa.select(table.c.name).where(there_is).order_by(table.c.name)).scalars())
            there = (
                f"there are {', '.join(known[:12])}"
                if known
                else "there is none yet: `benchd study new NAME` makes one"
            )
            raise UsageError(f"there is no study '{name}'; {there}")
        return dict(row)

    def _trial_row(self, connection: sa.Connection, trial_id: str) -> Mapping[str, Any]:
        table = schema.trial
        row = connection.execute(sa.select(table).where(table.c.id == trial_id)).mappings().first()
        if row is not None and row["deleted"] is not None:
            raise UsageError(f"trial {trial_id} was deleted: `benchd trial restore {trial_id}` brings it back")
        there_is = table.c.id.not_in(gone_trials())
        if (
            row is None
            or connection.execute(sa.select(table.c.id).where(table.c.id == trial_id, there_is)).first() is None
        ):
            newest = sa.select(table.c.id).where(there_is).order_by(table.c.number.desc()).limit(MAX_CANDIDATES)
            latest = list(connection.execute(newest).scalars())
            there = f"the latest are {', '.join(latest)}" if latest else "none was started yet"
            raise UsageError(f"there is no trial '{trial_id}'; {there}")
        return dict(row)


def _study(row: Mapping[Any, Any]) -> StoredStudy:
    return StoredStudy(**{name: row[name] for name in StoredStudy.model_fields})


def _columns(trial: Trial) -> dict[str, Any]:
    return {name: getattr(trial, name) for name in Trial.model_fields}


def _setup_words(setup: Mapping[str, str]) -> str:
    return ", ".join(f"{factor}={level}" for factor, level in setup.items())


def _trial(row: Mapping[Any, Any]) -> Trial:
    return Trial(**{name: row[name] for name in Trial.model_fields})


def _new_trial(**values: Any) -> Trial:
    try:
        return Trial(**values)
    except ValidationError as error:
        raise UsageError(f"trial: {first_words(error)}") from error


def _check_json(what: str, document: Mapping[str, Any]) -> None:
    try:
        json.dumps(document, allow_nan=False)
    except (TypeError, ValueError) as error:
        raise UsageError(f"{what} cannot be stored as JSON: {error}") from error
