"""A study's report for a stranger: one HTML file that needs nothing else, and one Markdown file.

Text from people and wires is made harmless (`clean`), escaped for its format, and stripped of local paths,
addresses with credentials and the like (`scrub`).
"""

from __future__ import annotations

import re
import statistics
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from benchd import __version__
from benchd.errors import ExternalError, UsageError, system_words
from benchd.harmless import clean
from benchd.inference.wording import counted, percent
from benchd.store import Store
from benchd.studies.comparing import NamedBoots, boot_log, predicted
from benchd.studies.loaded import LoadedStudy, TrialView
from benchd.studies.pictures import draw_ladders, draw_stage_times, stage_names
from benchd.studies.scrub import scrub
from benchd.studies.tables import table_text
from benchd.studies.weighing import Why, next_trials, why

CAUSES_FROM = 0.01
CAUSES_MOST = 12
TEXT_MOST = 2_000
CAUTIONS = (
    "Power off and unplug before moving a card, a cable or a jumper: ISA is not hot-plug. Mind static discharge.",
    "Power supplies and monitors hold mains voltage, their capacitors also after unplugging: leave their inside to "
    "licensed practice. Local electrical codes come before anything printed here.",
    "Two mains-powered machines joined by a serial cable share grounds: check for ground faults first. Leaking "
    "batteries and the short-wave light of EPROM erasers hurt skin and eyes.",
)
"""Common practice, no source."""


def plain(text: str, limit: int = TEXT_MOST) -> str:
    """Text for a report: scrubbed and harmless."""
    return clean(scrub(text), limit)


def report_values(store: Store, name: str, now: str) -> dict[str, Any]:
    """Everything that the report says. Raises UsageError for an unknown study."""
    found = why(store, name)
    known, views = found.known, found.views
    ladders = draw_ladders(known.study, views)
    values: dict[str, Any] = {
        "name": plain(name, 100),
        "made": now[:10],
        "question": plain(known.study.question) or f"Study {plain(name, 100)}",
        "goal": plain(known.study.goal.words()),
        "machine": plain(known.document.machine or ""),
        "notes": plain(known.document.notes),
        "verdict": plain(found.verdict),
        "conclusion": plain(found.conclusion),
        "doubts": [plain(one.words()) for one in found.doubts],
        "tally": _tally(found),
        "ordering": plain(found.ordering.sentence) if found.failures else "",
        "factors": _factors(known),
        "trials": [_trial(known, view, first=i == 0) for i, view in enumerate(views)],
        "ladders": ladders,
        "stages": [plain(one, 80) for one in stage_names(views)] if ladders else [],
        "times": draw_stage_times(views),
        "legend": _legend(views),
        "stage_rows": _stage_rows(views),
        "left_out": _left_out(views),
        "remarks": [plain(text) for text in (*found.remarks, *found.evidence)],
        "checks": [plain(report.sentence) for report in found.checks],
        "agreement": _agreement(store, views),
        "cautions": list(CAUTIONS),
        "version": __version__,
        "tables": _tables(store, views),
    }
    return values | _about_study(known) | _causes(found) | _next(store, name)


def _about_study(known: LoadedStudy) -> dict[str, Any]:
    study = known.study
    return {
        "reference": ", ".join(f"{plain(f)} {plain(level)}" for f, level in (study.reference or {}).items()),
        "exclusions": [
            plain(f"{' and '.join(c.words() for c in one.conditions)}: {one.reason}") for one in study.exclusions
        ],
    }


def _left_out(views: tuple[TrialView, ...]) -> list[str]:
    return [
        plain(f"{view.id}, {f'boot {one.boot}' if one.boot else 'a result'}: {one.left_out}")
        for view in views
        for one in view.left_out
    ]


def _legend(views: tuple[TrialView, ...]) -> str:
    """Which row of the stage times is which: the first with discs, the second with diamonds."""
    seen = {verdict.ok for view in views for verdict in view.verdicts if verdict.boot is not None}
    if {True, False} <= seen:
        return "Upper row, discs: boots that reached the goal. Lower row, diamonds: boots that did not."
    return "All boots reached the goal." if True in seen else "No boot reached the goal."


def _tally(found: Why) -> str:
    ok = found.boots - found.failures
    moved = sum(any(change.hardware for change in view.changes) for view in found.views)
    return (
        f"{counted(len(found.views), 'trial')}, {counted(found.boots, 'boot')}: {ok} reached the goal, "
        f"{found.failures} did not. Hardware was moved {counted(moved, 'time')}."
    )


def _factors(known: LoadedStudy) -> list[dict[str, Any]]:
    out = []
    for factor in known.study.factors:
        costs = [f"{factor.cost(level):g}" for level in factor.levels]
        out.append(
            {
                "name": plain(factor.name),
                "kind": factor.kind,
                "levels": ", ".join(plain(level) for level in factor.levels),
                "minutes": costs[0] if len(set(costs)) == 1 else " / ".join(costs),
                "hardware": factor.hardware,
            }
        )
    return out


def _trial(known: LoadedStudy, view: TrialView, *, first: bool) -> dict[str, Any]:
    changed = {change.factor for change in view.changes}
    done = [*(change.words() for change in view.changes), *view.done_before]
    words = "the first" if first else ", ".join(done) or "nothing: a repeat"
    if view.repeats and view.changes:
        words += f" (as in {view.repeats})"
    return {
        "id": plain(view.called),
        "cells": [(plain(view.setup[f.name]), f.name in changed) for f in known.study.factors],
        "ok": view.ok,
        "fail": view.fail,
        "changed": plain(words),
        "note": plain(view.note.replace("\n", "; ")),
    }


def _causes(found: Why) -> dict[str, Any]:
    if not found.failures:
        return {"causes": [], "supports": [], "against": []}
    listed = [c for c in found.causes if c.probability >= CAUSES_FROM][:CAUSES_MOST] or list(found.causes[:3])
    return {
        "causes": [
            {
                "percent": percent(cause.probability),
                "probability": round(cause.probability, 4),
                "class_": cause.cause_class,
                "text": plain(cause.text),
                "group": cause.group + 1,
            }
            for cause in listed
        ],
        "supports": [plain(f"{one.trial}: {one.words}") for one in listed[0].supports[:8]],
        "against": [plain(f"{one.trial}: {one.words}") for one in listed[0].against[:8]],
    }


def _next(store: Store, name: str) -> dict[str, Any]:
    try:
        proposal = next_trials(store, name)
    except UsageError as error:
        return {"advice": plain(str(error)), "steps": [], "outlooks": []}
    if proposal.stop or not proposal.ranked:
        return {"advice": plain(proposal.advice), "steps": [], "outlooks": []}
    best = proposal.ranked[0]
    return {
        "advice": plain(f"{proposal.advice} The best next trial takes about {best.minutes:g} min:"),
        "steps": [plain(step) for step in best.steps],
        "outlooks": [plain(one.words()) for one in (best.if_ok, best.if_fail)],
    }


def _stage_rows(views: tuple[TrialView, ...]) -> list[tuple[str, str, str]]:
    times: dict[str, dict[bool, list[float | None]]] = {}
    for view in views:
        for boot, verdict in zip(view.boots, view.verdicts, strict=False):
            if verdict.ok is not None:
                for mark in boot_log(boot).stages:
                    times.setdefault(mark.name, {True: [], False: []})[verdict.ok].append(mark.took_s)

    def cell(found: list[float | None]) -> str:
        took = [one for one in found if one is not None]
        return (f"{statistics.median(took):.2f} s " if took else "") + f"({len(found)})" if found else "-"

    return [
        (plain(name, 80), cell(times[name][True]), cell(times[name][False]))
        for name in (stage_names(views) if times else [])
        if name in times
    ]


def _agreement(store: Store, views: tuple[TrialView, ...]) -> list[str]:
    return [
        plain(f"{view.id}: {sentence}")
        for view in views
        if view.predictions and view.counting
        for sentence in predicted(store, NamedBoots(view.id, view.counting, view.id))
    ]


def _tables(store: Store, views: tuple[TrialView, ...]) -> list[str]:
    """The rule tables that judged the boots, with the beginning of the SHA-256 of the text in their captures."""
    import hashlib

    out: dict[str, str] = {}
    for boot in (boot for view in views for boot in view.boots if boot.table):
        if boot.table not in out:
            text = table_text(store, boot)
            mark = f" (text {hashlib.sha256(text.encode()).hexdigest()[:12]})" if text is not None else ""
            out[boot.table] = f"{plain(boot.table, 80)}{mark}"
    return list(out.values())


def _environment(**options: Any) -> Any:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("benchd.studies", "."),
        undefined=StrictUndefined,
        trim_blocks=False,
        keep_trailing_newline=True,
        **options,
    )


def render_html(values: Mapping[str, Any]) -> str:
    """One HTML document; nothing in it loads anything."""
    return str(_environment(autoescape=True).get_template("report.html.j2").render(values))


_MARKDOWN = re.compile(r"([\\`*_{}\[\]<>()#+!|~&$@^-])")


def _markdown_text(value: Any) -> Any:
    if not isinstance(value, str):
        return value
    # A hyphen or full stop inside a word is harmless, and reads better unescaped.
    return _MARKDOWN.sub(lambda m: m[0] if m[0] in "-()+" and m.start() else "\\" + m[0], value.replace("\n", " "))


def render_markdown(values: Mapping[str, Any]) -> str:
    """One Markdown document, text only."""
    text = _environment(autoescape=False, finalize=_markdown_text).get_template("report.md.j2").render(values)
    return re.sub(r"\n{3,}", "\n\n", str(text)).strip() + "\n"


def file_stem(name: str) -> str:
    """A file name that no study name can lead astray."""
    stem = re.sub(r"[^A-Za-z0-9._-]+", "_", name)[:80].strip("._-")
    return stem or "study"


def write_report(store: Store, name: str, folder: Path, now: str) -> list[Path]:
    """Write STUDY.html and STUDY.md into `folder` (made if missing). Raises ExternalError, UsageError."""
    values = report_values(store, name, now)
    out = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for suffix, text in ((".html", render_html(values)), (".md", render_markdown(values))):
            path = folder / (file_stem(name) + suffix)
            path.write_text(text, encoding="utf-8", errors="replace")
            out.append(path)
    except OSError as error:
        raise ExternalError(f"{folder}: the report cannot be written: {system_words(error)}") from None
    return out
