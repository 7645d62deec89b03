"""Two reports beside each other: every change that was made is told, and nothing else."""

from __future__ import annotations

from random import Random

import pytest
from support.reports import World, option_rom, random_world

from benchd.decode.report import ReportReader
from benchd.rom.changes import changed
from benchd.vocabulary.measured import Measured


def read(world: World, *lost: int) -> Measured:
    reader = ReportReader()
    for number, line in enumerate(world.report()):
        if number not in lost:
            reader.take(line)
    assert reader.measured is not None
    return reader.measured


def told(a: Measured, b: Measured) -> list[tuple[str, str, str, str]]:
    return [(one.what, one.where, one.a, one.b) for one in changed(a, b)]


@pytest.mark.parametrize("seed", range(10))
def test_a_report_does_not_differ_from_itself_or_from_a_damaged_copy(seed: int) -> None:
    """What a damaged one lacks is no change."""
    whole = read(random_world(Random(seed)))
    assert changed(whole, whole) == ()
    for lost in (1, 5, 12, len(random_world(Random(seed)).report()) - 2):
        assert changed(whole, read(random_world(Random(seed)), lost)) == ()
        assert changed(read(random_world(Random(seed)), lost), whole) == ()


def test_every_kind_of_change() -> None:
    rng = Random(4)
    image, other = option_rom(rng, 0x2000), option_rom(rng, 0x1000)
    one, two = World(), World()
    one.put(0xD0000, image)
    two.put(0xC8000, image)
    one.put(0xDC000, other)
    two.put(0xDC000, other[:0x800] + rng.randbytes(0x800))
    two.blocks[0xE0000] = b"\x00" * 0x800
    two.vectors = one.vectors | {0x13: 0xC8123, 0x40: 0xFEC59}
    two.memory_k, two.com = 512, (0x3F8,)
    one.tests = [("window", 0xD8000, 0xD9FFF, 0, None, 0), ("display-0", 0xA0000, 0xAFFFF, 0, None, 0)]
    two.tests = [("window", 0xD8000, 0xD9FFF, 2, 0xD8001, 4), ("display-0", 0xA0000, 0xAFFFF, 0, None, 0)]
    assert told(read(one), read(two)) == [
        ("moved", "D0000", "D0000", "C8000"),
        ("memory", "C8000-C9FFF", "nobody answers", "something answers"),
        ("memory", "D0000-D1FFF", "something answers", "nobody answers"),
        ("memory", "DC800-DCFFF", "one content", "another content"),
        ("memory", "E0000-E07FF", "nobody answers", "00h throughout"),
        ("vector", "vector 13h", "FEC59", "C8123"),
        ("vector", "vector 40h", "in no ROM", "FEC59"),
        ("machine", "memory (KiB)", "640", "512"),
        ("machine", "ports", "COM 03F8 02F8, LPT 0378", "COM 03F8, LPT 0378"),
        ("test", "test window, D8000-D9FFF", "passed", "2 bytes differ from D8001 on, bits 04"),
    ]
    assert changed(read(one), read(two))[0].words() == "the ROM at D0000 is at C8000 now"
