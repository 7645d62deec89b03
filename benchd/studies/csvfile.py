"""Studies from and to CSV: each row a boot, one column the result (ok, fail or empty), the others factors.

Three more columns may be there. Of what was done before a boot: `reseated` (yes, no or empty: the cover was off, and
what is plugged was taken out and put back) and `rested` (a time without power, as in 20min, or empty). And `left_out`:
the reason why a boot does not count, or empty; its result is kept beside it, and put back it counts.
"""

from __future__ import annotations

import csv
import io
import itertools
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from benchd.errors import UsageError
from benchd.inference.study import MAX_FACTORS, MAX_LEVELS, MAX_NAME, MAX_TRIALS
from benchd.store import Hand, Result, Store
from benchd.store.marks import REASON_MOST
from benchd.studies.document import FactorPart, GoalPart, StudyDocument
from benchd.studies.goal import GOAL, Verdict
from benchd.studies.loaded import IMPORTED, LoadedStudy, TrialView, open_study
from benchd.studies.names import Tables
from benchd.studies.service import NO_TABLES, save_checked
from benchd.vocabulary.times import parse_duration

MAX_BYTES = 16 << 20
WORDS = {"ok": True, "fail": False, "": None}
RESEATED, RESTED, LEFT_OUT = "reseated", "rested", "left_out"
BESIDES = (RESEATED, RESTED, LEFT_OUT)
"""Columns that are no factors."""
YES_NO = {"yes": True, "no": False, "": False}
_FORMULA = re.compile(r"'*[=+\-@\t\r]")
"""What a spreadsheet would run, or has been kept from it by quotes before it."""


@dataclass(frozen=True, slots=True)
class CsvRow:
    """One line of the table: where it stood, its levels by factor, and its result."""

    line: int
    setup: dict[str, str]
    result: bool | None
    reseated: bool = False
    rested_s: float | None = None
    left_out: str | None = None


@dataclass(frozen=True, slots=True)
class Table:
    """A whole file: factor names in the order of columns, and its rows."""

    factors: tuple[str, ...]
    rows: tuple[CsvRow, ...]

    def levels(self, factor: str) -> list[str]:
        return list(dict.fromkeys(row.setup[factor] for row in self.rows))


def _lines(text: str, file: str) -> Iterator[tuple[int, list[str]]]:
    """The head (empty where there is none), then every row that is not blank, with line numbers and as many cells."""
    if len(text) > MAX_BYTES:
        raise UsageError(f"{file}: {len(text)} characters; at most {MAX_BYTES} are read")
    reader = csv.reader(io.StringIO(text.removeprefix("\ufeff"), newline=""), strict=True)
    try:
        head = next(reader, [])
        if len(head) == 1 and (other := next((mark for mark in ";\t" if mark in head[0]), None)):
            which = {";": "semicolons", "\t": "tabs"}[other]
            raise UsageError(f"{file}:1: its cells are parted by {which}: save it as CSV with commas")
        yield 1, head
        empty = True
        for cells in reader:
            if any(cell.strip() for cell in cells):
                if len(cells) != len(head):
                    raise UsageError(f"{file}:{reader.line_num}: {len(cells)} cells, the head has {len(head)}")
                yield reader.line_num, cells
                empty = False
    except csv.Error as error:
        raise UsageError(f"{file}:{reader.line_num}: not CSV: {error}") from None
    if empty:
        raise UsageError(f"{file}: no rows under the head")


def read_table(text: str, file: str, goal_column: str) -> Table:
    """Read a table. Raises UsageError with file, line and column for what is wrong."""
    lines = _lines(text, file)
    head = [_value(name) for name in next(lines)[1]]
    _check_head(head, file, goal_column)
    at = head.index(goal_column)
    rows: list[CsvRow] = []
    for line, cells in lines:
        if len(rows) >= MAX_TRIALS:
            raise UsageError(f"{file}:{line}: more than {MAX_TRIALS} rows; split the file")
        rows.append(_row(head, [_value(cell) for cell in cells], at, file, line))
    table = Table(tuple(name for name in head if name not in (goal_column, *BESIDES)), tuple(rows))
    for factor in table.factors:
        count = len(table.levels(factor))
        if count > MAX_LEVELS:
            raise UsageError(f"{file}: column {factor!r} has {count} different values; at most {MAX_LEVELS} levels")
    return table


def _check_head(head: Sequence[str], file: str, goal_column: str) -> None:
    if not head:
        raise UsageError(f"{file}: empty; the first line names the columns")
    if goal_column not in head:
        raise UsageError(f"{file}:1: no column {goal_column!r} for the result; there are {', '.join(head)}")
    for i, name in enumerate(head):
        if name in head[:i]:
            raise UsageError(f"{file}:1: column {name!r} stands there twice")
        if not 1 <= len(name) <= MAX_NAME:
            raise UsageError(f"{file}:1: column {i + 1} has a name of {len(name)} characters; use 1 to {MAX_NAME}")
    factors = len(set(head) - {goal_column, *BESIDES})
    if not 1 <= factors <= MAX_FACTORS:
        raise UsageError(f"{file}:1: {factors} factor columns; from 1 to {MAX_FACTORS} can be weighed")


def _row(head: Sequence[str], cells: Sequence[str], at: int, file: str, line: int) -> CsvRow:
    setup = {}
    before: dict[str, Any] = {}
    for i, (name, cell) in enumerate(zip(head, cells, strict=True)):
        if i == at:
            continue
        if name in BESIDES:
            before |= _before(name, cell, f"{file}:{line}")
            continue
        if not 1 <= len(cell) <= MAX_NAME:
            what = "is empty: write what was set, as in 'none'" if not cell else f"has {len(cell)} characters"
            raise UsageError(f"{file}:{line}: {name}: {what}; a level has 1 to {MAX_NAME} characters")
        setup[name] = cell
    word = cells[at].lower()
    if word not in WORDS:
        raise UsageError(f"{file}:{line}: {head[at]}: {cells[at][:40]!r} is no result; write ok, fail, or nothing")
    return CsvRow(line, setup, WORDS[word], **before)


def _before(name: str, cell: str, where: str) -> dict[str, Any]:
    """What a cell says of a boot besides its levels and result, by the field of `CsvRow`."""
    if name == LEFT_OUT:
        if len(cell) > REASON_MOST:
            raise UsageError(f"{where}: {name}: {len(cell)} characters; a reason has at most {REASON_MOST}")
        return {"left_out": cell or None}
    if name == RESEATED:
        if cell.lower() not in YES_NO:
            raise UsageError(f"{where}: {name}: {cell[:40]!r} is neither yes nor no")
        return {"reseated": YES_NO[cell.lower()]}
    try:
        return {"rested_s": parse_duration(cell) if cell else None}
    except ValueError as error:
        raise UsageError(f"{where}: {name}: {error}") from None


def document_of(table: Table) -> StudyDocument:
    """A study document with the table's columns as factors, and the result as goal."""
    return StudyDocument(
        goal=GoalPart(kind="result-ok"),
        factor=[FactorPart(name=name, levels=table.levels(name)) for name in table.factors],
    )


def import_table(
    store: Store,
    name: str,
    table: Table,
    hand: Hand,
    *,
    beside: StudyDocument | None = None,
    text: str = "",
    file: str = "study",
    add: bool = False,
    tables: Tables = NO_TABLES,
) -> tuple[LoadedStudy, list[str]]:
    """Make a study of a table, with what the TOML file `beside` it states; `add` adds rows to one there is.

    Rows of one setup in a row become one trial; a row without result becomes a trial without boots. Also returns what
    could not be checked of its names, see `save_checked`. Raises UsageError when the study is there already (or, with
    `add`, has other factors).
    """
    there = name in {one.name for one in store.studies()}
    if there and not add:
        raise UsageError(f"there is a study '{name}' already: choose another --name, or --add the rows to it")
    document, before = document_of(table), None
    if there:
        known = open_study(store, name)
        mine = {one.name for one in known.document.factor}
        if mine != set(table.factors):
            odd = ", ".join(sorted(mine.symmetric_difference(table.factors)))
            raise UsageError(f"study '{name}' and the file have not the same factors: {odd}")
        document, before = document.merged(known.document), known.document
    if beside is not None:
        document = document.merged(beside)
    known, unchecked = save_checked(store, name, document, hand, text=text, file=file, tables=tables, before=before)
    _add_trials(store, name, table.rows, hand.at)
    return known, unchecked


def _add_trials(store: Store, study: str, rows: Sequence[CsvRow], now: str) -> None:
    """A trial for each run of rows with one setup and results, and one for each row without.

    A row before which something was reseated, or rested, begins a trial of its own.
    """
    before: dict[str, str] = {}
    begun = itertools.accumulate(int(row.reseated or row.rested_s is not None) for row in rows)
    runs = itertools.groupby(
        zip(begun, rows, strict=True), lambda one: (one[0], tuple(one[1].setup.items()), one[1].result is not None)
    )
    for (*_, told), group in runs:
        same = [row for _, row in group]
        setup = same[0].setup
        for batch in [same] if told else [[row] for row in same]:
            changed = {factor: level for factor, level in setup.items() if before.get(factor) != level}
            trial = store.start_trial(
                study=study,
                machine=IMPORTED,
                setup=setup,
                changed=changed,
                started=now,
                reseated=batch[0].reseated,
                rested_s=batch[0].rested_s,
            )
            entered = [
                Result(trial=trial.id, check=GOAL, passed=row.result, source="csv", entered=now, left_out=row.left_out)
                for row in batch
                if row.result is not None
            ]
            store.add_results(entered)
            before = setup
    store.end_trial(trial.id, now)


def shielded(value: str) -> str:
    """A value that no spreadsheet runs: a quote goes before a formula's sign (OWASP, "CSV Injection")."""
    return f"'{value}" if _FORMULA.match(value) else value


def _value(cell: str) -> str:
    """What `shielded` was made of."""
    text = cell.strip()
    return text[1:] if text.startswith("'") and _FORMULA.match(text) else text


def _told_before(view: TrialView) -> dict[str, str]:
    """The cells of what was done before a trial's first boot."""
    rested = "" if view.rested_s is None else f"{view.rested_s:g}s"
    return {RESEATED: "yes" if view.reseated else "", RESTED: rested}


def _rows_of(view: TrialView, names: Sequence[str], more: Sequence[str]) -> Iterator[list[str]]:
    """Yield the rows of a trial: its levels, what was done before (`more`, in the first row alone), its result."""
    levels = [view.real_setup[name] for name in names]
    before = _told_before(view)
    for verdict in view.verdicts or [Verdict(None, None, "no boot")]:
        told = verdict.ok if verdict.left_out is None else verdict.if_counted
        ok = told if view.is_weighed else None
        cells = before | {LEFT_OUT: verdict.left_out or ""}
        yield [*levels, *(cells.get(name, "") for name in more), {True: "ok", False: "fail", None: ""}[ok]]
        before = {}


def export_table(known: LoadedStudy, views: Sequence[TrialView], goal_column: str = "result") -> str:
    """The study as CSV: a row for each boot or entered result, and one for a trial that has none.

    A level is the one that was measured where that is known; what was set up as no level of the study has no result.
    A boot that was left out has its reason in a column of its own, beside the result that it would have.
    """
    names = [factor.name for factor in known.study.factors]
    _refuse_columns(names, goal_column)
    more = [name for name in (RESEATED, RESTED) if any(_told_before(view)[name] for view in views)]
    more += [LEFT_OUT] if any(view.left_out for view in views) else []
    out = io.StringIO(newline="")
    rows = (row for view in views for row in _rows_of(view, names, more))
    for row in ([*names, *more, goal_column], *rows):
        cells = [shielded(cell) for cell in row]
        # Python's writer leaves a lone carriage return bare, and its reader ends the line there.
        bare = not any("\r" in cell for cell in cells)
        csv.writer(out, lineterminator="\n", quoting=csv.QUOTE_MINIMAL if bare else csv.QUOTE_ALL).writerow(cells)
    return out.getvalue()


def _refuse_columns(names: Sequence[str], goal_column: str) -> None:
    if goal_column in names:
        raise UsageError(f"a factor is called {goal_column!r} too: choose another --goal-column")
    for name in BESIDES:
        if name in names:
            raise UsageError(f"a factor is called {name!r}, as a column of what else is known of a boot: rename it")


def left_out_remarks(views: Sequence[TrialView]) -> list[str]:
    """A sentence for each boot that was left out, for a document beside its trials."""
    return [
        f"left out: {f'boot {one.boot}' if one.boot else 'a result'} of {view.id}: {one.left_out}"
        for view in views
        for one in view.left_out
    ]


def read_checks(text: str, file: str) -> list[tuple[str, bool, str | None, int]]:
    """Read a test program's results: columns check, result (pass or fail) and perhaps boot; with line numbers."""
    lines = _lines(text, file)
    head = [name.strip().lower() for name in next(lines)[1]]
    if not {"check", "result"} <= set(head) or set(head) - {"check", "result", "boot"}:
        raise UsageError(f"{file}:1: the columns are check, result and perhaps boot, not {', '.join(head)}")
    out: list[tuple[str, bool, str | None, int]] = []
    for line, cells in lines:
        row = dict(zip(head, (cell.strip() for cell in cells), strict=True))
        if not 1 <= len(row["check"]) <= 200:
            raise UsageError(f"{file}:{line}: a check's name has 1 to 200 characters, not {len(row['check'])}")
        out.append((row["check"], passed_word(row["result"], f"{file}:{line}"), row.get("boot") or None, line))
    return out


def passed_word(word: str, where: str = "the result") -> bool:
    """Read pass or fail (ok, passed, failed too). Raises UsageError."""
    found = {"pass": True, "passed": True, "ok": True, "fail": False, "failed": False}.get(word.strip().lower())
    if found is None:
        raise UsageError(f"{where}: {word[:40]!r} is neither pass nor fail")
    return found
