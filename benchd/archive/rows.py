"""What people entered at a bench, row by row: checked, and named as in the archive. Pure.

A row is refused rather than stored where the store could not read it again: one bad row would break every list.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa
from pydantic import BaseModel, ValidationError

from benchd.archive.names import FROM_FILES, number_there, there, there_or_none
from benchd.checkwords import first_words
from benchd.store import schema
from benchd.store.schema import VERSIONS
from benchd.store.study_models import LogEntry, Result, StoredImage, StoredPrediction, StoredStudy, Trial

KEY_MOST = 400
"""Characters of a key."""
WHOLE_MOST = 1 << 62
"""The largest whole number in a column: eight bytes, signed (PostgreSQL 15 documentation, 8.1.1), with room."""


@dataclass(frozen=True, slots=True)
class Row:
    """A row of a bench's store; `values` as the bench has them, None: it is gone. `key`: as the archive keeps it."""

    table: str
    key: tuple[Any, ...]
    values: Mapping[str, Any] | None

    @property
    def key_text(self) -> str:
        return json.dumps(self.key, separators=(",", ":"))


_TABLES = {
    name: schema.metadata.tables[name]
    for name in ("study", "trial", "result", "boot_mark", "image", "prediction", "change")
}


def row_told(version: str, table: str, key: str, row: Mapping[str, Any] | None, bench: str) -> Row:
    """Return an entry's row. Raises ValueError, saying what is wrong, for one that could not be read again."""
    if version not in VERSIONS:
        raise ValueError(f"schema {version[:20]!r} is not known here (up to {VERSIONS[-1]}): is this benchd older?")
    known = _TABLES[table]
    found = Row(table, _key(known, key), None if row is None else _values(known, row))
    if found.values is not None:
        names = [column.name for column in known.primary_key.columns]
        if tuple(found.values[name] for name in names) != found.key:
            raise ValueError("its key is not that of its row")
        json.dumps(found.values, allow_nan=False)  # raises ValueError for numbers that JSON has not
        _readable(table, placed(found, bench, 1) or {})
    return found


def _key(table: sa.Table, text: str) -> tuple[Any, ...]:
    if len(text) > KEY_MOST:
        raise ValueError(f"a key of {len(text)} characters; at most {KEY_MOST} are taken")
    try:
        told = json.loads(text)
    except (ValueError, RecursionError):
        raise ValueError("its key is not JSON") from None
    columns = list(table.primary_key.columns)
    if isinstance(told, dict):
        told = [told.get(column.name) for column in columns]
    values = told if isinstance(told, list) else [told]
    if len(values) != len(columns):
        raise ValueError(f"its key has {len(values)} parts, {table.name} has {len(columns)}")
    return tuple(_value(column, value) for column, value in zip(columns, values, strict=True))


def _values(table: sa.Table, row: Mapping[str, Any]) -> dict[str, Any]:
    for name in row:
        if name not in table.c:
            raise ValueError(f"{table.name} has no column {name[:40]!r}")
    out: dict[str, Any] = {}
    for column in table.columns:
        if column.name in row:
            out[column.name] = _value(column, row[column.name])
        elif column.server_default is None and not column.nullable:
            raise ValueError(f"{column.name}: is missing")
    return out


def _value(column: sa.Column[Any], value: Any) -> Any:
    """A value of a column's own type. Raises ValueError for any other."""
    if value is None:
        if column.nullable:
            return None
        raise ValueError(f"{column.name}: is missing")
    for kind, fits in _FITS:
        if isinstance(column.type, kind):
            if fits(value):
                return bool(value) if isinstance(column.type, sa.Boolean) else value
            raise ValueError(f"{column.name}: {type(value).__name__} is no value of its type")
    return value  # JSON: anything


def _whole(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and abs(value) <= WHOLE_MOST


_FITS: tuple[tuple[Any, Callable[[Any], bool]], ...] = (
    (sa.Boolean, lambda value: value in (0, 1) and not isinstance(value, float)),
    (sa.Integer, _whole),
    (sa.Double, lambda value: isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)),
    (schema.SafeText, lambda value: isinstance(value, str)),
)


def placed(row: Row, bench: str, share: int) -> dict[str, Any] | None:
    """Return a row's values as the archive keeps them: names with their bench, numbers in its share.

    None where the row is gone. Raises ValueError for a number beyond a share.
    """
    return None if row.values is None else _placed(row.table, row.values, bench, share)


def placed_key(row: Row, bench: str, share: int) -> dict[str, Any]:
    """Return the primary key of a row in the archive, by column. Raises ValueError for a number beyond a share."""
    columns = [column.name for column in _TABLES[row.table].primary_key.columns]
    return _placed(row.table, dict(zip(columns, row.key, strict=True)), bench, share)


_NAMED: dict[str, tuple[str, ...]] = {
    "study": ("name", "called"),
    "trial": ("id", "study"),
    "result": ("trial", "boot", "entered_for"),
    "boot_mark": ("made_for", "boot", "trial"),
    "image": (),
    "prediction": ("trial",),
    "change": ("study", "trial", "boot"),
}
"""Columns that hold an id."""
_NUMBERED: dict[str, tuple[str, ...]] = {
    "trial": ("number",),
    "result": ("id",),
    "prediction": ("id",),
    "change": ("number", "result"),
}


def _placed(table: str, values: Mapping[str, Any], bench: str, share: int) -> dict[str, Any]:
    out = dict(values)
    for name in _NAMED[table]:
        if name in out:
            out[name] = there_or_none(out[name], bench)
    for name in _NUMBERED.get(table, ()):
        if out.get(name) is not None:
            out[name] = number_there(out[name], share)
    if table == "trial" and "machine" in out and out["machine"] != FROM_FILES:
        out["machine"] = there(out["machine"], bench)
    if table == "change" and out.get("kind") == "boot-moved":  # these name trials
        out |= {name: there_or_none(out.get(name), bench) for name in ("before", "after")}
    if table == "change" and out.get("kind") in ("study-deleted", "study-restored"):  # and this the study's other name
        out["before"] = there_or_none(out.get("before"), bench)
    return out


def _readable(table: str, values: Mapping[str, Any]) -> None:
    """Raise ValueError for a row that the store would refuse to read."""
    models: dict[str, type[BaseModel]] = {
        "study": StoredStudy,
        "trial": Trial,
        "image": StoredImage,
        "prediction": StoredPrediction,
    }
    told = dict(values)
    if table == "result":
        told["check"], models["result"] = told.pop("name"), Result
        if told.get("trial") is None and told.get("boot") is None:
            told["trial"] = told.get("entered_for")
    elif table == "change":
        told["by"], models["change"] = told.pop("by_way"), LogEntry
    elif table == "boot_mark":
        labels = told.get("labels", [])
        if not (isinstance(labels, list) and all(isinstance(label, str) for label in labels)):
            raise ValueError("labels: a list of texts is needed")
        return
    model = models[table]
    try:
        model.model_validate({name: told[name] for name in model.model_fields if name in told})
    except ValidationError as error:
        raise ValueError(first_words(error)[:300]) from None
