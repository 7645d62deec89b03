"""firmware-notes/reporter.md against the program: each line that it shows has its form, each code its value."""

from __future__ import annotations

import re
from pathlib import Path

from reporter.assembling import ROOM
from reporter.reading import FORMS, crc, matches

NOTES = (Path(__file__).resolve().parents[2] / "firmware-notes/reporter.md").read_text(encoding="utf-8")


def test_every_line_shown_has_its_form() -> None:
    """Bodies in the table are ones that are read, and each word has one."""
    table = NOTES.split("| body | means |")[1].split("\n\n")[0]
    shown = re.findall(r"^\| `([^`]+)` \|", table, re.MULTILINE)
    assert [body for body in shown if not matches(body)] == []
    assert {body.split()[0] for body in shown} == FORMS.keys()
    assert crc(b"123456789") == 0x29B1 and "gives 29B1" in NOTES


def test_a_bus_that_shows_the_low_address_byte() -> None:
    """What such a block is told as."""
    data = bytes(range(256)) * 8
    assert f"content crc {crc(data):04X} sum {sum(data) % 256:02X}" in " ".join(NOTES.split())


def test_codes() -> None:
    """The page's codes are those of the source."""
    table = NOTES.split("| code | means |")[1].split("\n\n")[0]
    source = (ROOM / "asm/work.inc").read_text(encoding="ascii")
    told = re.findall(r"^\| ([0-9A-F]{2}) \|", table, re.MULTILINE)
    assert told == re.findall(r"^CODE_\w+ +equ 0x([0-9A-F]{2})", source, re.MULTILINE)
    assert len(told) == 9
