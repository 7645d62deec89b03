"""Results of checks in the store: entered, taken back, put back. A number is given to one result only."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from benchd.errors import UsageError
from benchd.store import schema
from benchd.store.database import Database
from benchd.store.log import draw, write_down
from benchd.store.marks import chosen, gone_trials, moved
from benchd.store.study_models import Hand, Result


def _counts_for() -> sa.ColumnElement[Any]:
    """The trial that a result counts for: that of its boot where a person moved it, else the one it was entered for."""
    result, boot = schema.result, schema.boot
    told = sa.select(boot.c.trial).where(boot.c.id == result.c.boot).scalar_subquery()
    return sa.case((moved(result.c.boot), chosen(result.c.boot)), else_=sa.func.coalesce(result.c.trial, told))


class Results:
    """The part of `Store` about results."""

    _database: Database

    if TYPE_CHECKING:  # in other parts of `Store`

        def _trial_row(self, connection: sa.Connection, trial_id: str) -> Mapping[str, Any]: ...

    def add_result(self, result: Result, hand: Hand | None = None) -> Result:
        """Store a result; the returned one has its id. Raises UsageError for an unknown trial."""
        return self.add_results([result], hand)[0]

    def add_results(self, results: list[Result], hand: Hand | None = None) -> list[Result]:
        """Store all of `results` or, if one names an unknown trial, none."""
        stored = []
        with self._database.write() as connection:
            studies = {
                trial: self._trial_row(connection, trial)["study"]
                for trial in dict.fromkeys(result.trial for result in results)
                if trial is not None
            }
            for result in results:
                number = draw(connection, "result")
                values = result.model_dump(exclude={"id", "check"}) | {"name": result.check, "id": number}
                connection.execute(sa.insert(schema.result).values(values | {"left_out": result.left_out}))
                stored.append(result.model_copy(update={"id": number}))
                write_down(
                    connection, hand, "result-entered", result=number, trial=result.trial, boot=result.boot,
                    study=studies.get(str(result.trial)), after=_words(result.check, result.passed),
                )  # fmt: skip
        return stored

    def results(
        self,
        *,
        study: str | None = None,
        trial: str | None = None,
        boot: str | None = None,
        outside: bool = False,
        taken_back: bool = False,
    ) -> list[Result]:
        """Results in the order they were entered; `study` means those of its trials.

        `outside`: those for boots that belong to no trial. `taken_back`: those that were taken back, instead of those
        that were not.
        """
        table = schema.result
        own = sa.select(*table.c, _counts_for().label("own")).subquery()
        there = sa.case((own.c.own.in_(gone_trials()), None), else_=own.c.own)
        query = sa.select(*own.c, there.label("counts_for")).order_by(own.c.id)
        query = query.where(own.c.taken_back.is_not(None) if taken_back else own.c.taken_back.is_(None))
        query = query.where(sa.or_(there.is_not(None), own.c.boot.is_not(None)))
        if study is not None:
            query = query.where(there.in_(sa.select(schema.trial.c.id).where(schema.trial.c.study == study)))
        if trial is not None:
            query = query.where(there == trial)
        if boot is not None:
            query = query.where(own.c.boot == boot)
        if outside:
            query = query.where(there.is_(None))
        with self._database.read() as connection:
            rows = connection.execute(query).mappings().all()
        return [_result(row) for row in rows]

    def take_back(self, result_id: int, hand: Hand) -> Result:
        """Take back a result entered by mistake: it counts nowhere until it is put back.

        Raises UsageError when there is none of that number, or it is taken back already.
        """
        return self._take(result_id, hand, back=True)

    def put_back(self, result_id: int, hand: Hand) -> Result:
        """Put back a result that was taken back. Raises UsageError when there is none, or it counts."""
        return self._take(result_id, hand, back=False)

    def _take(self, result_id: int, hand: Hand, *, back: bool) -> Result:
        table = schema.result
        with self._database.write() as connection:
            row = connection.execute(
                sa.select(table, _counts_for().label("counts_for")).where(table.c.id == result_id)
            ).mappings().one_or_none()  # fmt: skip
            if row is None:
                raise UsageError(f"there is no result {result_id}; nothing was changed")
            counts = row["taken_back"] is None and row["left_out"] is None
            if back and row["taken_back"] is not None:
                raise UsageError(f"result {result_id} is taken back already; --put-back {result_id} puts it back")
            if not back and counts:
                raise UsageError(f"result {result_id} was not taken back: it counts")
            taken = {"taken_back": hand.at} if back else {"taken_back": None, "left_out": None}
            connection.execute(sa.update(table).where(table.c.id == result_id).values(taken))
            trial = row["counts_for"]
            found = sa.select(schema.trial.c.study).where(schema.trial.c.id == trial)
            words = _words(row["name"], row["passed"])
            write_down(
                connection, hand, "result-taken-back" if back else "result-put-back", result=result_id, trial=trial,
                boot=row["boot"], study=connection.execute(found).scalar(), before=words if back else None,
                after=None if back else words,
            )  # fmt: skip
            return _result(row).model_copy(update={} if back else {"left_out": None})


def _words(check: str, passed: bool) -> str:
    return f"{check} {'passed' if passed else 'failed'}"


def _result(row: Mapping[Any, Any]) -> Result:
    values = {name: row[name] for name in Result.model_fields if name not in ("check", "trial")}
    return Result(check=row["name"], trial=row["counts_for"], **values)
