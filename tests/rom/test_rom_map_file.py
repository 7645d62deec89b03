"""The map file: the contract's shape, every way to write an address, and complaints with file, line and key."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.errors import UsageError
from benchd.rom.layout import Layout
from benchd.rom.mapfile import parse
from benchd.rom.numbers import hex_address, parse_address, parse_size, show_size
from benchd.rom.predict import predict

CONTRACT = """\
[scan]
from = "C8000"
to = "DFFFF"          # last slot start lies at or before this
step = "2K"
[[window]]
name = "board ROM"
base = "C8000"
size = "8K"
kind = "rom"           # rom, ram, registers
image = "board.bin"    # optional
"""


def layout(text: str, images: dict[str, bytes] | None = None) -> Layout:
    return parse(text, "m.toml").layout(images or {})


def test_the_contract_s_file() -> None:
    found = parse(CONTRACT, "m.toml")
    assert found.image_names() == ["board.bin"]
    made = found.layout({"board.bin": b"\x55\xaa"})
    assert made.rules.passes[0].first == 0xC8000 and made.rules.passes[0].last == 0xDFFFF
    assert made.windows[0].base == 0xC8000 and made.windows[0].size == 8192 and made.windows[0].kind == "rom"


@pytest.mark.parametrize("text", ["C8000", "c8000", "C8000h", "0xC8000", "C800:0000", "C000:8000", "0C8000H"])
def test_addresses_as_people_write_them(text: str) -> None:
    assert parse_address(text) == 0xC8000


@pytest.mark.parametrize("text", ["", "C800", "C800h", "100000", "hello", "12345:0", 819200, None, "-1", ":"])
def test_addresses_that_are_refused(text: object) -> None:
    """Four digits from A000 up may be a segment: refused, with both readings named."""
    with pytest.raises(ValueError, match=r"hexadecimal|digits|FFFFF"):
        parse_address(text)
    if text == "C800":
        with pytest.raises(ValueError, match="C8000 or C800:0000"):
            parse_address(text)


@pytest.mark.parametrize(
    ("text", "size"),
    [("8K", 8192), ("8 KiB", 8192), ("8kb", 8192), ("8192", 8192), (8192, 8192), ("2000h", 8192),
     ("0x2000", 8192), ("1M", 1 << 20), ("512", 512), ("1B", 1)],
)  # fmt: skip
def test_sizes(text: object, size: int) -> None:
    assert parse_size(text) == size


@pytest.mark.parametrize("text", ["", "K", "eight", "-1", -1, 1.5, True, "8X", "999999999M", None, "8K8"])
def test_sizes_that_are_refused(text: object) -> None:
    with pytest.raises(ValueError, match="size"):
        parse_size(text)


def test_shown_numbers() -> None:
    assert hex_address(0xC8000) == "C8000" and hex_address(0x400) == "00400"
    assert show_size(8192) == "8 KiB" and show_size(1000) == "1,000 bytes" and show_size(1) == "1 byte"


FRAME = '[[window]]\nname = "f"\nbase = "D0000"\nsize = "{}"\nkind = "page-frame"\n'
WRONG = {
    "no toml": ("[scan\n", ":1:", "not valid TOML"),
    "unknown key": (CONTRACT + 'colour = "red"\n', ":11:", "window[1].colour"),
    "bad base": (CONTRACT.replace('base = "C8000"', 'base = "hello"'), ":7:", "window[1].base"),
    "segment": (CONTRACT.replace('base = "C8000"', 'base = "C800"'), ":7:", "may be a segment"),
    "number": (CONTRACT.replace('base = "C8000"', "base = 819200"), ":7:", "quotes"),
    "bad size": (CONTRACT.replace('"8K"', '"big"'), ":8:", "window[1].size"),
    "no name": (CONTRACT.replace('name = "board ROM"\n', ""), ":5:", "window[1].name: is missing"),
    "kind": (CONTRACT.replace('"rom"', '"disk"'), ":9:", "window[1].kind"),
    "past the end": (CONTRACT.replace('base = "C8000"', 'base = "FF000"'), ":5:", "past FFFFF"),
    "step": (CONTRACT.replace('"2K"', '"3K"'), ":4:", "scan.step"),
    "to before from": (CONTRACT.replace('"DFFFF"', '"C0000"'), ":3:", "scan.to: ", "lies before"),
    "preset": ('[scan]\npreset = "best"\n', ":2:", "scan.preset: 'best' is none of", "pnp-1.0a"),
    "twice": (CONTRACT + CONTRACT.split("\n", 4)[4], ":12:", "used twice"),
    "second window": (CONTRACT + '[[window]]\nname = "b"\nsize = "8K"\n', ":11:", "[2].base: is missing"),
    "registers": (CONTRACT + '[[window.registers]]\noffset = "8K"\nsize = "1K"\n', ":5:", "reach past"),
    "register key": (CONTRACT + '[[window.registers]]\noffset = "1K"\nsiz = "1K"\n', ":11:", "size: is"),
    "ram image": (CONTRACT.replace('"rom" ', '"ram" '), ":5:", 'belong to kind "rom"'),
    "only from": ('[scan]\nfrom = "C8000"\n', ":2:", "scan.from: `from` and `to` go together"),
    "a frame of odd pages": (FRAME.format("20K"), ":4:", 'window[1].size: 20,480 bytes: a window of kind "page-frame"'),
    "a frame of five pages": (FRAME.format("80K"), ":4:", "a page frame has at most four pages, 64 KiB"),
    "a shadow of 1K": (FRAME.format("1K").replace("page-frame", "shadow"), ":4:", "is made of pieces of 4 KiB"),
    "a block of 8 bytes": (FRAME.format("8").replace("page-frame", "umb"), ":4:", "is made of pieces of 16 bytes"),
    "a block with codes": (
        FRAME.format("64K").replace("page-frame", "umb") + 'codes = ["80"]\n',
        ":6:",
        'window[1].codes: memory of kind "umb" runs no code of its own: leave codes out',
    ),
    "mirror": (CONTRACT + 'mirrors = ["C9000"]\n', ":5:", "closer together"),
}


@pytest.mark.parametrize("name", WRONG)
def test_complaints_name_file_line_and_key(name: str) -> None:
    text, *words = WRONG[name]
    with pytest.raises(UsageError) as caught:
        parse(text, "m.toml")
    for word in ["m.toml", *words]:
        assert word in str(caught.value), str(caught.value)


def test_everything_a_map_file_can_say() -> None:
    made = layout("""
floating = "00"
[scan]
preset = "e0000-as-block"
checksum = false
after_good = "step"
[[window]]
name = "card"
base = "C800:0000"
size = "16K"
kind = "rom"
image = "card.bin"
card = "adapter"
front = "2K"
pad = "mirror"
mirrors = ["D8000"]
positions = ["C8000", "off"]
bits = 8
codes = ["B2", "E0h"]
stage = "storage-rom"
text = "READY"
registers = [{ offset = "3C00h", size = "1K" }]
[[window]]
name = "off"
base = "off"
size = "8K"
[[want]]
name = "more"
size = "8K"
positions = ["D0000"]
""", {"card.bin": b"\x55\xaa\x01"})  # fmt: skip
    card = made.windows[0]
    assert (card.front, card.pad, card.mirrors, card.positions) == (2048, None, (0x10000,), (0xC8000, None))
    assert (card.codes, card.stage, card.text, card.bits) == ((0xB2, 0xE0), "storage-rom", "READY", 8)
    assert card.registers == ((0x3C00, 0x400),) and made.windows[1].base is None
    assert made.floating == 0 and not made.rules.checksum and made.rules.passes[1].block


def test_scan_settings_change_a_preset() -> None:
    """E0000 as one slot or one block cuts the sweep before it off."""
    rules = layout('[scan]\npreset = "pnp-1.0a"\ne0000 = "block"\n').rules
    assert [(p.first, p.last, p.block) for p in rules.passes] == [
        (0xC0000, 0xDFFFF, False),
        (0xE0000, 0xE0000, True),
    ]
    rules = layout('[scan]\nfrom = "C8000"\nto = "EFFFF"\ne0000 = "once"\nstep = "4K"\n').rules
    assert [(p.first, p.last, p.step) for p in rules.passes] == [
        (0xC8000, 0xDFFFF, 4096),
        (0xE0000, 0xE0000, 4096),
    ]


@settings(deadline=None, max_examples=200)
@given(st.text(max_size=200))
def test_any_text_is_a_map_or_a_complaint(text: str) -> None:
    try:
        predict(layout(text))
    except UsageError as error:
        assert "m.toml" in str(error)


@settings(deadline=None, max_examples=300)
@given(st.data())
def test_a_damaged_map_is_a_map_or_a_complaint(data: st.DataObject) -> None:
    lines = CONTRACT.splitlines()
    for _ in range(data.draw(st.integers(1, 4))):
        n = data.draw(st.integers(0, len(lines) - 1))
        key = lines[n].split("=")[0] if "=" in lines[n] else "x "
        values = ['"0"', '"FFFFF"', '"off"', "1", "-1", "[]", "{}", '"1M"', '"rom"', "true", "1e9", '""']
        value = data.draw(st.sampled_from(values))
        lines[n] = f"{key}= {value}"
    try:
        found = parse("\n".join(lines), "m.toml")
    except UsageError as error:
        assert all(re.match(r"m\.toml:\d+: ", told) for told in str(error).split("\n")), str(error)
        return
    predict(found.layout(dict.fromkeys(found.image_names(), b"\x55\xaa\x01")))
