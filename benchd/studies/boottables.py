"""Boots as a table, a row each, with the time at which each stage was reached: as CSV, and as Parquet.

Times are seconds from the boot's start; `NAME_s` is when stage NAME was reached, empty where it was not, `NAME_u_s` its
half-width. Columns of stages stand in the order in which they were first reached. `left_out` (the reason), `note` and
`labels` are what people decided and wrote.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from benchd.errors import UsageError
from benchd.studies.csvfile import shielded
from benchd.vocabulary.models import Boot

Row = dict[str, Any]
TEXT = ("boot", "machine", "trial", "table", "started", "ended", "start_reason", "outcome", "last_stage", "last_code")
NUMBERS = ("codes", "lines", "lost")
WRITTEN = ("findings", "left_out", "note", "labels")
COLUMNS = (*TEXT, "duration_s", "off_s", *NUMBERS, "anchored", "imported", *WRITTEN)
"""Columns of every table; those of stages follow."""


def rows_of(boots: Sequence[Boot]) -> tuple[list[str], list[Row]]:
    """Return the names of the columns, and the rows."""
    names = dict.fromkeys(stage.name for boot in boots for stage in boot.stages)
    columns = [*COLUMNS, *(name for stage in names for name in (f"{stage}_s", f"{stage}_u_s"))]
    return columns, [_row(boot) for boot in boots]


def _row(boot: Boot) -> Row:
    row = {name: getattr(boot, "id" if name == "boot" else name) for name in COLUMNS}
    row["findings"] = ", ".join(dict.fromkeys(f"{finding.kind}:{finding.rule}" for finding in boot.findings))
    row["labels"] = ", ".join(boot.labels)
    for stage in boot.stages:
        row |= {f"{stage.name}_s": stage.t, f"{stage.name}_u_s": stage.u}
    return row


def csv_text(boots: Sequence[Boot]) -> str:
    """Return the table as CSV (RFC 4180); what a spreadsheet would run as a formula is kept from it by a quote."""
    columns, rows = rows_of(boots)
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([shielded(name) for name in columns])
    for row in rows:
        writer.writerow([_cell(row.get(name)) for name in columns])
    return out.getvalue()


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return shielded(value) if isinstance(value, str) else str(value)


def parquet_bytes(boots: Sequence[Boot]) -> bytes:
    """Return the table as Parquet; `started` and `ended` are instants in UTC. Raises UsageError without pyarrow."""
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError:
        raise UsageError(
            "Parquet needs a library that is not installed: pip install 'benchd[parquet]', or use --csv"
        ) from None
    columns, rows = rows_of(boots)
    moments = {"started", "ended"}
    kinds = {**dict.fromkeys((*TEXT, *WRITTEN), pa.string()), **dict.fromkeys(NUMBERS, pa.int64())}
    kinds |= dict.fromkeys(moments, pa.timestamp("ms", tz="UTC")) | dict.fromkeys(("anchored", "imported"), pa.bool_())
    schema = pa.schema([(name, kinds.get(name, pa.float64())) for name in columns])
    values = {name: [row.get(name) for row in rows] for name in columns}
    for name in moments:
        values[name] = [None if text is None else datetime.fromisoformat(text) for text in values[name]]
    out = io.BytesIO()
    pq.write_table(pa.table(values, schema=schema), out)
    return out.getvalue()
