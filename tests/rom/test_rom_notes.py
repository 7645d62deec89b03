"""firmware-notes/option-rom.md says what the code does: its map file, presets and fields are read from it."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from support.option_roms import GOLDEN, option_rom

from benchd.rom.image import inspect
from benchd.rom.layout import Layout, Window
from benchd.rom.mapfile import ScanTable, WindowTable, parse
from benchd.rom.predict import predict
from benchd.rom.scanrules import PRESETS
from benchd.rom.usual import USUAL

NOTES = (Path(__file__).parents[2] / "firmware-notes" / "option-rom.md").read_text(encoding="utf-8")


def reported() -> Iterator[tuple[int, list[tuple[int, int]]]]:
    """Every reported layout: how many machines told it, its inclusive ranges."""
    with Path(__file__).with_name("data").joinpath("reported-layouts.csv").open() as file:
        for row in csv.DictReader(line for line in file if not line.startswith("#")):
            spans = [text.split("-") for text in row["segments"].split(",")]
            yield int(row["reports"]), [(int(one[0], 16), int(one[-1], 16)) for one in spans]


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


def test_usual_windows_in_the_notes_are_those_of_the_code_and_of_the_reports() -> None:
    """Addresses as in the code, in order; the counts are those of the reported layouts (bsdhw/Dmesg, CC-BY-4.0)."""
    rows = re.findall(r"^\| (\w{5})-(\w{5}) \| [^|]+ \| [^|]+ \| ([\d-]+) \|", NOTES, re.M)
    assert [(int(a, 16), int(b, 16)) for a, b, _ in rows] == [(one.first, one.last) for one in USUAL]
    starts, total = Counter[int](), 0
    for reports, spans in reported():
        total += reports
        starts.update({first: reports for first in {first for first, _ in spans}})
    assert total == 6773
    assert [(int(a, 16), int(count)) for a, _, count in rows if count != "-"] == [
        (one.first, starts[one.first]) for one in USUAL[:-1]
    ]
