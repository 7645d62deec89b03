"""Boots read from the store, in SQL that SQLite and PostgreSQL both take as it stands.

Two read so: the store itself, and `quick`, which lists boots before a database library would have been imported.
"""

from __future__ import annotations

import json
import os
from abc import abstractmethod
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, TypeAlias

from benchd.errors import UsageError
from benchd.vocabulary.models import Boot, Check, Finding, Outcome, Stage

MAX_CANDIDATES = 6
BOOT_FIELDS = {
    name: "table_name" if name == "table" else name
    for name in Boot.model_fields
    if name not in ("stages", "findings", "checks")
}
"""Field of the model: column of the table."""
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_JSON = ("blind", "measured", "try_")
_NEWEST = "ORDER BY started_us DESC, id DESC"

Rows: TypeAlias = Sequence[Mapping[str, Any]]
Ask: TypeAlias = Callable[..., Rows]
"""`ask(sql, name=value, ...)`: the rows that a query with `:name` in it gives."""


class BootReading:
    """What can be asked of stored boots."""

    _data: Path | None

    @abstractmethod
    def _asking(self) -> AbstractContextManager[Ask]:
        """Return one consistent view of the store, to ask."""

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
        if limit is not None and limit < 0:
            raise UsageError(f"a limit of {limit} boots cannot be; give 0 or more")
        given: dict[str, Any] = {"machine": machine, "trial": trial, "outcome": outcome}
        wanted = [f"{name} = :{name}" for name, value in given.items() if value is not None]
        if since is not None:
            given["since"] = microseconds(since)
            wanted.append("started_us >= :since")
        if before is not None:
            given["before"] = before
            wanted.append("(started_us, id) < ((SELECT started_us FROM boot WHERE id = :before), :before)")
        ids = f"SELECT id FROM boot{' WHERE ' if wanted else ''}{' AND '.join(wanted)}"
        if limit is not None:
            given["most"] = limit
            ids += f" {_NEWEST} LIMIT :most"
        with self._asking() as ask:
            found = load(ask, ids, **{name: value for name, value in given.items() if value is not None})
        return found[::-1] if newest_first else found

    def boot(self, id_or_unique_prefix: str) -> Boot:
        """One boot. Raises UsageError when no boot or several boots are meant, and names candidates."""
        with self._asking() as ask:
            whole = boot_id(ask, id_or_unique_prefix)
            return load(ask, "SELECT id FROM boot WHERE id = :whole", whole=whole)[0]

    def newest_measured(self, machine: str | None = None) -> Boot | None:
        """The newest boot with a report, of a machine or of any; None where there is none."""
        own, given = ("", {}) if machine is None else (" AND machine = :machine", {"machine": machine})
        with self._asking() as ask:
            ids = f"SELECT id FROM boot WHERE measured IS NOT NULL{own} {_NEWEST} LIMIT 1"
            return next(iter(load(ask, ids, **given)), None)

    def machines(self) -> list[str]:
        """The names of all machines that boots are stored of, sorted."""
        with self._asking() as ask:
            return sorted(row["machine"] for row in ask("SELECT DISTINCT machine FROM boot"))

    def capture_of(self, boot: str) -> str | None:
        """The capture file that the boot began in, if known. Takes a unique prefix too."""
        with self._asking() as ask:
            known = ask("SELECT capture FROM boot WHERE id = :whole", whole=boot_id(ask, boot))[0]["capture"]
        return str(self._data / known) if known is not None and self._data is not None else known

    def closed_reason(self, boot: str) -> str | None:
        """Why `close_running` closed the boot, None if it ended by itself. Takes a unique prefix too."""
        with self._asking() as ask:
            found = ask("SELECT closed_reason FROM boot WHERE id = :whole", whole=boot_id(ask, boot))[0]
        return None if found["closed_reason"] is None else str(found["closed_reason"])

    def boots_of_capture(self, capture: str) -> list[Boot]:
        """The boots that began in a capture file, in order of start."""
        with self._asking() as ask:
            return load(ask, "SELECT id FROM boot WHERE capture = :file", file=self._inside(capture))

    def is_foretold(self, trial: str) -> bool:
        """Whether a prediction is stored for a trial."""
        with self._asking() as ask:
            return bool(ask("SELECT 1 AS there FROM prediction WHERE trial = :trial LIMIT 1", trial=trial))

    def _inside(self, capture: str | None) -> str | None:
        """A path in the data folder relative to it, so that the folder may be moved; others as they are."""
        if capture is None or self._data is None or not os.path.isabs(capture):
            return capture
        path = Path(os.path.abspath(capture))
        return path.relative_to(self._data).as_posix() if path.is_relative_to(self._data) else capture


def boot_id(ask: Ask, prefix: str) -> str:
    """Return the id that is meant by a whole id or the beginning of one. Raises UsageError, naming candidates."""
    if ask("SELECT id FROM boot WHERE id = :prefix", prefix=prefix):
        return prefix
    query = f"SELECT id FROM boot WHERE substr(id, 1, :length) = :prefix {_NEWEST} LIMIT :most"
    found = [row["id"] for row in ask(query, prefix=prefix, length=len(storable(prefix)), most=MAX_CANDIDATES)]
    if len(found) == 1:
        return str(found[0])
    if not found:
        raise UsageError(f"there is no boot '{prefix}'; `benchd boots` lists them")
    more = ", ..." if len(found) == MAX_CANDIDATES else ""
    raise UsageError(f"'{prefix}' could be boot {', '.join(found)}{more}; give more of its name")


def load(ask: Ask, ids: str, **given: Any) -> list[Boot]:
    """The boots whose ids the query `ids` selects, oldest first, in four queries however many they are."""
    stages, findings, checks = (
        _parts(ask, table, tuple(model.model_fields), ids, given)
        for table, model in (("stage", Stage), ("finding", Finding), ("boot_check", Check))
    )
    columns = ", ".join(BOOT_FIELDS.values())
    rows = ask(f"SELECT {columns} FROM boot WHERE id IN ({ids}) ORDER BY started_us, id", **given)
    return [
        Boot(
            **{name: _read(column, row[column]) for name, column in BOOT_FIELDS.items()},
            stages=[Stage(**part) for part in stages[row["id"]]],
            findings=[Finding(**part) for part in findings[row["id"]]],
            checks=[Check(**part) for part in checks[row["id"]]],
        )
        for row in rows
    ]


def _parts(
    ask: Ask, table: str, columns: Sequence[str], ids: str, given: Mapping[str, Any]
) -> dict[str, list[dict[str, Any]]]:
    found: dict[str, list[dict[str, Any]]] = defaultdict(list)
    query = f"SELECT boot, {', '.join(columns)} FROM {table} WHERE boot IN ({ids}) ORDER BY boot, position"
    for row in ask(query, **given):
        found[row["boot"]].append({name: _read(name, row[name]) for name in columns})
    return found


def _read(column: str, value: Any) -> Any:
    """A value as the models take it: one database gives JSON as it is stored, the other gives what it means."""
    return json.loads(value) if column in _JSON and isinstance(value, str) else value


def storable(text: str) -> str:
    """Return text that every database takes.

    PostgreSQL refuses NUL and lone surrogates, and text from the wire may hold them: NUL becomes U+2400 (its
    picture), a surrogate its escape. The same is done for SQLite, so that both stores show the same.
    """
    return text.replace("\0", "\u2400").encode("utf-8", "backslashreplace").decode("utf-8")


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
