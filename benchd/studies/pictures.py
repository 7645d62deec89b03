"""Pictures for the report: boots as ladders over time, and how long stages took."""

from __future__ import annotations

from collections.abc import Sequence

from benchd.drawing.svg import Drawing, steps
from benchd.inference.bootlog import BootGroup, BootLog, StageMark, evenly, stage_order
from benchd.inference.study import Study
from benchd.studies.comparing import boot_log
from benchd.studies.goal import NOT_COUNTED, Verdict
from benchd.studies.loaded import TrialView
from benchd.studies.scrub import scrub

ROWS_MOST = 60
WIDTH, LEFT, RIGHT, ROW, BAR = 980, 64, 340, 24, 16
SHADES = ("#d5ded4", "#e9eee5")
GOAL, INK, SOFT, BAD, LINE = "#0b5d45", "#17231d", "#56645b", "#9c2f1f", "#c9cdbb"
NUMBER_FROM = 13.0
"""Pixels that a stage must have for its number to be written in it."""


def stage_names(views: Sequence[TrialView]) -> list[str]:
    """Stages in the order in which boots pass them."""
    return stage_order([boot_log(boot) for view in views for boot in view.boots])


def draw_ladders(study: Study, views: Sequence[TrialView]) -> str:
    """An SVG with one bar a boot: its stages by number, the goal's stage dark, how it ended and the verdict."""
    every = [
        (view.id, boot_log(boot), verdict)
        for view in views
        for boot, verdict in zip(view.boots, view.verdicts, strict=False)
    ]
    if not every:
        return ""
    rows = evenly(every, ROWS_MOST)
    numbers = {name: number for number, name in enumerate(stage_names(views), 1)}
    goal = study.goal.target if study.goal.kind in ("stage-reached", "stage-faster") else None
    longest = max(0.001, *(log.end_s for _, log, _ in rows))
    scale = (WIDTH - LEFT - RIGHT) / longest
    picture = Drawing(WIDTH, "Each boot as a bar of its stages over time", INK)
    y, before = 22.0, ""
    for trial, log, verdict in rows:
        if trial != before:
            if before:
                picture.line(0, y - 2, WIDTH, y - 2, stroke=LINE)
                y += 4
            picture.text(4, y + 13, scrub(trial), 12, font_weight="600")
        before = trial
        for mark in log.stages:
            _stage(picture, log, mark, numbers[mark.name], mark.name == goal, scale, y)
        _end(picture, log, verdict, LEFT + log.end_s * scale, y)
        y += ROW
    for seconds in steps(longest):
        x = LEFT + seconds * scale
        picture.line(x, y, x, y + 4, stroke=LINE)
        picture.text(x, y + 17, f"{seconds:g}" if seconds else "0 s", text_anchor="middle", fill=SOFT)
    if len(every) > len(rows):
        picture.text(LEFT, y + 34, f"{len(rows)} of {len(every)} boots, evenly chosen", fill=SOFT)
        y += 16
    return picture.svg(y + 28, document=False)


def _stage(picture: Drawing, log: BootLog, mark: StageMark, number: int, is_goal: bool, scale: float, y: float) -> None:
    """One stage of a boot's bar: the goal's dark, one in which the boot stood still with a broken edge."""
    took_s = log.end_s - mark.at_s if mark.took_s is None else mark.took_s
    x, wide = LEFT + mark.at_s * scale, max(4.0 if is_goal else 1.0, took_s * scale)
    stood = mark.took_s is None and log.outcome in ("stalled", "looped")
    told = f"{scrub(mark.name)} at {mark.at_s:.2f} s" + ("" if mark.took_s is None else f", {mark.took_s:.2f} s")
    fill = GOAL if is_goal else SHADES[number % 2]
    edge = BAD if stood else None
    picture.rect(x, y, wide, BAR, told, fill=fill, stroke=edge, stroke_dasharray="3 2" if stood else None)
    if wide >= NUMBER_FROM:
        ink = "#fff" if is_goal else None
        picture.text(x + wide / 2, y + 12, str(number), text_anchor="middle", font_size=10, fill=ink)


def _end(picture: Drawing, log: BootLog, verdict: Verdict, x: float, y: float) -> None:
    """How a boot ended, and the verdict on it with its reason."""
    if log.outcome == "finished":
        picture.rect(x, y - 2, 3, BAR + 4, fill=INK)
    else:
        picture.path(f"M{x:.1f} {y + 3:.1f}l10 10m0 -10l-10 10", stroke=BAD, stroke_width=2.5, fill="none")
    word = {True: "ok", False: "FAIL", None: NOT_COUNTED}[verdict.ok]
    bad = verdict.ok is False
    picture.text(WIDTH - RIGHT + 24, y + 13, word, fill=BAD if bad else None, font_weight="600" if bad else None)
    # "not counted" is wider than the column of "ok" and "FAIL": its reason begins further right.
    why_x, most = (64, 44) if verdict.ok is not None else (104, 36)
    picture.text(WIDTH - RIGHT + why_x, y + 13, scrub(verdict.why).removeprefix(f"{NOT_COUNTED}: "), most, fill=SOFT)


def draw_stage_times(views: Sequence[TrialView]) -> str:
    """An SVG of stage times by result (reached the goal or not), nothing when no boot has stages."""
    from benchd.drawing.charts import draw_times

    judged = [pair for view in views for pair in zip(view.boots, view.verdicts, strict=False)]
    groups = []
    for ok, name in ((True, "goal reached"), (False, "goal not reached")):
        logs = tuple(boot_log(boot) for boot, verdict in judged if verdict.ok is ok and boot.stages)
        groups += [BootGroup(name, logs)] if logs else []
    if not any(mark.took_s for group in groups for log in group.boots for mark in log.stages):
        return ""
    return draw_times(groups, dark=False, width=940, document=False)
