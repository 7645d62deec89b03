"""The scans of the 8088 class: predicted equals executed, and what shifts, never ends or is stepped over.

The executed ones are scan_8088.asm, a loop for each preset after its published description, in unicorn.
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from support.option_roms import GOLDEN, balance, option_rom
from support.scan_rig import Rig, assemble, assert_same, composed, foretold, random_layout

from benchd.errors import UsageError
from benchd.rom.layout import Layout, Window
from benchd.rom.mapfile import parse
from benchd.rom.otherrules import disagreements
from benchd.rom.predict import ScanPrediction, predict
from benchd.rom.scanrules import PRESETS

LOOPS = {"8088-first": "FIRST", "8088-turbo": "TURBO", "8088-open": "OPEN"}
LENGTHS = (*range(1, 21), 24, 31, 32, 33, 48, 63, 64, 65, 96, 127)
"""Blocks of 512 bytes; 00h and 80h on come from `random_image` by itself."""
LAYOUTS = 300
SAMPLE = 80


def compare(preset: str, work: Path, seed: int, count: int) -> dict[str, int]:
    """Hold `count` random layouts against the preset's loop, and return what they were like."""
    rng, rig, rules = random.Random(seed), Rig(), PRESETS[preset]
    code = assemble(Path(__file__).with_name("scan_8088.asm"), work, [LOOPS[preset]])
    drawn = {"compared": 0, "ran": 0, "endless": 0, "bad": 0, "shifted": 0, "otherwise": 0}
    while drawn["compared"] < count:
        layout = random_layout(rng, rules, LENGTHS)
        told = foretold(layout)
        if told is None:
            continue
        memory = composed(layout)
        run = rig.execute(code, len(code) - 1, memory)
        assert_same(layout, told, run, memory, f"seed {seed}, layout {drawn['compared']}")
        drawn["compared"] += 1
        drawn["ran"] += len(run.called)
        drawn["endless"] += run.endless
        drawn["bad"] += any(slot.checksum_ok is False for slot in told.slots)
        drawn["shifted"] += any(slot.at % 0x800 for slot in told.slots)
        plain = predict(Layout(layout.windows, PRESETS["pnp-1.0a"]))
        drawn["otherwise"] += [s.at for s in plain.slots if s.runs] != run.called
    return drawn


def assert_not_easy(preset: str, drawn: dict[str, int]) -> None:
    count = drawn["compared"]
    assert drawn["ran"] > count / 3 and drawn["bad"] > count / 5 and drawn["otherwise"] > count / 8, drawn
    assert drawn["endless"] > count / 100, drawn
    assert (drawn["shifted"] > count / 4) == (preset != "8088-open"), drawn


@pytest.mark.peer("nasm")
@pytest.mark.parametrize("preset", LOOPS)
def test_predicted_is_executed_on_a_sample(preset: str, tmp_path: Path) -> None:
    """A sample of what the long test runs, with ROMs of every length end to end, on and off the slots."""
    assert_not_easy(preset, compare(preset, tmp_path, 8088, SAMPLE))


@pytest.mark.long
@pytest.mark.peer("nasm")
@pytest.mark.parametrize("preset", LOOPS)
def test_predicted_is_executed(preset: str, tmp_path: Path) -> None:
    """300 random layouts for each rule set, no disagreement in what is looked at, found, called, announced."""
    assert_not_easy(preset, compare(preset, tmp_path, 1982, LAYOUTS))


def scan(preset: str, *windows: Window) -> ScanPrediction:
    return predict(Layout(windows, PRESETS[preset]))


def rom(name: str, base: int, blocks: int, good: bool = True) -> Window:
    image = option_rom(blocks, filled=0)
    return Window(name, base, len(image), image=image if good else image[:-1] + bytes([image[-1] ^ 1]))


@pytest.mark.parametrize(
    ("preset", "good", "bad"),
    [("8088-first", 0xC8600, 0xC8600), ("8088-turbo", 0xC8600, 0xC8E00), ("8088-open", 0xC8800, 0xC9000)],
)
def test_where_the_scan_goes_on_behind_three_blocks(preset: str, good: int, bad: int) -> None:
    """600h bytes at C8000, by the descriptions: as they are, or rounded; after a wrong sum 2 KiB more, or not."""
    for right, following in ((True, good), (False, bad)):
        slot = next(s for s in scan(preset, rom("card", 0xC8000, 3, right)).slots if s.at == 0xC8000)
        assert slot.found and slot.runs is right and slot.next == following


def test_length_bytes_that_never_end() -> None:
    """The first machines count in 16 bits: 80h blocks are 0 bytes, the ROM is called again and again; 81h are 512."""
    for blocks, endless in ((0x7F, False), (0x80, True), (0x81, False)):
        told = scan("8088-first", rom("card", 0xC8000, blocks))
        assert told.endless is endless
        assert next(s for s in told.slots if s.at == 0xC8000).next == 0xC8000 + blocks * 512 % 0x10000
    nothing = Window("card", 0xC8000, 512, image=GOLDEN[:2] + b"\0" + GOLDEN[3:])
    assert scan("8088-first", nothing).endless  # a wrong sum helps nothing: the length was added before
    assert not scan("8088-open", nothing).endless
    assert "for ever" in scan("8088-first", nothing).findings[0]


def test_the_scan_of_8088_open_starts_over_past_the_megabyte() -> None:
    """Its comparison has no sign: a good ROM at EC000 of A0h blocks (16 KiB are summed) leads it to 00000."""
    image = balance(option_rom(0xA0, filled=0), 0x4000)
    board = Window("board", 0xF0000, 0x10000, image=image[0x4000:])
    told = scan("8088-open", Window("card", 0xEC000, 0x4000, image=image[:0x4000]), board)
    assert told.endless and told.slots[-1].next == 0 and "starts over" in told.findings[0]


def test_one_display_rom_and_no_second() -> None:
    told = scan("8088-open", rom("display", 0xC0000, 8), rom("second", 0xC4000, 8), rom("disk", 0xC8000, 16))
    assert [(one.window, one.runs) for one in told.roms] == [("display", True), ("second", False), ("disk", True)]
    assert "the scan runs one ROM from C0000 on" in told.roms[1].why


def test_a_system_bios_in_the_scanned_range_is_no_option_rom() -> None:
    """The first machines' range ends at F4000; a window that holds FFFF0 is what scans, image or not."""
    board = Window("board", 0xF0000, 0x10000)
    told = scan("8088-first", rom("card", 0xC8000, 16), board)
    assert [one.window for one in told.roms] == ["card"] and told.sound and not told.endless


def test_the_shift_is_told_with_its_cause() -> None:
    told = scan("8088-first", rom("disk", 0xC8000, 15), rom("network", 0xCC000, 16))
    assert told.roms[1].runs is False
    assert "the ROM at C8000 has 7,680 bytes" in told.roms[1].why and "C9E00" in told.roms[1].why
    assert scan("8088-open", rom("disk", 0xC8000, 15), rom("network", 0xCC000, 16)).sound


def test_the_map_says_which_scans_would_disagree_and_what_to_do() -> None:
    layout = Layout((rom("disk", 0xC8000, 15), rom("network", 0xCC000, 16)), PRESETS["p1017"])
    (found,) = disagreements(layout)
    assert (found.window, found.at) == ("network", 0xCC000)
    assert set(found.missed_by) == {"8088-first", "8088-turbo"}
    assert found.text == (
        "network at CC000: seen by all PnP-type scans, all AT-type scans and the PC-type scan 8088-open, missed by "
        "the PC-type scans 8088-first, 8088-turbo: pad the image of disk to 8,192 bytes, whole 2 KiB"
    )
    padded = Layout((rom("disk", 0xC8000, 16), rom("network", 0xCC000, 16)), PRESETS["p1017"])
    assert disagreements(padded) == ()


@pytest.mark.parametrize(
    ("windows", "advice"),
    [
        ((rom("card", 0xE0000, 16),), "a base from C8000 to DFFFF"),
        ((rom("first", 0xC8000, 3), rom("behind", 0xC8600, 4)), "move it to a multiple of 2 KiB"),
        ((rom("bad", 0xC8000, 16, good=False), Window("in", 0xC8800, 512, image=GOLDEN, card="x")), "sum"),
        ((rom("long", 0xC8000, 0x80), rom("next", 0xD8000, 4)), "a length byte from 01h to 7Fh"),
    ],
    ids=["range", "unaligned", "bad sum", "endless"],
)
def test_advice_fits_the_cause(windows: tuple[Window, ...], advice: str) -> None:
    texts = [one.text for one in disagreements(Layout(windows, PRESETS["8088-first"]))]
    assert any(advice in text for text in texts), texts


def test_every_ordinary_layout_is_agreed_upon() -> None:
    """Display ROM at C0000, whole KiB at C8000 and D8000: no scanner of a real machine would see it otherwise."""
    windows = (rom("display", 0xC0000, 64), rom("disk", 0xC8000, 16), rom("network", 0xD8000, 32))
    assert disagreements(Layout(windows, PRESETS["pnp-1.0a"])) == ()


def test_every_habit_of_a_scan_can_be_said_in_a_map_file() -> None:
    text = '[scan]\npreset = "pnp-1.0a"\nafter_good = "step"\nafter_bad = "length-and-step"\nrounding = "none"\n'
    rules = parse(text + 'sum_bits = 16\nadvance_bits = 16\nzero_length = "64K"\n', "m").layout({}).rules
    assert (rules.after_good, rules.after_bad, rules.rounding) == ("step", "length-and-step", "none")
    assert (rules.sum_bits, rules.advance_bits, rules.zero_length) == (16, 16, "64K")
    assert rules.name == (
        "pnp-1.0a, after_good, after_bad, rounding, zero_length, sum_bits, advance_bits from the map file"
    )
    for wrong in ("sum_bits = 8", 'rounding = "2K"', 'after_bad = "both"'):
        with pytest.raises(UsageError, match=f"m:3: scan.{wrong.split()[0]}"):
            parse(f'[scan]\npreset = "8088-first"\n{wrong}\n', "m")
