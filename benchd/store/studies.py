"""Studies, trials, results, images and predictions in the store: what cannot be rebuilt from captures."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import sqlalchemy as sa
from pydantic import ValidationError

from benchd.errors import UsageError
from benchd.store import schema
from benchd.store.boots import MAX_CANDIDATES, microseconds
from benchd.store.database import Database
from benchd.store.study_models import Result, StoredImage, StoredPrediction, StoredStudy, Trial


class Studies:
    """The part of `Store` about studies. Times are ISO 8601 with zone and come from the caller."""

    _database: Database

    def save_study(self, study: StoredStudy) -> None:
        """Store `study` in place of the one of that name, if any; `created` stays what it was first."""
        _check_json(f"study '{study.name}'", study.document)
        with self._database.write() as connection:
            connection.execute(self._database.upsert(schema.study, study.model_dump(), leave=("created",)))

    def study(self, name: str) -> StoredStudy:
        """One study. Raises UsageError when there is none of that name, and names those there are."""
        with self._database.read() as connection:
            return StoredStudy(**self._study_row(connection, name))

    def studies(self) -> list[StoredStudy]:
        """All studies, the one edited last first."""
        with self._database.read() as connection:
            found = [StoredStudy(**row) for row in connection.execute(sa.select(schema.study)).mappings()]
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
    ) -> Trial:
        """Begin a trial on `machine`; the one that ran there ends at the same moment."""
        table = schema.trial
        with self._database.write() as connection:
            self._study_row(connection, study)
            number = connection.execute(
                sa.update(schema.counter)
                .where(schema.counter.c.name == "trial")
                .values(last=schema.counter.c.last + 1)
                .returning(schema.counter.c.last)
            ).scalar_one()
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
            )
            connection.execute(
                sa.update(table).where(table.c.machine == machine, table.c.ended.is_(None)).values(ended=started)
            )
            connection.execute(sa.insert(table).values(number=number, **trial.model_dump()))
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

    def end_trial(self, trial_id: str, ended: str) -> Trial:
        """End the trial; one that has ended keeps its end."""
        microseconds(ended)
        table = schema.trial
        with self._database.write() as connection:
            self._trial_row(connection, trial_id)
            connection.execute(
                sa.update(table).where(table.c.id == trial_id, table.c.ended.is_(None)).values(ended=ended)
            )
            return _trial(self._trial_row(connection, trial_id))

    def note_trial(self, trial_id: str, text: str) -> Trial:
        """Add `text` as a new line to the trial's note."""
        table = schema.trial
        with self._database.write() as connection:
            before = _trial(self._trial_row(connection, trial_id)).note
            note = f"{before}\n{text}" if before else text
            connection.execute(sa.update(table).where(table.c.id == trial_id).values(note=note))
            return _trial(self._trial_row(connection, trial_id))

    def trial(self, trial_id: str) -> Trial:
        """One trial. Raises UsageError when there is none of that id, and names the latest."""
        with self._database.read() as connection:
            return _trial(self._trial_row(connection, trial_id))

    def trials(self, *, study: str | None = None, machine: str | None = None) -> list[Trial]:
        """Trials in the order they were started."""
        query = sa.select(schema.trial).order_by(schema.trial.c.number)
        if study is not None:
            query = query.where(schema.trial.c.study == study)
        if machine is not None:
            query = query.where(schema.trial.c.machine == machine)
        with self._database.read() as connection:
            if study is not None:
                self._study_row(connection, study)
            return [_trial(row) for row in connection.execute(query).mappings()]

    def add_result(self, result: Result) -> Result:
        """Store a result; the returned one has its id. Raises UsageError for an unknown trial."""
        return self.add_results([result])[0]

    def add_results(self, results: list[Result]) -> list[Result]:
        """Store all of `results` or, if one names an unknown trial, none."""
        stored = []
        with self._database.write() as connection:
            for trial_id in dict.fromkeys(result.trial for result in results):
                if trial_id is not None:
                    self._trial_row(connection, trial_id)
            for result in results:
                values = result.model_dump(exclude={"id", "check"}) | {"name": result.check}
                number = connection.execute(
                    sa.insert(schema.result).values(values).returning(schema.result.c.id)
                ).scalar_one()
                stored.append(result.model_copy(update={"id": number}))
        return stored

    def results(self, *, study: str | None = None, trial: str | None = None, boot: str | None = None) -> list[Result]:
        """Results in the order they were entered; `study` means those of its trials."""
        table = schema.result
        query = sa.select(table).order_by(table.c.id)
        if study is not None:
            of_study = sa.select(schema.trial.c.id).where(schema.trial.c.study == study)
            query = query.where(table.c.trial.in_(of_study))
        if trial is not None:
            query = query.where(table.c.trial == trial)
        if boot is not None:
            query = query.where(table.c.boot == boot)
        with self._database.read() as connection:
            rows = connection.execute(query).mappings().all()
        kept = [{key: value for key, value in row.items() if key not in ("name", "entered_for")} for row in rows]
        return [Result(check=row["name"], **own) for row, own in zip(rows, kept, strict=True)]

    def delete_result(self, result_id: int) -> None:
        """Take back a result entered by mistake. Raises UsageError when there is none."""
        with self._database.write() as connection:
            done = connection.execute(sa.delete(schema.result).where(schema.result.c.id == result_id))
            if done.rowcount == 0:
                raise UsageError(f"there is no result {result_id}; nothing was deleted")

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
        row = connection.execute(sa.select(table).where(table.c.name == name)).mappings().first()
        if row is None:
            known = list(connection.execute(sa.select(table.c.name).order_by(table.c.name)).scalars())
            there = f"there are {', '.join(known[:12])}" if known else "there is none yet: `benchd study` makes one"
            raise UsageError(f"there is no study '{name}'; {there}")
        return dict(row)

    def _trial_row(self, connection: sa.Connection, trial_id: str) -> Mapping[str, Any]:
        table = schema.trial
        row = connection.execute(sa.select(table).where(table.c.id == trial_id)).mappings().first()
        if row is None:
            latest = list(
                connection.execute(
                    sa.select(table.c.id).order_by(table.c.number.desc()).limit(MAX_CANDIDATES)
                ).scalars()
            )
            there = f"the latest are {', '.join(latest)}" if latest else "none was started yet"
            raise UsageError(f"there is no trial '{trial_id}'; {there}")
        return dict(row)


def _trial(row: Mapping[Any, Any]) -> Trial:
    return Trial(**{name: row[name] for name in Trial.model_fields})


def _new_trial(**values: Any) -> Trial:
    try:
        return Trial(**values)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise UsageError(f"trial: {where}: {first['msg']}") from error


def _check_json(what: str, document: Mapping[str, Any]) -> None:
    try:
        json.dumps(document, allow_nan=False)
    except (TypeError, ValueError) as error:
        raise UsageError(f"{what} cannot be stored as JSON: {error}") from error
