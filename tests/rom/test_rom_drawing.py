"""The map as text and as SVG: what is drawn where, hostile names harmless, SVG well-formed."""

from __future__ import annotations

from xml.etree import ElementTree

from hypothesis import given, settings
from hypothesis import strategies as st
from support.option_roms import option_rom

from benchd.rom.drawsvg import COLOURS, draw_svg
from benchd.rom.drawtext import cells, draw_text, label
from benchd.rom.layout import Layout, Window
from benchd.rom.moves import Room, report
from benchd.rom.predict import predict
from benchd.rom.scanrules import PRESETS

RULES = PRESETS["pnp-1.0a"]
CROWD = Layout(
    (
        Window("board", 0xC8000, 0x2000, image=option_rom(16)),
        Window("card", 0xC9000, 0x2000, image=option_rom(16, 2), positions=(0xC9000, 0xCC000)),
        Window("frame", 0xD0000, 0x4000, kind="ram"),
        Window("ports", 0xD8000, 0x100, kind="registers", mirrors=(0x1000,)),
        Window("colour", 0xB8000, 0x4000, kind="video"),
        Window("copy", 0xF0000, 0x4000, kind="shadow"),
        Window("block", 0xF4000, 0x4000, kind="umb"),
        Window("pages", 0xF8000, 0x8000, kind="page-frame"),
    ),
    RULES,
)


def test_cells() -> None:
    """Each cell is 2 KiB: letters, ## where two answer, marks at headers, small letters where in part."""
    rows = {line[:5]: line[7:] for line in cells(CROWD, predict(CROWD))}
    assert rows["C8000"].startswith(" A! A ##!##  B  B  .")
    assert rows["D0000"].startswith(" C  C  C  C  C  C  C  C  .")
    assert rows["D8000"].startswith(" d  .  d' .")
    assert rows["B8000"].startswith(" E") and "A0000" not in rows
    assert [label(n) for n in (0, 25, 26, 52, 255)] == ["A", "Z", "AA", "BA", "IV"]


def test_text_says_what_the_issue_asks_for() -> None:
    text = "\n".join(draw_text(CROWD, report(CROWD, (Room("8 KiB", 0x2000, (0xCC000,)),))))
    for words in (
        "C9000-C9FFF  board and card",
        "common practice, no source",
        "move card to CC000: nothing overlaps and every ROM runs",
        "8 KiB: CC000",
        "D9100-EFFFF",
    ):
        assert words in text
    assert all(len(line) < 240 for line in text.splitlines())


def test_svg_has_a_bar_for_every_window_and_a_mark_for_every_overlap() -> None:
    prediction = predict(CROWD)
    root = ElementTree.fromstring(draw_svg(CROWD, prediction, "bench <1>"))
    space = "{http://www.w3.org/2000/svg}"
    titles = [one.text or "" for one in root.iter(f"{space}title")]
    for name in ("board: C8000-C9FFF, rom", "frame: D0000-D3FFF, ram", "ports: D9000-D90FF, registers"):
        assert name in titles
    assert "C9000-C9FFF: board and card" in titles
    fills = {one.get("fill") for one in root.iter(f"{space}rect")}
    assert set(COLOURS.values()) <= fills


def test_bars_lie_at_their_addresses() -> None:
    """A window of 8 KiB is a quarter of a row wide and starts where its address says."""
    layout = Layout((Window("w", 0xCA000, 0x2000, kind="ram"),), RULES)
    root = ElementTree.fromstring(draw_svg(layout, predict(layout), "t"))
    space = "{http://www.w3.org/2000/svg}"
    bar = next(g for g in root.iter(f"{space}g") if (g.findtext(f"{space}title") or "").startswith("w:"))
    rect = bar.find(f"{space}rect")
    strips = [rect for rect in root.iter(f"{space}rect") if rect.get("class") == "free"]
    row = next(strip for strip in strips if float(strip.get("width", 0)) > 900)
    assert rect is not None
    left, wide = float(row.get("x", 0)), float(row.get("width", 0))
    assert abs(float(rect.get("x", 0)) - (left + wide / 4)) < 0.2
    assert abs(float(rect.get("width", 0)) - wide / 4) < 0.2


@settings(deadline=None, max_examples=60)
@given(st.text(min_size=1, max_size=60), st.integers(0, 0xFF000), st.integers(1, 0x1000))
def test_any_name_gives_well_formed_svg(name: str, base: int, size: int) -> None:
    layout = Layout((Window(name, base, size, kind="video"), Window("x", 0xC8000, 0x800)), RULES)
    root = ElementTree.fromstring(draw_svg(layout, predict(layout), name).encode("utf-8"))
    assert not list(root.iter("script"))
    draw_text(layout, report(layout, ()))


def test_no_room_says_whether_only_the_jumper_s_positions_were_asked() -> None:
    """Free stretches stand beside it: a window that cannot be put there says why."""
    text = "\n".join(draw_text(CROWD, report(CROWD, (Room("card", 0x2000, ()), Room("spare", 0x80000, ())))))
    assert "card: none of its jumper's positions (C9000, CC000) is free" in text
    assert "spare: no free base" in text
