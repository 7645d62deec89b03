"""Shadow RAM, upper-memory blocks and page frames: what they hide, what they leave alone."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import typer
from support.option_roms import option_rom
from typer.testing import CliRunner

from benchd.cli import map as map_command
from benchd.rom.hidden import hidden
from benchd.rom.layout import KINDS, Kind, Layout, Window, free, free_bases, overlaps
from benchd.rom.moves import MapReport, report
from benchd.rom.scanrules import PRESETS
from benchd.rom.usual import not_in_map

RULES = PRESETS["pnp-1.0a"]
CARD = Window("card", 0xD0000, 0x4000, image=option_rom(32))
RAM = Window("packets", 0xD0000, 0x4000, kind="ram", positions=(0xD0000, 0xD8000))


def over(kind: Kind, base: int = 0xD0000, size: int = 0x8000) -> Window:
    return Window("over", base, size, kind=kind)


def told(*windows: Window) -> MapReport:
    return report(Layout(windows, RULES), ())


@pytest.mark.parametrize("kind", ["shadow", "umb", "page-frame"])
def test_the_scan_sees_through_what_is_laid_over(kind: Kind) -> None:
    """It comes after the scan, or shows the same bytes: the ROM under it runs, and its sum is right."""
    found = told(CARD, over(kind))
    assert [(one.window, one.runs) for one in found.roms] == [("card", True)]
    assert found.clashes == ()


def test_shadow_ram_hides_memory_and_no_rom() -> None:
    """A copy of a ROM reads like the ROM; a card's memory under it cannot be reached."""
    assert told(CARD, over("shadow")).hidden == () and told(CARD, over("shadow")).sound
    found = told(RAM, over("shadow"))
    (one,) = found.hidden
    assert (one.first, one.last, one.window, one.by) == (0xD0000, 0xD3FFF, "packets", "over")
    assert "switch shadowing of this range off" in one.note
    assert not found.sound and [o.parties for o in found.overlaps] == [("packets", "over")]
    assert found.moves[0].solves and found.moves[0].moves[0].base == 0xD8000
    assert free_bases((over("shadow"),), RULES, 0x10000)[-1] == 0xE0000
    assert 0xD0000 in free_bases((over("shadow"),), RULES, 0x4000)
    assert 0xD0000 not in free_bases((over("shadow"),), RULES, 0x4000, "ram")


def test_shadow_ram_hides_registers_inside_a_rom() -> None:
    """Interrupt list MEMORY.LST: 7 KiB of ROM, registers in the last 1 KiB of the 8 KiB window."""
    card = Window("card", 0xC8000, 0x2000, image=option_rom(14), registers=((0x1C00, 0x400),))
    found = told(card, over("shadow", 0xC8000))
    assert [(one.first, one.last) for one in found.hidden] == [(0xC9C00, 0xC9FFF)]
    assert found.overlaps == () and not found.sound and "registers cannot be read" in found.hidden[0].note


@pytest.mark.parametrize(("kind", "word"), [("umb", "upper-memory block"), ("page-frame", "page frame")])
def test_a_memory_manager_hides_what_lies_under_its_windows(kind: Kind, word: str) -> None:
    found = told(CARD, over(kind))
    (one,) = found.hidden
    assert (one.window, one.first, one.last) == ("card", 0xD0000, 0xD3FFF)
    assert word in one.note and "exclude this range from the memory manager" in one.note
    assert not found.sound and found.overlaps[0].parties == ("card", "over")


def test_two_windows_of_a_memory_manager_are_told_once() -> None:
    frame = Window("frame", 0xD4000, 0x10000, kind="page-frame")
    (one,) = hidden((over("umb"), frame))
    assert (one.first, one.last) == (0xD4000, 0xD7FFF) and "give each its own range" in one.note


def test_under_shadow_ram_there_is_room_for_a_rom_and_not_under_a_block() -> None:
    spans = [[(s.first, s.last) for s in free((over(kind),), RULES)] for kind in ("shadow", "umb")]  # type: ignore[arg-type]
    assert spans == [[(0xC0000, 0xEFFFF)], [(0xC0000, 0xCFFFF), (0xD8000, 0xEFFFF)]]


def test_shadow_ram_leaves_a_memory_manager_alone() -> None:
    assert overlaps((over("shadow"), Window("block", 0xD0000, 0x4000, kind="umb"))) == ()


def test_usual_windows_are_named_where_the_map_has_nothing() -> None:
    assert [one.first for one in not_in_map((CARD,))] == [0xC0000, 0xC8000, 0xD8000, 0xDC000, 0xE0000, 0xF0000]


def test_the_command_tells_all_of_it(tmp_path: Path) -> None:
    """Text and JSON of one map: hidden windows, other machines' scans, usual windows; --check finds the conflict."""
    (tmp_path / "odd.bin").write_bytes(option_rom(15))
    text = '[scan]\npreset = "8088-first"\n'
    rows = [("disk", "C8000", "8K", "rom"), ("network", "CC000", "8K", "rom"), ("packets", "D0000", "16K", "ram")]
    rows += [("board copy", "D0000", "32K", "shadow")]
    for name, base, size, kind in rows:
        text += f'[[window]]\nname = "{name}"\nbase = "{base}"\nsize = "{size}"\nkind = "{kind}"\n'
        text += 'image = "odd.bin"\n' if name == "disk" else ""
    path = tmp_path / "map.toml"
    path.write_text(text)
    app = typer.Typer()
    map_command.register(app)
    checked = CliRunner().invoke(app, [str(path), "--check", "--svg", str(tmp_path / "map.svg")])
    assert checked.exit_code == 1
    lines = checked.stdout
    for word in ("hidden:", "board copy answers instead of packets", "scans of other machines would disagree:",
                 "pad the image of disk to 8,192 bytes", "usual windows that this map does not have:"):  # fmt: skip
        assert word in lines
    found = json.loads(CliRunner().invoke(app, [str(path), "--json"]).stdout)
    assert found["hidden"][0] == {
        "from": "D0000", "to": "D3FFF", "window": "packets", "by": "board copy",
        "note": "board copy answers instead of packets: switch shadowing of this range off"}  # fmt: skip
    assert [one["window"] for one in found["disagreements"]] == ["network"]
    assert found["usual"][0]["from"] == "C0000"
    assert "board copy" in (tmp_path / "map.svg").read_text()


def test_every_kind_is_in_the_page_s_words_and_colours() -> None:
    static = Path(__file__).parents[2] / "benchd" / "web" / "static"
    words, look = (static / "views" / "map.js").read_text(), (static / "views.css").read_text()
    again = words.split("const AGAIN = {")[1].split("}")[0]
    for kind in KINDS:
        assert f"{kind}:" in again or f'"{kind}":' in again
        assert f".w-{kind} " in look
