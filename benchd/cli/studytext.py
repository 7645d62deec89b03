"""Studies and trials as text for a terminal."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from benchd.cli.output import clean, columns, local
from benchd.inference.wording import counted as numbered
from benchd.inference.wording import folded

if TYPE_CHECKING:
    from benchd.store import Result
    from benchd.studies.loaded import LoadedStudy, TrialView

WIDTH = 96
FOLDED_MOST = 400
NARROWEST = 20
"""Characters that a column keeps at least where a table is folded."""


def room() -> int | None:
    """Return how many columns the terminal has, None where the output goes elsewhere."""
    return shutil.get_terminal_size().columns if sys.stdout.isatty() else None


def wrapped(text: str, indent: str = "") -> list[str]:
    """A sentence in lines of `WIDTH`, or of the terminal where that is narrower, made harmless."""
    return folded(clean(text, 4000), min(WIDTH, room() or WIDTH), indent)


def table(rows: Sequence[Sequence[str]], widest: int = 60, width: int | None = None) -> list[str]:
    """Rows aligned by column, every cell made harmless and short.

    Where they are wider than the terminal (or `width`), the column with the longest cell goes on in further lines.
    """
    width = room() if width is None else width
    short = [[clean(cell, widest if width is None else FOLDED_MOST) for cell in row] for row in rows]
    widths = [max(len(row[n]) for row in short) for n in range(len(short[0]))]
    over = sum(widths) + 2 * (len(widths) - 1) - (width or WIDTH)
    if width is None or over <= 0:
        return columns(short)
    most = max(range(len(widths)), key=widths.__getitem__)
    keeps = max(NARROWEST, widths[most] - over)
    return columns([part for row in short for part in _in_parts(row, most, keeps)])


def _in_parts(row: Sequence[str], which: int, keeps: int) -> Iterator[list[str]]:
    """Yield a row in several, no more than so many characters of one cell in each."""
    for number, part in enumerate(folded(row[which], keeps) or [""]):
        yield [part if n == which else "" if number else cell for n, cell in enumerate(row)]


def tally(ok: int, counted: int, all_: int) -> str:
    """Results in words: `2 ok, 1 fail`."""
    if not all_:
        return "no boots"
    parts = [f"{ok} ok" if ok else "", f"{counted - ok} fail" if counted - ok else ""]
    parts.append(f"{all_ - counted} not counted" if all_ - counted else "")
    return ", ".join(part for part in parts if part)


def result_words(one: Result) -> str:
    """A result in words: check, how it went, and what it was entered for."""
    where = f"boot {one.boot}" if one.boot else f"trial {one.trial}, no boot"
    return f"{one.check} {'passed' if one.passed else 'FAILED'} ({where})"


def result_table(results: Sequence[Result], title: str) -> Iterator[str]:
    """Results with the numbers by which they are taken back; nothing where there are none."""
    if results:
        yield ""
        yield title
        rows = [["number", "check", "result", "boot", "entered", "note"]]
        rows += [
            [
                str(one.id),
                one.check,
                "passed" if one.passed else "FAILED",
                one.boot or "-",
                local(one.entered),
                (f"left out: {one.left_out} " if one.left_out else "") + one.note,
            ]
            for one in results
        ]
        yield from table(rows)


def outside_lines(results: Sequence[Result]) -> Iterator[str]:
    """Results for boots of no trial: they count in no study."""
    yield from result_table(
        results, "results outside any trial (`benchd boots move BOOT TRIAL` puts their boot into one):"
    )


def changed_words(view: TrialView, first: bool) -> str:
    """What a trial changed, in a few words."""
    if first:
        return "the first"
    told = ", ".join(view.done_before)
    if not view.changes:
        return told or "nothing: a repeat"
    words = ", ".join(f"{change.factor} {change.before} to {change.after}" for change in view.changes)
    words += f" (as in {view.repeats})" if view.repeats else ""
    return f"{words}, {told}" if told else words


def study_lines(known: LoadedStudy, views: Sequence[TrialView]) -> Iterator[str]:
    """Everything about one study."""
    study = known.study
    yield clean(f"{known.name}: {study.question or 'no question written down'}", 1000)
    yield clean(f"goal: {study.goal.words()}; one boot {study.boot_minutes:g} min; {numbered(study.size(), 'setup')}")
    if known.document.machine:
        yield clean(f"machine: {known.document.machine}")
    yield ""
    rows = [["factor", "kind", "levels", "minutes", ""]]
    for factor in study.factors:
        costs = {factor.cost(level) for level in factor.levels}
        minutes = (
            "/".join(f"{factor.cost(level):g}" for level in factor.levels) if len(costs) > 1 else f"{costs.pop():g}"
        )
        rows.append(
            [
                factor.name,
                factor.kind,
                ", ".join(factor.levels),
                minutes,
                "power off" if factor.hardware else "",
            ]
        )
    yield from table(rows)
    if study.exclusions:
        yield ""
        yield "not to be tried:"
        for one in study.exclusions:
            yield from wrapped(f"{' and '.join(c.words() for c in one.conditions)}: {one.reason}", "  ")
    if study.reference:
        yield ""
        yield clean("known good: " + ", ".join(f"{f}={level}" for f, level in study.reference.items()), 1000)
    if known.document.notes:
        yield ""
        yield from wrapped(known.document.notes)
    yield ""
    yield from trial_table(views) if views else ["no trials yet"]


def trial_table(views: Sequence[TrialView]) -> list[str]:
    """A list of trials, a line each."""
    rows = [["trial", "started", "study", "machine", "changed", "results", ""]]
    seen: set[str] = set()
    for view in views:
        first = view.study not in seen
        seen.add(view.study)
        rows.append(
            [
                view.called,
                local(view.started),
                view.study,
                view.machine,
                changed_words(view, first),
                tally(view.ok, view.counted, len(view.verdicts)),
                "" if view.ended else "running",
            ]
        )
    return table(rows, 70)


def trial_lines(known: LoadedStudy, view: TrialView, agreement: Sequence[str]) -> Iterator[str]:
    """Everything about one trial."""
    state = f"ended {local(view.ended)}" if view.ended else "running"
    yield clean(f"{view.called} of study {view.study} on {view.machine}: started {local(view.started)}, {state}")
    yield from wrapped("setup: " + ", ".join(f"{f}={level}" for f, level in view.setup.items()))
    if view.assumed:
        yield from wrapped(f"assumed, not stated then: {', '.join(view.assumed)}", "  ")
    for change in view.changes:
        yield clean(f"changed {change.words()}")
    yield from view.done_before
    if view.repeats:
        yield clean(f"the same setup as {view.repeats}: a repeat")
    if view.excluded:
        yield from wrapped(f"the study excludes this setup: {view.excluded}")
    for differs in view.differs:
        yield from wrapped(f"NOT AS SAID: {differs.means} (measured in boot {differs.boot}, {differs.detail})")
    for line in view.note.splitlines():
        yield from wrapped(f"note: {line}")
    yield ""
    yield clean(f"goal {known.study.goal.words()}: {tally(view.ok, view.counted, len(view.verdicts))}")
    yield from _results(view)
    for one in view.predictions[-1:]:
        yield ""
        yield from prediction_lines(one)
    if agreement:
        yield ""
        yield "predicted against seen:"
        for sentence in agreement:
            yield from wrapped(sentence, "  ")


def _results(view: TrialView) -> Iterator[str]:
    """The verdict on each boot, and the checks."""
    mark = {True: "ok", False: "FAIL", None: "-"}
    verdicts = [[verdict.boot or "by hand", mark[verdict.ok], verdict.why] for verdict in view.verdicts]
    if verdicts:
        yield from table([["boot", "goal", "why"], *verdicts], 80)
    yield from result_table(view.results, "entered by hand or file (`benchd trial result --take-back NUMBER`):")
    if view.checks:
        yield ""
        checks = [[name, f"{one.passed} of {one.done}"] for name, one in view.checks.items()]
        yield from table([["check", "passed"], *checks])


def prediction_lines(document: Mapping[str, Any]) -> Iterator[str]:
    """A stored prediction in a few lines: overlaps, and what becomes of each ROM."""
    yield "predicted option-ROM scan:"
    for one in document.get("overlaps", []):
        yield from wrapped(f"{' and '.join(one['parties'])} both answer at {one['from']}-{one['to']}", "  ")
    for rom in document.get("roms", []):
        runs = {True: "runs", False: "does not run", None: "cannot be told"}[rom["runs"]]
        at = f" at {rom['at']}" if rom["at"] else ""
        yield from wrapped(f"{rom['window']}{at}: {runs}" + (f" ({rom['why']})" if rom["why"] else ""), "  ")
