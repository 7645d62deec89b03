"""Slot arithmetic and the published scanners.

Golden values: next-slot table and window arithmetic derived from PnP-1.0A sec. 2.3 (2 KiB boundaries) and the
advance rule of SeaBIOS src/optionroms.c, Bochs rombios.c and EDK2 LegacyPci.c; edge cases read off Bochs.
"""

from __future__ import annotations

import pytest
from support.option_roms import GOLDEN, balance, option_rom

from benchd.rom.layout import Layout, Window
from benchd.rom.numbers import parse_address, physical
from benchd.rom.predict import ScanPrediction, predict
from benchd.rom.scanrules import PRESETS, ScanRules, Sweep


def scan(windows: list[Window], rules: ScanRules | str = "pnp-1.0a") -> ScanPrediction:
    return predict(Layout(tuple(windows), PRESETS[rules] if isinstance(rules, str) else rules))


def rom(image: bytes, base: int = 0xC8000, size: int | None = None, name: str = "rom") -> Window:
    return Window(name, base, size or len(image), image=image)


def ran(prediction: ScanPrediction) -> list[int]:
    return [slot.at for slot in prediction.slots if slot.runs]


@pytest.mark.parametrize(
    ("blocks", "following"),
    [
        (0x01, 0xC8800), (0x02, 0xC8800), (0x03, 0xC8800), (0x04, 0xC8800), (0x05, 0xC9000), (0x08, 0xC9000),
        (0x09, 0xC9800), (0x10, 0xCA000), (0x14, 0xCA800), (0x20, 0xCC000), (0x40, 0xD0000), (0x80, 0xD8000),
    ],
)  # fmt: skip
def test_next_slot_behind_a_good_rom_at_c8000(blocks: int, following: int) -> None:
    slot = next(s for s in scan([rom(option_rom(blocks))]).slots if s.at == 0xC8000)
    assert slot.found and slot.runs and slot.next == following


def test_a_rom_of_exactly_64k_leaves_d8000_free_and_one_block_more_does_not() -> None:
    """80h blocks at C8000h end at D7FFFh; 81h blocks reach into D8000h (arithmetic)."""
    second = rom(GOLDEN, 0xD8000, name="second")
    whole = scan([rom(option_rom(0x80)), second])
    assert ran(whole) == [0xC8000, 0xD8000] and whole.overlaps == ()
    longer = scan([rom(option_rom(0x81)), second])
    assert [(o.first, o.last) for o in longer.overlaps] == [(0xD8000, 0xD81FF)]


def test_after_a_bad_sum_the_scan_goes_on_2k_further() -> None:
    """SeaBIOS and Bochs do not trust the length of a bad ROM: a header inside it is looked at."""
    bad = bytearray(option_rom(16))
    bad[0x800:0xA00] = GOLDEN
    bad[-1] ^= 1
    prediction = scan([rom(bytes(bad))])
    assert prediction.slots[16].at == 0xC8000 and prediction.slots[16].next == 0xC8800
    assert ran(prediction) == [0xC8800]


def test_header_inside_a_good_rom_is_stepped_over() -> None:
    """One image inside the length of a good one: SeaBIOS, Bochs and EDK2 all go on behind the end."""
    good = bytearray(option_rom(16))
    good[0x1000:0x1200] = GOLDEN
    prediction = scan([rom(balance(bytes(good)))])
    assert ran(prediction) == [0xC8000]


def test_header_off_the_slots_is_missed_and_said_so() -> None:
    prediction = scan([Window("card", 0xC8000, 0x2000, image=GOLDEN, front=0x400)])
    assert ran(prediction) == []
    assert [(o.at, o.runs) for o in prediction.roms] == [(0xC8400, False)]
    assert "no slot of 2 KiB" in prediction.roms[0].why


def test_length_00() -> None:
    """SeaBIOS refuses it; Bochs sums 64 KiB and, the sum being 00h, never moves on."""
    image = balance(b"\x55\xaa\x00\xcb".ljust(0x10000, b"\0"))
    refused = scan([rom(image)])
    slot = next(s for s in refused.slots if s.at == 0xC8000)
    assert (slot.found, slot.checksum_ok, slot.runs, slot.next) == (True, False, False, 0xC8800)
    stuck = scan([rom(image)], "bochs")
    assert stuck.endless and ran(stuck) == [0xC8000] and stuck.slots[-1].next == 0xC8000


@pytest.mark.parametrize("blocks", [0xFD, 0xFE, 0xFF])
def test_lengths_that_round_to_zero_in_eight_bits(blocks: int) -> None:
    image = option_rom(blocks, filled=0)
    image = balance(image[:-1] + b"\xff", last=0x1B)  # balanced in the header: 64 KiB parts sum to 00h too
    window = rom(image, 0xC8000)
    assert not scan([window]).endless
    stuck = scan([window], "bochs")
    assert stuck.endless and any("for ever" in text for text in stuck.findings)


def test_sums_that_wrap_in_sixteen_bits() -> None:
    """Bochs: 81h blocks sum only 512 bytes, FCh 63,488, 80h all 65,536 (rombios.c rom_checksum)."""
    for blocks, counted in ((0x81, 512), (0xFC, 63_488), (0x80, 65_536)):
        slot = next(s for s in scan([rom(option_rom(blocks))], "bochs").slots if s.at == 0xC8000)
        assert slot.note.startswith(f"{counted:,} bytes sum")


def test_e0000_as_slots_once_and_as_one_block() -> None:
    """ROM-Scan page: 64 KiB at E000:0 summed whole, its length byte not used; PnP-1.0A: slots like others."""
    small = [rom(option_rom(4), 0xE0000, 0x10000)]
    assert ran(scan(small)) == [0xE0000]
    assert ran(scan(small, "to-dffff")) == []
    assert "outside what the scan looks at" in scan(small, "to-dffff").roms[0].why
    filled = b"\x55\xaa\x00\xcb".ljust(0xFFFF, b"\x21") + b"\0"
    block = [rom(balance(filled), 0xE0000)]
    assert ran(scan(block, "e0000-as-block")) == [0xE0000]
    assert ran(scan(block)) == []
    odd = [rom(option_rom(4), 0xE8000, name="second half")]
    assert ran(scan(odd)) == [0xE8000] and ran(scan(odd, "e0000-as-block")) == []


def test_bochs_looks_at_e0000_and_stops() -> None:
    """rombios.c: the end is inclusive (cmp, jbe), so E0000 is the last slot."""
    prediction = scan([rom(GOLDEN, 0xE0000)], "bochs")
    assert [s.at for s in prediction.slots][-1] == 0xE0000 and ran(prediction) == [0xE0000]


def test_checksum_off_runs_a_bad_rom() -> None:
    bad = rom(GOLDEN[:-1] + b"\0")
    assert ran(scan([bad])) == [] and ran(scan([bad], "checksum-off")) == [0xC8000]
    slot = next(s for s in scan([bad], "checksum-off").slots if s.found)
    assert slot.checksum_ok is False and "does not check" in slot.note


@pytest.mark.parametrize("name", ["no-scan", "seabios"])
def test_scanners_that_look_for_nothing(name: str) -> None:
    prediction = scan([rom(GOLDEN)], name)
    assert prediction.slots == () and prediction.roms[0].runs is False and prediction.findings


def test_slots_of_the_windows_of_interest() -> None:
    """C8000-DFFFF is 96 KiB, 48 slots; C0000-EFFFF is 192 KiB, 96 slots (arithmetic)."""
    assert len(scan([], ScanRules("x", (Sweep(0xC8000, 0xDFFFF),))).slots) == 48
    assert len(scan([]).slots) == 96


def test_every_preset_names_its_source() -> None:
    assert all(rules.source for rules in PRESETS.values())


@pytest.mark.parametrize(
    ("segment", "offset", "address"),
    [
        (0x1234, 0x4321, 0x16661),  # programmer's guide, figure 2-3
        (0x2010, 0x3535, 0x23635),  # NPTEL course 106103068, module 11, lecture 3
        (0x1005, 0x5555, 0x155A5),  # worked example, Q&A page
        (0xC000, 0x8000, 0xC8000), (0xC800, 0x0003, 0xC8003), (0xD800, 0x0003, 0xD8003),
        (0xF000, 0xFFF0, 0xFFFF0), (0xFFFF, 0x0000, 0xFFFF0), (0xFFFF, 0xFFFF, 0x0FFEF),
    ],
)  # fmt: skip
def test_real_mode_addresses(segment: int, offset: int, address: int) -> None:
    """physical = segment * 10h + offset, twenty address lines (golden values with sources beside)."""
    assert physical(segment, offset) == address
    assert parse_address(f"{segment:04X}:{offset:04X}") == address
