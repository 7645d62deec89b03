"""Pictures for the report: boots as ladders over time (own SVG), stage times (matplotlib, as the page draws them)."""

from __future__ import annotations

import re
from collections.abc import Sequence
from html import escape

from benchd.harmless import clean
from benchd.inference.bootlog import BootGroup, BootLog
from benchd.inference.study import Study
from benchd.studies.comparing import boot_log
from benchd.studies.loaded import TrialView
from benchd.studies.scrub import scrub

ROWS_MOST = 60
WIDTH, LEFT, RIGHT, ROW, BAR = 980, 64, 340, 24, 16
SHADES = ("#d5ded4", "#e9eee5")
GOAL, INK, SOFT, BAD, LINE = "#0b5d45", "#17231d", "#56645b", "#9c2f1f", "#c9cdbb"
NUMBER_FROM = 13.0
"""Pixels that a stage must have for its number to be written in it."""

_PROLOG = re.compile(r"^.*?(?=<svg)", re.DOTALL)
_METADATA = re.compile(r"<metadata>.*?</metadata>", re.DOTALL)
_NAMESPACES = re.compile(r'\sxmlns(?::\w+)?="[^"]*"')
_LINK = re.compile(r'\bxlink:href="(#[^"]*)"')


def _t(text: str, limit: int = 60) -> str:
    return escape(clean(scrub(text), limit))


def chosen(views: Sequence[TrialView]) -> tuple[list[tuple[TrialView, int]], int]:
    """(trial, index of its boot) for each row, evenly chosen when there are many; and how many there are."""
    rows = [(view, i) for view in views for i in range(len(view.boots))]
    if len(rows) > ROWS_MOST:
        return [rows[k * len(rows) // ROWS_MOST] for k in range(ROWS_MOST)], len(rows)
    return rows, len(rows)


def stage_names(views: Sequence[TrialView]) -> list[str]:
    """Stages in the order in which boots pass them."""
    from benchd.inference.compare import stage_order

    return stage_order([boot_log(boot) for view in views for boot in view.boots])


def draw_ladders(study: Study, views: Sequence[TrialView]) -> str:
    """An SVG with one bar a boot: its stages by number, the goal's stage dark, how it ended and the verdict."""
    rows, total = chosen(views)
    if not rows:
        return ""
    names = stage_names(views)
    logs = [boot_log(view.boots[i]) for view, i in rows]
    longest = max(max(log.end_s for log in logs), 0.001)
    scale = (WIDTH - LEFT - RIGHT) / longest
    out: list[str] = []
    y = 22.0
    before = ""
    for (view, i), log in zip(rows, logs, strict=True):
        if view.id != before and before:
            out.append(f'<line class="rule" x1="0" y1="{y - 2:g}" x2="{WIDTH}" y2="{y - 2:g}"/>')
            y += 4
        if view.id != before:
            out.append(f'<text class="name" x="4" y="{y + 13:g}">{_t(view.id, 12)}</text>')
        before = view.id
        out.append(_bar(study, view, i, log, names, scale, y))
        y += ROW
    axis = _axis(longest, scale, y)
    note = ""
    if total > len(rows):
        note = f'<text class="soft" x="{LEFT}" y="{y + 34:g}">{len(rows)} of {total} boots, evenly chosen</text>'
    high = y + (44 if note else 28)
    style = (
        f".name{{font-weight:600}}.soft{{fill:{SOFT}}}.rule{{stroke:{LINE}}}.in{{font-size:10px}}"
        f"text{{font:12px system-ui,sans-serif;fill:{INK}}}.light{{fill:#fff;font-size:10px}}"
        f".bad{{fill:{BAD};font-weight:600}}"
    )
    return (
        f'<svg viewBox="0 0 {WIDTH} {high:g}" role="img" '
        f'aria-label="Each boot as a bar of its stages over time"><style>{style}</style>'
        f"{''.join(out)}{axis}{note}</svg>"
    )


def _bar(study: Study, view: TrialView, i: int, log: BootLog, names: Sequence[str], scale: float, y: float) -> str:
    parts = []
    for mark in log.stages:
        x = LEFT + mark.at_s * scale
        number = names.index(mark.name) + 1
        goal = study.goal.kind in ("stage-reached", "stage-faster") and mark.name == study.goal.target
        took_s = log.end_s - mark.at_s if mark.took_s is None else mark.took_s
        wide = max(4.0 if goal else 1.0, took_s * scale)
        fill = GOAL if goal else SHADES[number % 2]
        open_end = mark.took_s is None and log.outcome in ("stalled", "looped")
        edge = f' stroke="{BAD}" stroke-dasharray="3 2"' if open_end else ""
        took = "" if mark.took_s is None else f", {mark.took_s:.2f} s"
        parts.append(
            f'<rect x="{x:.1f}" y="{y:g}" width="{wide:.1f}" height="{BAR}" fill="{fill}"{edge}>'
            f"<title>{_t(mark.name)} at {mark.at_s:.2f} s{took}</title></rect>"
        )
        if wide >= NUMBER_FROM:
            kind = "light" if goal else "in"
            parts.append(
                f'<text class="{kind}" x="{x + wide / 2:.1f}" y="{y + 12:g}" text-anchor="middle">{number}</text>'
            )
    end = LEFT + log.end_s * scale
    if log.outcome == "finished":
        parts.append(f'<rect x="{end:.1f}" y="{y - 2:g}" width="3" height="{BAR + 4}" fill="{INK}"/>')
    else:
        parts.append(
            f'<path d="M{end:.1f} {y + 3:g}l10 10m0 -10l-10 10" stroke="{BAD}" stroke-width="2.5" fill="none"/>'
        )
    verdict = view.verdicts[i]
    word = {True: "ok", False: "FAIL", None: "not counted"}[verdict.ok]
    kind = ' class="bad"' if verdict.ok is False else ""
    # "not counted" is wider than the column of "ok" and "FAIL": its reason begins further right.
    why_x, most = (WIDTH - RIGHT + 64, 44) if verdict.ok is not None else (WIDTH - RIGHT + 104, 36)
    parts.append(
        f'<text{kind} x="{WIDTH - RIGHT + 24}" y="{y + 13:g}">{word}</text>'
        f'<text class="soft" x="{why_x}" y="{y + 13:g}">{_t(_short(verdict.why, most), most)}</text>'
    )
    return "".join(parts)


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"


def _axis(longest: float, scale: float, y: float) -> str:
    step = next(s for s in (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1e9) if longest / s <= 8)
    parts = []
    k = 0
    while k * step <= longest + 1e-9:
        x = LEFT + k * step * scale
        parts.append(f'<line class="rule" x1="{x:.1f}" y1="{y:g}" x2="{x:.1f}" y2="{y + 4:g}"/>')
        label = f"{k * step:g}" + (" s" if k == 0 else "")
        parts.append(f'<text class="soft" x="{x:.1f}" y="{y + 17:g}" text-anchor="middle">{label}</text>')
        k += 1
    return "".join(parts)


def draw_stage_times(views: Sequence[TrialView], most: int = 6) -> str:
    """An SVG of stage times by result (reached the goal or not), nothing when no boot has stages."""
    from benchd.drawing.charts import draw_times

    sides: dict[bool, list[BootLog]] = {True: [], False: []}
    for view in views:
        for boot, verdict in zip(view.boots, view.verdicts, strict=False):
            if verdict.ok is not None and boot.stages:
                sides[verdict.ok].append(boot_log(boot))
    groups = [
        BootGroup(name, tuple(sides[ok]))
        for ok, name in ((True, "goal reached"), (False, "goal not reached"))
        if sides[ok]
    ]
    if not any(mark.took_s for group in groups for log in group.boots for mark in log.stages):
        return ""
    return bare_svg(draw_times(groups, dark=False, width=940))


def bare_svg(text: str) -> str:
    """An SVG document as an element for HTML: no prolog, no metadata, no namespaces (HTML knows them)."""
    body = _METADATA.sub("", _PROLOG.sub("", text, count=1))
    return _LINK.sub(r'href="\1"', _NAMESPACES.sub("", body))
