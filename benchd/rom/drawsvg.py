"""The map as SVG: a strip of the whole first megabyte, then upper memory in rows of 32 KiB."""

from __future__ import annotations

import unicodedata
from html import escape

from benchd.rom.drawtext import ROW, rows, scan_marks
from benchd.rom.layout import REGIONS, Area, Layout, Window, areas
from benchd.rom.numbers import BLOCK, MEGABYTE, SLOT, hex_address, show_size
from benchd.rom.predict import ScanPrediction

WIDTH = 1060
LEFT, RIGHT = 84, 24
INNER = WIDTH - LEFT - RIGHT
LANE, AXIS, GAP = 26, 22, 14
COLOURS = {
    "rom": "#2f6f9f",
    "ram": "#3b7d4f",
    "video": "#8a6d1f",
    "registers": "#7d4a8c",
    "shadow": "#5b5f66",
    "umb": "#2a7a78",
    "page-frame": "#8a4a2a",
}
"""Fills dark enough for white text at 4.5:1 or more; overlaps are hatched as well, not told by colour alone."""

STYLE = (
    "text{font:13px system-ui,sans-serif;fill:#1d2329}.small{font-size:11px;fill:#4a545e}"
    ".on{fill:#fff;font-size:12px;paint-order:stroke;stroke:#1d2329;stroke-width:2.5;stroke-opacity:.55}.title{font-size:17px;font-weight:600}"
    ".free{fill:#f3f5f7;stroke:#d3d9de}.tick{stroke:#c3cad1}.clash{fill:url(#hatch);stroke:#b3261e;stroke-width:1.5}"
)


def _text(value: str, limit: int = 60) -> str:
    safe = "".join("?" if unicodedata.category(ch) in ("Cc", "Cs", "Cn", "Co", "Cf") else ch for ch in value)
    return escape(safe if len(safe) <= limit else safe[: limit - 1] + "…")


def _x(row: int, at: int) -> float:
    return LEFT + (at - row) * INNER / ROW


def _lanes(places: list[Area], row: int) -> list[tuple[Area, int]]:
    """Give every area of a row the first lane that is free at its start, so that overlaps lie stacked."""
    ends: list[int] = []
    out = []
    for area in places:
        if area.end <= row or area.first >= row + ROW:
            continue
        lane = next((n for n, end in enumerate(ends) if end <= area.first), len(ends))
        if lane == len(ends):
            ends.append(0)
        ends[lane] = area.end
        out.append((area, lane))
    return out


def draw_svg(layout: Layout, prediction: ScanPrediction, title: str) -> str:
    """Return the SVG document of the map."""
    places = areas(layout.windows)
    out = [f'<text class="title" x="{LEFT}" y="30">{_text(title, 90)}</text>']
    y = 48.0
    y = _strip(out, layout, places, y)
    for row in rows(layout):
        y = _row(out, layout, prediction, places, row, y)
    y = _key(out, layout, prediction, y)
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH}" height="{y:.0f}" '
        f'viewBox="0 0 {WIDTH} {y:.0f}" role="img"><title>{_text(title, 90)}</title><style>{STYLE}</style>'
        '<defs><pattern id="hatch" width="7" height="7" patternUnits="userSpaceOnUse" '
        'patternTransform="rotate(45)"><rect width="7" height="7" fill="#fff" fill-opacity="0.25"/>'
        '<rect width="2.5" height="7" fill="#b3261e"/></pattern></defs>'
        f'<rect width="{WIDTH}" height="{y:.0f}" fill="#ffffff"/>'
    )
    return head + "".join(out) + "</svg>\n"


def _rect(x: float, y: float, wide: float, high: float, look: str, inner: str = "") -> str:
    return f'<rect x="{x:.1f}" y="{y:.1f}" width="{wide:.1f}" height="{high:.1f}" {look}' + (
        f">{inner}</rect>" if inner else "/>"
    )


def _small(x: float, y: float, text: str) -> str:
    return f'<text class="small" x="{x:.1f}" y="{y:.1f}">{text}</text>'


def _strip(out: list[str], layout: Layout, places: list[Area], y: float) -> float:
    scale = INNER / MEGABYTE
    for first, last, name in REGIONS:
        x, wide = LEFT + first * scale, (last - first + 1) * scale
        out.append(_rect(x, y, wide, 24, 'class="free"'))
        if wide > 60:
            out.append(_small(x + 4, y + 14, _text(name, int(wide / 6.5))))
        if first % 0x20000 == 0:
            out.append(_small(x, y + 38, f"{first:05X}"))
    for area in places:
        wide = max(1.5, (area.end - area.first) * scale)
        look = f'fill="{COLOURS[layout.windows[area.window].kind]}"'
        out.append(_rect(LEFT + area.first * scale, y + 18, wide, 6, look))
    return y + 56


def _row(out: list[str], layout: Layout, prediction: ScanPrediction, places: list[Area], row: int, y: float) -> float:
    lanes = _lanes(places, row)
    high = (max((lane for _, lane in lanes), default=0) + 1) * LANE
    out.append(f'<text x="16" y="{y + 18:.1f}">{row:05X}</text>')
    out.append(_rect(LEFT, y, INNER, high, 'class="free"'))
    for at in range(row, row + ROW, SLOT):
        tall = high if (at - row) % 0x2000 == 0 else 5
        out.append(f'<path class="tick" d="M{_x(row, at):.1f} {y + high:.1f}v-{tall}"/>')
    for at in range(row, row + ROW, 0x2000):
        out.append(_small(_x(row, at) + 10, y + high + 14, f"{at:05X}"))
    for area, lane in lanes:
        _bar(out, layout, area, row, y + lane * LANE + 2)
    for one in prediction.overlaps:
        parties = f"<title>{one.first:05X}-{one.last:05X}: {_text(' and '.join(one.parties), 300)}</title>"
        out += _part(row, one.first, one.last + 1, y, high, 'class="clash"', parties)
    for area, lane in lanes:
        _name(out, layout, area, row, y + lane * LANE + 2)
    for at, mark in scan_marks(prediction.slots).items():
        if row <= at < row + ROW:
            _mark(out, _x(row, at), y + high, mark)
    return y + high + AXIS + GAP


def _part(row: int, first: int, end: int, y: float, high: float, look: str, inner: str = "") -> list[str]:
    """The part of [first, end) that lies in the row, at least two wide; nothing where none does."""
    first, end = max(first, row), min(end, row + ROW)
    if first >= end:
        return []
    return [_rect(_x(row, first), y, max(2.0, _x(row, end) - _x(row, first)), high, look, inner)]


def _bar(out: list[str], layout: Layout, area: Area, row: int, y: float) -> None:
    window = layout.windows[area.window]
    dash = ' fill-opacity="0.55" stroke="#1d2329" stroke-dasharray="4 3"' if area.mirror else ""
    span = f"{hex_address(area.first)}-{hex_address(area.end - 1)}"
    out.append(f"<g><title>{_text(window.name, 200)}: {span}, {window.kind}</title>")
    out += _part(row, area.first, area.end, y, LANE - 4, f'rx="2" fill="{COLOURS[window.kind]}"{dash}')
    for low, high in _blank(window):  # padding: the bar lighter along its foot
        low, high = area.first + low, min(area.end, area.first + high)
        out += _part(row, low, high, y + LANE - 10, 6, 'fill="#ffffff" fill-opacity="0.6"')
    for offset, size in window.registers:
        low, high = area.first + offset, min(area.end, area.first + offset + size)
        out += _part(row, low, high, y, LANE - 4, f'fill="{COLOURS["registers"]}"')
    out.append("</g>")


def _name(out: list[str], layout: Layout, area: Area, row: int, y: float) -> None:
    x = _x(row, max(area.first, row))
    room = int((_x(row, min(area.end, row + ROW)) - x - 8) / 7)
    if room >= 3:
        name = layout.windows[area.window].name + (" (mirror)" if area.mirror else "")
        out.append(f'<text class="on" x="{x + 5:.1f}" y="{y + 15:.1f}">{_text(name, room)}</text>')


def _blank(window: Window) -> list[tuple[int, int]]:
    """Stretches of a ROM window that hold nothing but FFh or nothing but 00h, by whole 512 bytes."""
    if window.image is None:
        return []
    value = window.content()[0]
    out: list[tuple[int, int]] = []
    for at in range(0, len(value), BLOCK):
        part = value[at : at + BLOCK]
        if part.count(part[0]) == len(part) and part[0] in (0x00, 0xFF):
            if out and out[-1][1] == at:
                out[-1] = (out[-1][0], at + len(part))
            else:
                out.append((at, at + len(part)))
    return out


def _mark(out: list[str], x: float, y: float, mark: str) -> None:
    fill = {">": "#1d2329", "!": "#ffffff", "?": "#c3cad1"}[mark]
    out.append(f'<path d="M{x:.1f} {y + 1:.1f}l6 9h-12z" transform="translate(1 0)" fill="{fill}" stroke="#1d2329"/>')


def _key(out: list[str], layout: Layout, prediction: ScanPrediction, y: float) -> float:
    x = float(LEFT)
    for kind, colour in COLOURS.items():
        if any(window.kind == kind or (kind == "registers" and window.registers) for window in layout.windows):
            out += [_rect(x, y, 14, 14, f'fill="{colour}"'), _small(x + 20, y + 11, kind)]
            x += 92
    if x > LEFT + 4 * 92:
        x, y = float(LEFT), y + 22
    for mark, text in ((">", "scan runs it"), ("!", "found, not run"), ("?", "cannot be told")):
        _mark(out, x + 6, y, mark)
        out.append(_small(x + 20, y + 11, text))
        x += 116
    out += [_rect(x, y, 18, 14, 'class="clash"'), _small(x + 24, y + 11, "two or more answer")]
    x += 156
    out.append(_rect(x, y, 18, 14, f'fill="{COLOURS["rom"]}"'))
    out.append(_rect(x, y + 8, 18, 6, 'fill="#fff" fill-opacity="0.6"'))
    out.append(_small(x + 24, y + 11, "padding"))
    y += 38
    lines = [
        f"{'off' if rom.at is None else hex_address(rom.at)}  {rom.window}: "
        + ("runs" if rom.runs else "cannot be told" if rom.runs is None else "does not run")
        + f" ({rom.why})"
        for rom in prediction.roms
    ]
    room = ", ".join(f"{hex_address(f.first)}-{hex_address(f.last)} ({show_size(f.size)})" for f in prediction.free)
    lines.append(f"free for the scan: {room or 'nothing'}")
    for line in lines[:40]:
        out.append(f'<text x="{LEFT}" y="{y:.1f}">{_text(line, 135)}</text>')
        y += 20
    return y + 6
