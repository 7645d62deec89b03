"""Charts drawn by matplotlib as SVG, in the page's own colours."""

from __future__ import annotations

import io
import statistics
import threading
from collections.abc import Sequence
from typing import Any

from benchd.harmless import clean
from benchd.inference.bootlog import BootGroup

CHART_POLICY = "default-src 'none'; style-src 'unsafe-inline'"
"""For the picture alone: matplotlib writes style attributes into its SVG; nothing else may load or run."""
GROUPS_LIGHT = ("#0b5d45", "#a8480a", "#4a3f9e", "#8a1c4a", "#1c5f8a", "#5f5a00")
GROUPS_DARK = ("#7fdcb2", "#f0a45d", "#b9b0ff", "#ff9dbd", "#8ccbf5", "#e0d96a")
INK = {False: ("#16211b", "#4d5b52", "#c3cab4"), True: ("#eef3e6", "#aabcae", "#2e4438")}
"""By whether it is dark: ink, soft ink, lines."""
SHAPES = ("o", "D", "s", "^", "v", "P")
"""One marker a group, so that colour is not needed to tell them apart."""
ROW_PX = 22
DPI = 72
CHAR_PX = 8.0
"""Room for one character of a label; 12 px sans-serif letters average less."""
_lock = threading.Lock()


def draw_times(groups: Sequence[BootGroup], *, dark: bool, width: int) -> str:
    """Return an SVG: for each stage one row a group, each time a mark, the middle half a bar, the median a tick.

    Seconds run on a logarithmic axis: stages last from milliseconds to minutes.
    """
    from matplotlib import rc_context
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure
    from matplotlib.ticker import LogLocator, NullLocator

    from benchd.inference.compare import stage_order

    ink, soft, line = INK[dark]
    colours = GROUPS_DARK if dark else GROUPS_LIGHT
    stages = stage_order([boot for group in groups for boot in group.boots])
    times = {
        (g, name): [m.took_s for boot in group.boots for m in boot.stages if m.name == name and m.took_s]
        for g, group in enumerate(groups)
        for name in stages
    }
    stages = [name for name in stages if any(times[g, name] for g in range(len(groups)))]
    high = 70 + max(1, len(stages)) * (ROW_PX * len(groups) + 10)
    out = io.StringIO()
    fonts = ["DejaVu Sans", "sans-serif"]
    own: dict[Any, Any] = {"svg.fonttype": "none", "svg.hashsalt": "benchd", "font.family": fonts, "font.size": 12}
    with _lock, rc_context(own):
        figure = Figure(figsize=(width / DPI, high / DPI), dpi=DPI, facecolor="none")
        FigureCanvasSVG(figure)
        room = min(190.0, width * 0.34)
        labels = [_label(name, int((room - 10) / CHAR_PX)) for name in stages]
        label_px = min(room, max(60.0, 10 + CHAR_PX * max(map(len, labels), default=0)))
        axes = figure.add_axes((label_px / width, 46 / high, 1 - (label_px + 14) / width, 1 - 56 / high))
        axes.set_facecolor("none")
        step = len(groups) + 10 / ROW_PX
        for s, name in enumerate(stages):
            for g in range(len(groups)):
                _row(axes, times[g, name], s * step + g, colours[g], SHAPES[g], ink)
            if s:
                axes.axhline(s * step - 0.5 - 5 / ROW_PX, color=line, lw=1)
        axes.set_xscale("log")
        axes.set_ylim(max(1, len(stages)) * step - 0.5, -0.7)
        axes.set_yticks([s * step + (len(groups) - 1) / 2 for s in range(len(stages))])
        axes.set_yticklabels(labels, parse_math=False)
        axes.xaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0) if width > 600 else (1.0, 3.0)))
        axes.xaxis.set_minor_locator(NullLocator())
        axes.xaxis.set_major_formatter(lambda value, _: f"{value:g}")
        axes.set_xlabel("seconds in the stage", color=soft)
        axes.tick_params(colors=soft, which="both", length=0)
        for label in axes.get_yticklabels():
            label.set_color(ink)
        axes.grid(axis="x", color=line, lw=0.8)
        axes.set_axisbelow(True)
        for spine in axes.spines.values():
            spine.set_visible(False)
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    return out.getvalue()


def _label(name: str, most: int) -> str:
    """A stage's name, its end cut off visibly where it does not fit."""
    text = clean(name, 200)
    return text if len(text) <= most else text[: most - 1] + "…"


def _row(axes: Any, times: Sequence[float], y: float, colour: str, shape: str, ink: str) -> None:
    if not times:
        return
    size = 9 if len(times) < 4 else 6
    if len(times) > 1:
        low, middle, top = statistics.quantiles(times, n=4, method="inclusive")
        axes.plot([low, top], [y, y], color=colour, lw=9, alpha=0.35, solid_capstyle="butt")
        axes.plot([middle, middle], [y - 0.38, y + 0.38], color=ink, lw=2)
    shown = list(times)[-400:]
    axes.plot(shown, [y] * len(shown), shape, color=colour, ms=size, mew=0, alpha=0.8)
