"""firmware-notes/option-rom.md says what the code does: its map file, presets and fields are read from it."""

from __future__ import annotations

import re
from pathlib import Path

from support.option_roms import GOLDEN, option_rom

from benchd.rom.image import inspect
from benchd.rom.layout import Layout, Window
from benchd.rom.mapfile import ScanTable, WindowTable, parse
from benchd.rom.predict import predict
from benchd.rom.scanrules import PRESETS

NOTES = (Path(__file__).parents[2] / "firmware-notes" / "option-rom.md").read_text(encoding="utf-8")


def test_the_map_file_in_the_notes_is_one() -> None:
    """The example parses as it stands, and names every key that a map file may have."""
    example = re.search(r"```toml\n(.*?)```", NOTES, re.S)
    assert example is not None
    text = example.group(1)
    found = parse(text, "notes").layout({"card.bin": option_rom(16)})
    assert predict(found).roms[0].at == 0xC8800  # behind 2 KiB of front padding
    for model in (ScanTable, WindowTable):
        for name, field in model.model_fields.items():
            key = field.alias or name
            assert re.search(rf"^(# )?{key} =", text, re.M), f"{key} is not explained"


def test_presets_in_the_notes_are_those_of_the_code() -> None:
    table = NOTES.split("### Presets")[1].split("\n\nNot a preset")[0]
    assert re.findall(r"^\| `([^`]+)` \|", table, re.M) == list(PRESETS)


def test_fields_of_the_scan_are_explained() -> None:
    slot = predict(Layout((Window("w", 0xC8000, 512, image=GOLDEN),), PRESETS["pnp-1.0a"])).slots[0]
    for field in slot.to_json():
        assert f"`{field}`" in NOTES
    for field in inspect(GOLDEN).to_json():
        if field in ("length_bytes", "checksum", "checksum_ok", "entry", "images", "problems", "notes", "at"):
            assert f"`{field}`" in NOTES


def test_the_smallest_rom_of_the_notes_is_good() -> None:
    assert "`55 AA 01 CB`, 507\ntimes `00`, `35`" in NOTES
    assert inspect(bytes.fromhex("55AA01CB") + bytes(507) + b"\x35").problems == ()
