"""SVG pictures, shape by shape: numbers to a tenth of a pixel, text harmless and escaped, no style sheet, no script.

A picture says all by presentation attributes, so it shows alike as a file, in a page, and under a policy that
allows nothing.
"""

from __future__ import annotations

import math
from html import escape

from benchd.harmless import clean

Attribute = str | float | None
FONT = "system-ui, sans-serif"
FONT_PX = 12
CHAR_PX = 8.0
"""Room for one character of a label; letters of 12 px sans-serif average less."""


class Drawing:
    """A picture `width` pixels wide, said in words by `label`, in the ink given; it grows as it is drawn."""

    def __init__(self, width: float, label: str, ink: str) -> None:
        self._width, self._label, self._ink = width, label, ink
        self._parts: list[str] = []

    def rect(self, x: float, y: float, width: float, height: float, title: str = "", **look: Attribute) -> None:
        self._add("rect", {"x": x, "y": y, "width": width, "height": height, **look}, title=title)

    def line(self, x1: float, y1: float, x2: float, y2: float, **look: Attribute) -> None:
        self._add("line", {"x1": x1, "y1": y1, "x2": x2, "y2": y2, **look})

    def path(self, d: str, **look: Attribute) -> None:
        self._add("path", {"d": d, **look})

    def text(self, x: float, y: float, text: str, limit: int = 200, **look: Attribute) -> None:
        self._add("text", {"x": x, "y": y, **look}, shortened(text, limit))

    def svg(self, height: float, *, document: bool) -> str:
        """The picture: a document by itself, or an element of a page (which knows the namespace)."""
        space = ' xmlns="http://www.w3.org/2000/svg"' if document else ""
        size = f' width="{_number(self._width)}" height="{_number(height)}"' if document else ""
        return (
            f'<svg{space}{size} viewBox="0 0 {_number(self._width)} {_number(height)}" role="img" '
            f'aria-label="{_safe(self._label)}" font-family="{FONT}" font-size="{FONT_PX}" fill="{self._ink}">'
            f"{''.join(self._parts)}</svg>\n"
        )

    def _add(self, name: str, attributes: dict[str, Attribute], text: str = "", title: str = "") -> None:
        said = "".join(
            f' {key.replace("_", "-")}="{value if isinstance(value, str) else _number(value)}"'
            for key, value in attributes.items()
            if value is not None
        )
        inside = (f"<title>{_safe(title)}</title>" if title else "") + _safe(text)
        self._parts.append(f"<{name}{said}>{inside}</{name}>" if inside else f"<{name}{said}/>")


def shortened(text: str, most: int) -> str:
    """Text without what could do harm, its end cut off visibly where it is longer than `most` characters."""
    whole = clean(text, 1000)
    return whole if len(whole) <= most else whole[: most - 1].rstrip() + "…"


def steps(longest: float, most: int = 8) -> list[float]:
    """Round numbers from 0 to `longest`, at most `most` steps: where a straight axis has its marks."""
    rounds = (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600)
    step = next((step for step in rounds if longest / step <= most), longest / most)
    return [k * step for k in range(math.floor(longest / step + 1e-9) + 1)]


def log_steps(low: float, high: float, pixels: float) -> list[float]:
    """Round numbers on a logarithmic axis of so many pixels, from below `low` to above `high` (both above 0)."""
    first, last = math.floor(math.log10(low)) - 1, math.ceil(math.log10(high)) + 1
    room = pixels / (1 + math.log10(high / low))
    parts = (1, 2, 5) if room >= 90 else (1, 3) if room >= 60 else (1,)
    every = [part * 10.0**decade for decade in range(first, last + 1) for part in parts]
    begin = max(k for k, step in enumerate(every) if step < low)
    end = next(k for k, step in enumerate(every) if step > high)
    return every[begin : end + 1]


def _number(value: float | None) -> str:
    return f"{value or 0.0:.1f}".removesuffix(".0")


def _safe(text: str) -> str:
    return escape(clean(text, 1000))
