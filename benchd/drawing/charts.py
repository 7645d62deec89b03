"""How long each stage took, as a picture in the page's own colours."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence

from benchd.drawing.svg import CHAR_PX, Drawing, log_steps, shortened
from benchd.inference.bootlog import BootGroup, stage_order

GROUPS_LIGHT = ("#0b5d45", "#a8480a", "#4a3f9e", "#8a1c4a", "#1c5f8a", "#5f5a00")
GROUPS_DARK = ("#7fdcb2", "#f0a45d", "#b9b0ff", "#ff9dbd", "#8ccbf5", "#e0d96a")
INK = {False: ("#16211b", "#4d5b52", "#c3cab4"), True: ("#eef3e6", "#aabcae", "#2e4438")}
"""By whether it is dark: ink, soft ink, lines."""
SHAPES = (
    "m-{r} 0a{r} {r} 0 1 0 {d} 0a{r} {r} 0 1 0 -{d} 0z",
    "m0 -{r}l{r} {r}l-{r} {r}l-{r} -{r}z",
    "m-{r} -{r}h{d}v{d}h-{d}z",
    "m0 -{r}l{r} {d}h-{d}z",
    "m0 {r}l{r} -{d}h-{d}z",
    "m-{t} -{r}h{w}v{h}h{h}v{w}h-{h}v{h}h-{w}v-{h}h-{h}v-{w}h{h}z",
)
"""One mark a group (disc, diamond, square, triangles, cross), so that colour is not needed to tell them apart."""
TOP, ROW, GAP = 10, 22, 10
BELOW = 44
"""Pixels for the axis under the rows."""
MARKS_MOST = 400


def draw_times(groups: Sequence[BootGroup], *, dark: bool, width: int, document: bool = True) -> str:
    """Return an SVG: for each stage one row a group, each time a mark, the middle half a bar, the median a tick.

    Seconds run on a logarithmic axis: stages last from milliseconds to minutes.
    """
    ink, soft, line = INK[dark]
    times = {name: _times(groups, name) for name in stage_order([boot for g in groups for boot in g.boots])}
    times = {name: rows for name, rows in times.items() if any(rows)}
    room = min(190.0, width * 0.34)
    labels = {name: shortened(name, int((room - 10) / CHAR_PX)) for name in times}
    left = min(room, max(60.0, 10 + CHAR_PX * max(map(len, labels.values()), default=0)))
    axis = _Axis([t for rows in times.values() for own in rows for t in own], left, width - 24)
    block = len(groups) * ROW + GAP
    bottom = TOP + max(1, len(times)) * block - GAP
    picture = Drawing(width, "Seconds in each stage, a row for each group", ink)
    for seconds in axis.marks:
        x = axis.x(seconds)
        picture.line(x, TOP, x, bottom, stroke=line, stroke_width=0.8)
        picture.text(x, bottom + 17, f"{seconds:g}", text_anchor="middle", fill=soft)
    picture.text((left + width - 24) / 2, bottom + 36, "seconds in the stage", text_anchor="middle", fill=soft)
    for s, (name, rows) in enumerate(times.items()):
        y = TOP + s * block
        if s:
            picture.line(left, y - GAP / 2, width - 14, y - GAP / 2, stroke=line)
        picture.text(left - 8, y + len(groups) * ROW / 2 + 4, labels[name], text_anchor="end")
        for g, (group, own) in enumerate(zip(groups, rows, strict=True)):
            _row(picture, axis, f"{name}, {group.name}", own, y + (g + 0.5) * ROW, g, dark)
    return picture.svg(bottom + BELOW, document=document)


def _times(groups: Sequence[BootGroup], name: str) -> list[list[float]]:
    """The seconds that a stage took, by group."""
    return [[m.took_s for boot in g.boots for m in boot.stages if m.name == name and m.took_s] for g in groups]


class _Axis:
    """Seconds above 0 on a logarithmic axis from pixel `left` to `right`."""

    def __init__(self, seconds: Sequence[float], left: float, right: float) -> None:
        self._left, self._wide = left, right - left
        self.marks = log_steps(min(seconds, default=1.0), max(seconds, default=1.0), self._wide)
        self._low, self._span = math.log(self.marks[0]), math.log(self.marks[-1] / self.marks[0])

    def x(self, seconds: float) -> float:
        return self._left + self._wide * (math.log(seconds) - self._low) / self._span


def _row(picture: Drawing, axis: _Axis, name: str, times: Sequence[float], y: float, group: int, dark: bool) -> None:
    colour = (GROUPS_DARK if dark else GROUPS_LIGHT)[group]
    if len(times) > 1:
        low, middle, top = statistics.quantiles(times, n=4, method="inclusive")
        x = axis.x(low)
        told = f"{name}: median {middle:.3g} s, the middle half {low:.3g} to {top:.3g} s, {len(times)} boots"
        picture.rect(x, y - 4.5, axis.x(top) - x, 9, told, fill=colour, fill_opacity="0.35")
        picture.rect(axis.x(middle) - 1, y - 8, 2, 16, fill=INK[dark][0])
    r = 4.5 if len(times) < 4 else 3.0
    shape = SHAPES[group].format(r=r, d=2 * r, t=r / 3, w=r * 2 / 3, h=r * 2 / 3)
    marks = "".join(f"M{axis.x(t):.1f} {y:.1f}{shape}" for t in times[-MARKS_MOST:])
    if marks:
        picture.path(marks, fill=colour, fill_opacity="0.8")
