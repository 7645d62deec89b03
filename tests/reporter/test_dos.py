"""The DOS program in DOSBox, an emulator and a DOS that nobody here wrote."""

from __future__ import annotations

import re

import pytest
from peers.dos import run_programs
from reporter.reading import read

from benchd.reporter.build import build
from benchd.reporter.options import Options, Window

GRAPHICS = bytes.fromhex("b81200 cd10 cd20")
"""INT 10h sets mode 12h, then the program ends: in text modes this emulator has plane 2 only."""

pytestmark = pytest.mark.peer("dosbox")


def test_report_under_dos() -> None:
    """A whole report, with tests of upper memory and of a display with planes; what DOSBox says of itself is in it."""
    program = build(Options("com", speed=115200, window=Window(0xD8000, 0xDFFFF), display=True))
    told = read(run_programs([GRAPHICS, program], re.compile(rb" end lines [0-9A-F ]+\r\n")))
    assert re.match(r"begin 1 as com at \w{5} uart 3F8 speed 115200 ", told.bodies[0])
    assert told.of("bios")[0].endswith(" video 12 model FC date 01/01/92")
    assert told.of("bios")[0].startswith("bios memory 0280 ")
    assert told.of("ports")[0].startswith("ports com 03F8 ")
    assert told.of("rom")[0].startswith("rom C0000 length 8000 ")
    assert [line.split()[1:3] for line in told.of("test")] == [
        ["window", "D8000-DFFFF"], *([f"display-{plane}", "A0000-AFFFF"] for plane in range(4))
    ]  # fmt: skip
    assert all(line.endswith(" errors 0000 first ----- bits 00") for line in told.of("test"))
