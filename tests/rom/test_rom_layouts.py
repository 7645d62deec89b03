"""Overlaps, free stretches and slots: on 613 reported layouts, on random ones, against page-by-page counts."""

from __future__ import annotations

import csv
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.option_roms import option_rom

from benchd.rom.layout import Layout, Stretch, Window, free, free_bases, overlaps, width_clashes
from benchd.rom.moves import report
from benchd.rom.predict import predict
from benchd.rom.scanrules import PRESETS
from benchd.rom.usual import USUAL

RULES = PRESETS["pnp-1.0a"]
DATA = Path(__file__).with_name("data") / "reported-layouts.csv"
"""CC-BY-4.0, credit in the file: BSD hardware database users, bsdhw/Dmesg."""


def reported() -> list[list[tuple[int, int]]]:
    """Every reported layout as inclusive ranges; a lone address stands for itself."""
    with DATA.open() as file:
        lines = [line for line in file if not line.startswith("#")]
    out = []
    for row in csv.DictReader(lines):
        spans = []
        for text in row["segments"].split(","):
            first, _, last = text.partition("-")
            spans.append((int(first, 16), int(last or first, 16)))
        out.append(spans)
    return out


ROMS: dict[int, bytes] = {}


def image_of(size: int) -> bytes:
    if size not in ROMS:
        ROMS[size] = option_rom(size // 512, filled=0.02)
    return ROMS[size]


def windows_of(spans: list[tuple[int, int]], images: bool, prefix: str = "w") -> tuple[Window, ...]:
    return tuple(
        Window(
            f"{prefix}{n}",
            first,
            last - first + 1,
            image=image_of(last - first + 1) if images and last > first else None,
        )
        for n, (first, last) in enumerate(spans)
    )


def bytewise(spans: list[tuple[int, int]]) -> dict[int, set[int]]:
    """Which spans cover each 512-byte page (all edges in the data lie on 2 KiB)."""
    out: dict[int, set[int]] = {}
    for n, (first, last) in enumerate(spans):
        for page in range(first // 512, last // 512 + 1):
            out.setdefault(page, set()).add(n)
    return out


def test_there_are_613_layouts() -> None:
    assert len(reported()) == 613


@pytest.mark.parametrize("images", [True, False], ids=["images", "no-images"])
def test_every_reported_layout_is_predicted(images: bool) -> None:
    """Each ROM is found and runs where it was reported, its size right, the scan going on behind its end."""
    for spans in reported():
        prediction = predict(Layout(windows_of(spans, images), RULES))
        assert prediction.overlaps == ()
        slots = {slot.at: slot for slot in prediction.slots}
        for n, (first, last) in enumerate(spans):
            if first == last:  # reported without an end: nothing to hold a ROM
                assert not slots[first].found
                continue
            slot = slots[first]
            assert slot.found and slot.runs and slot.party == f"w{n}", (spans, hex(first))
            assert slot.length_bytes == last - first + 1
            assert slot.next == last + 1  # every reported size is a multiple of 2 KiB


def test_free_and_taken_add_up_on_every_reported_layout() -> None:
    """Free stretches and windows cover C0000-EFFFF exactly once."""
    for spans in reported():
        taken = sum(min(last, 0xEFFFF) - first + 1 for first, last in spans)
        stretches = free(windows_of(spans, False), RULES)
        assert sum(one.size for one in stretches) + taken == 0x30000
        for one in stretches:
            assert all(one.last < first or last < one.first for first, last in spans)


def test_overlaps_of_two_reported_layouts_laid_over_each_other() -> None:
    """Two machines' cards in one: overlaps and their parties are those of a page-by-page count."""
    layouts = reported()
    met = 0
    for one, two in zip(layouts, layouts[7:], strict=False):
        spans = one + two
        if any(first == last for first, last in spans):
            continue
        names = [f"w{n}" for n in range(len(spans))]
        want = {page: who for page, who in bytewise(spans).items() if len(who) > 1}
        got: dict[int, set[int]] = {}
        for overlap in overlaps(windows_of(spans, False)):
            assert overlap.first % 512 == 0 and overlap.last % 512 == 511
            for page in range(overlap.first // 512, overlap.last // 512 + 1):
                assert page not in got
                got[page] = {names.index(name) for name in overlap.parties}
        assert got == want
        met += bool(want)
    assert met > 300


SPAN = st.tuples(st.integers(0xA0000, 0xFFFFF), st.integers(1, 0x8000)).map(
    lambda pair: (pair[0], min(pair[0] + pair[1], 0x100000))
)


@settings(deadline=None, max_examples=150)
@given(st.lists(SPAN, max_size=12))
def test_overlaps_of_any_spans(spans: list[tuple[int, int]]) -> None:
    """Odd edges too: at each edge the parties are those that cover it; stretches are maximal and ordered."""
    windows = tuple(Window(f"w{n}", a, b - a) for n, (a, b) in enumerate(spans))
    got = overlaps(windows)
    for left, right in pairwise(got):
        assert left.last < right.first
        assert left.parties != right.parties or left.last + 1 < right.first
    edges = sorted({edge for span in spans for edge in span})
    for at in edges[:-1]:
        cover = tuple(f"w{n}" for n, (a, b) in enumerate(spans) if a <= at < b)
        hit = [one for one in got if one.first <= at <= one.last]
        assert [one.parties for one in hit] == ([cover] if len(cover) > 1 else [])


@settings(deadline=None, max_examples=80)
@given(st.lists(SPAN, max_size=8), st.integers(1, 0x10000))
def test_free_bases_are_free(spans: list[tuple[int, int]], size: int) -> None:
    windows = tuple(Window(f"w{n}", a, b - a) for n, (a, b) in enumerate(spans))
    bases = free_bases(windows, RULES, size)
    assert all(base % 0x800 == 0 and base >= 0xC0000 and base + size <= 0xF0000 for base in bases)
    for base in range(0xC0000, 0xF0000, 0x800):
        fits = base + size <= 0xF0000 and all(base + size <= a or b <= base for a, b in spans)
        assert (base in bases) == fits


def test_an_8k_rom_at_c800_leaves_ca00() -> None:
    """Trade fact (common practice, no source): 8 KiB at C800h occupies C800h-C9FFh, next paragraph CA00h."""
    stretches = free((Window("rom", 0xC8000, 0x2000),), RULES)
    assert stretches == (Stretch(0xC0000, 0xC7FFF), Stretch(0xCA000, 0xEFFFF))


def test_mirrors_overlap_and_one_card_does_not_clash_with_itself() -> None:
    card = Window("rom", 0xC8000, 0x2000, mirrors=(0x8000,), card="adapter")
    buffer = Window("buffer", 0xC9000, 0x400, kind="ram", card="adapter")
    other = Window("other", 0xD0000, 0x1000)
    assert [(o.first, o.last, o.parties) for o in overlaps((card, buffer, other))] == [
        (0xD0000, 0xD0FFF, ("rom", "other"))
    ]
    assert overlaps((card, buffer)) == ()


def test_widths_in_one_128k_block() -> None:
    """From memory, common practice, no source: A17-A23 decide 16-bit cycles, so 128 KiB share a width."""
    narrow, wide = Window("narrow", 0xC8000, 0x2000, bits=8), Window("wide", 0xD0000, 0x4000, bits=16)
    assert "C0000-DFFFF" in width_clashes((narrow, wide))[0]
    assert width_clashes((narrow, wide.moved(0xE0000))) == []


def test_scans_of_other_machines_over_reported_layouts() -> None:
    """Every reported size is whole 2 KiB: nobody is told to pad, and the map of each is told whole (every 9th)."""
    for spans in reported()[::9]:
        told = report(Layout(windows_of(spans, True), RULES), ())
        assert not any("pad the image" in one.text for one in told.disagreements), spans
        for one in told.disagreements:
            assert one.seen_by and one.missed_by and not set(one.seen_by) & set(one.missed_by)
        covered = {one.name for one in USUAL} - {one.name for one in told.usual}
        hit = {one.name for one in USUAL if any(first <= one.last and one.first <= last for first, last in spans)}
        assert covered == hit
