"""What a machine reads beside what its map predicts: each difference is the one that was made, and no other is told."""

from __future__ import annotations

from binascii import crc_hqx
from collections.abc import Mapping
from hashlib import sha256
from random import Random

import pytest
from support.reports import BLOCK, END, FIRST, World, as_sent, option_rom

import benchd.rom.recognise as recognise_module
from benchd.decode.report import ReportReader
from benchd.rom.free import free_measured
from benchd.rom.layout import Layout, Window
from benchd.rom.mapfile import parse, room_for
from benchd.rom.measured import MeasuredMap, hold
from benchd.rom.recognise import name_images, recognise
from benchd.rom.scanrules import PRESETS
from benchd.vocabulary.measured import Measured

RNG = Random(1)
VIDEO, ADAPTER, NETWORK = option_rom(RNG, 0x8000), option_rom(RNG, 0x2000), option_rom(RNG, 0x4000)
RULES = PRESETS["pnp-1.0a"]
WINDOWS = (
    Window("video", 0xC0000, 0x8000, image=VIDEO, image_name="video.bin"),
    Window("adapter", 0xD0000, 0x2000, image=ADAPTER, image_name="adapter.bin", positions=(0xC8000, 0xD0000)),
    Window("network", 0xD8000, 0x4000, image=NETWORK, image_name="network.bin"),
    Window("page frame", 0xE0000, 0x4000, kind="ram"),
)
LAYOUT = Layout(WINDOWS, RULES)
ADAPTER_BLOCKS = range(0xD0000, 0xD2000, BLOCK)


def machine(places: Mapping[int, bytes], ram: int | None = 0xE0000) -> World:
    world = World()
    for at, data in places.items():
        world.put(at, data)
    if ram is not None:
        for at in range(ram, ram + 0x4000, BLOCK):
            world.blocks[at] = RNG.randbytes(BLOCK)
    for at in range(0xF0000, END, BLOCK):
        world.blocks[at] = RNG.randbytes(BLOCK)
    return world


AS_DECLARED = {0xC0000: VIDEO, 0xD0000: ADAPTER, 0xD8000: NETWORK}


def read(world: World, *lost: int) -> Measured:
    reader = ReportReader()
    for number, line in enumerate(as_sent(world.report()).decode().split("\r\n")):
        if number not in lost:
            reader.take(line)
    assert reader.measured is not None
    return reader.measured


def held(world: World) -> MeasuredMap:
    return hold(LAYOUT, read(world), "b1")


def told(found: MeasuredMap) -> list[tuple[str, str, str]]:
    return [(f"{one.first:05X}-{one.last:05X}", one.kind, one.text) for one in found.differences]


def test_a_machine_as_declared_has_no_difference() -> None:
    found = held(machine(AS_DECLARED))
    assert told(found) == [] and all(view.kind == "same" for view in found.blocks)
    assert [(one.image, one.at, one.whole) for one in found.images] == [
        ("video.bin", 0xC0000, True), ("adapter.bin", 0xD0000, True), ("network.bin", 0xD8000, True)
    ]  # fmt: skip
    assert [(one.first, one.last) for one in found.free] == [
        (0xC8000, 0xCFFFF), (0xD2000, 0xD7FFF), (0xDC000, 0xDFFFF), (0xE4000, 0xEFFFF)
    ]  # fmt: skip


def test_an_adapter_at_another_base() -> None:
    """It is named where it answers, and missed where it was said to be."""
    found = held(machine({0xC0000: VIDEO, 0xC8000: ADAPTER, 0xD8000: NETWORK}))
    assert told(found) == [
        ("C8000-C9FFF", "elsewhere", "adapter.bin answers here: its first byte is at C8000"),
        ("D0000-D1FFF", "silent",
         "nobody answers: adapter is set to another place, switched off, or not seated"),
    ]  # fmt: skip


def test_two_devices_at_one_address_are_both_named() -> None:
    """Their blocks have the CRC of the bytewise AND, which no report tells by itself."""
    found = held(machine({0xC0000: VIDEO, 0xD0000: ADAPTER, 0xD1000: NETWORK}))
    kinds = {f"{one.first:05X}-{one.last:05X}": (one.kind, one.text) for one in found.differences}
    assert kinds["D1000-D1FFF"] == (
        "two-answer", "two devices answer here, adapter.bin and network.bin: bits of both are missing"
    )  # fmt: skip
    assert kinds["D2000-D4FFF"] == ("elsewhere", "network.bin answers here: its first byte is at D1000")
    assert kinds["D8000-DBFFF"][0] == "silent" and len(kinds) == 3


def test_two_that_the_map_lets_overlap_are_told_as_predicted() -> None:
    layout = LAYOUT.changed("network", base=0xD1000)
    found = hold(layout, read(machine({0xC0000: VIDEO, 0xD0000: ADAPTER, 0xD1000: NETWORK})))
    assert told(found) == [
        ("D1000-D1FFF", "two-answer",
         "two devices answer here, as predicted, adapter and network: bits of both are missing")
    ]  # fmt: skip


def test_a_card_that_decodes_more_than_its_image() -> None:
    world = machine(AS_DECLARED)
    world.blocks |= {0xD2000 + o: ADAPTER[o : o + BLOCK] for o in range(0, 0x2000, BLOCK)}
    found = held(world)
    assert told(found) == [
        ("D2000-D3FFF", "mirror", "mirror of D0000: the card decodes 16 KiB though its image has 8 KiB")
    ]
    assert all(not (one.first <= 0xD2000 <= one.last) for one in found.free)


def test_memory_that_is_not_there_and_a_chip_that_is_empty() -> None:
    world = machine(AS_DECLARED, ram=None)
    world.blocks |= dict.fromkeys(ADAPTER_BLOCKS, b"\xff" * BLOCK)
    found = held(world)
    assert [(span, kind) for span, kind, _ in told(found)] == [("D0000-D1FFF", "blank"), ("E0000-E3FFF", "silent")]
    assert "the memory page frame is not there" in told(found)[1][2]


def test_what_the_map_does_not_have_is_named_by_its_header() -> None:
    unknown = option_rom(Random(9), 0x3000)
    world = machine({**AS_DECLARED, 0xC8000: unknown})
    world.blocks[0xDE000] = (0x12, 0x14)
    world.blocks[0xE8000] = b"\x00" * BLOCK
    assert told(held(world)) == [
        ("C8000-CAFFF", "unnamed", "a ROM of 12 KiB begins here that the map does not have"),
        ("DE000-DE7FF", "changing",
         "differs between two passes (20 bytes, the first at DE012): memory-mapped hardware, or a bad contact"),
        ("E8000-E87FF", "unnamed", "reads 00h throughout: something answers that the map does not have"),
    ]  # fmt: skip


def test_a_damaged_chip_is_no_other_image() -> None:
    broken = bytearray(ADAPTER)
    broken[0x1234] ^= 0x40
    found = held(machine({**AS_DECLARED, 0xD0000: bytes(broken)}))
    ((span, kind, text),) = told(found)
    assert (span, kind) == ("D1000-D17FF", "other") and "a damaged chip" in text
    assert [(one.at, one.blocks, one.of) for one in found.images if one.image == "adapter.bin"] == [(0xD0000, 3, 4)]


def test_a_lost_line_is_told_and_nothing_is_guessed() -> None:
    world = machine(AS_DECLARED)
    lines = world.report()
    at = next(n for n, line in enumerate(lines) if " D0800 " in line)
    found = hold(LAYOUT, read(world, at + 1), "b1")
    assert told(found) == [("D0800-D0FFF", "untold", "the report does not tell of it: its line was damaged or lost")]
    assert not found.complete


@pytest.mark.parametrize("front", [0, 0x200, 0x400, 0x600, 0x4000, 0x4200])
def test_an_image_is_known_behind_any_padding(front: int) -> None:
    """FFh in front moves it; its header is then where its first byte is."""
    measured = read(machine({0xC0000: VIDEO, 0xC8000: b"\xff" * front + ADAPTER}))
    found = recognise(measured, {"a.bin": ADAPTER, "v.bin": VIDEO, "n.bin": NETWORK})
    assert [(one.image, one.at, one.whole, one.mirror) for one in found] == [
        ("v.bin", 0xC0000, True, False), ("a.bin", 0xC8000 + front, True, False)
    ]  # fmt: skip
    named = name_images(measured, {"a.bin": ADAPTER})
    expected = [None, "a.bin"] if front % BLOCK == 0 else [None]
    assert [header.image for header in named.roms] == expected


def test_a_window_with_its_own_ffh_is_not_free() -> None:
    world = machine({0xC8000: b"\0" + RNG.randbytes(0xFFF) + b"\xff" * 0x1000})
    measured = read(world)
    layout = Layout((Window("a", 0xC8000, 0x2000),), RULES)
    assert free_measured(measured)[1].first == 0xC9000
    assert free_measured(measured, layout)[1].first == 0xCA000
    assert free_measured(measured, layout, but="a")[0].first == FIRST


@pytest.mark.parametrize("seed", range(60))
def test_one_change_is_the_one_that_is_told(seed: int) -> None:
    """Random windows as declared but for one: every other block is the same, the changed ones are of that kind."""
    rng = Random(seed)
    images = {name: option_rom(rng, rng.choice([0x800, 0x2000, 0x4000])) for name in ("a", "b", "c")}
    spots = dict(zip(images, rng.sample([0xC0000, 0xC8000, 0xD0000, 0xD8000, 0xE0000], 3), strict=True))
    layout = Layout(
        tuple(Window(n, spots[n], len(images[n]), image=images[n], image_name=f"{n}.bin") for n in images), RULES
    )
    changed, how = rng.choice("abc"), rng.choice(["moved", "gone", "erased", "doubled", "other"])
    size, at = len(images[changed]), spots[changed]
    own = set(range(at, at + size, BLOCK))
    places = {spots[n]: images[n] for n in images if n != changed}
    kinds: dict[int, str] = {}
    free = next(x for x in (0xC4000, 0xCC000, 0xD4000, 0xDC000) if all(abs(x - s) >= 0x4000 for s in spots.values()))
    if how == "moved":
        places[free] = images[changed]
        kinds = dict.fromkeys(own, "silent") | dict.fromkeys(range(free, free + size, BLOCK), "elsewhere")
    elif how == "gone":
        kinds = dict.fromkeys(own, "silent")
    elif how == "erased":
        places[at] = b"\xff" * size
        kinds = dict.fromkeys(own, "blank")
    elif how == "other":
        places[at] = rng.randbytes(size)
        kinds = dict.fromkeys(own, "other")
    world = machine(places, ram=None)
    if how == "doubled":
        second = images[rng.choice([n for n in images if n != changed])]
        both = bytes(x & y for x, y in zip(images[changed], second.ljust(size, b"\xff"), strict=False))
        world.put(at, both)
        shown = {at + o: both[o : o + BLOCK] for o in range(0, size, BLOCK)}
        kinds = {a: "two-answer" for a, data in shown.items() if data != images[changed][a - at : a - at + BLOCK]}
    found = hold(layout, read(world))
    assert {view.at: view.kind for view in found.blocks} == {
        a: kinds.get(a, "same") for a in range(FIRST, END, BLOCK)
    }, (how, changed)


def test_ffh_inside_a_rom_is_neither_free_nor_the_end_of_its_mirror() -> None:
    """A report calls no block of one value "the same": an image with FFh inside is one mirror all the same."""
    image = bytearray(ADAPTER)
    image[0x800:0x1000] = b"\xff" * 0x800
    image[-1] = (image[-1] - sum(image)) % 256
    world = World()
    world.put(0xC8000, bytes(image))
    world.put(0xCA000, bytes(image))
    layout = Layout((Window("a", 0xC8000, 0x2000, image=bytes(image), image_name="a.bin"),), RULES)
    found = hold(layout, read(world))
    mirror = ("CA000-CBFFF", "mirror", "mirror of C8000: the card decodes 16 KiB though its image has 8 KiB")
    assert told(found) == [mirror]
    assert [one.first for one in free_measured(read(world))] == [0xC0000, 0xCC000]
    elsewhere = ("C8000-C9FFF", "elsewhere", "a.bin answers here: its first byte is at C8000")
    found = hold(layout.changed("a", base=None), read(world))
    assert told(found) == [elsewhere, mirror]


def test_what_is_laid_over_later_is_not_free_and_holds_nothing() -> None:
    """Bases with a report are among those without one: a page frame, and shadow for memory, are left out of both."""
    text = """
[[window]]
name = "frame"
base = "D0000"
size = "64K"
kind = "page-frame"
[[window]]
name = "copy"
base = "C8000"
size = "16K"
kind = "shadow"
[[window]]
name = "memory"
base = "off"
size = "16K"
kind = "ram"
positions = ["C8000", "CC000", "D0000", "E0000"]
[[want]]
name = "rom"
size = "8K"
"""
    found = parse(text, "m.toml")
    layout = found.layout({})
    report = read(World())
    without, with_report = (room_for(found, layout, measured=measured) for measured in (None, report))
    assert [room.bases for room in with_report] == [room.bases for room in without]
    by_name = {room.name: room.bases for room in with_report}
    assert by_name["memory"] == (0xCC000, 0xE0000)
    assert 0xC8000 in by_name["rom"] and not any(0xCE800 <= base < 0xE0000 for base in by_name["rom"])


def test_an_unknown_rom_inside_a_declared_page_frame_is_told_as_one_the_map_does_not_have() -> None:
    layout = Layout((Window("frame", 0xD0000, 0x10000, kind="page-frame"),), PRESETS["pnp-1.0a"])
    found = hold(layout, read(machine({0xD4000: ADAPTER}, ram=None)))
    assert told(found) == [("D4000-D5FFF", "unnamed", "a ROM of 8 KiB begins here that the map does not have")]
    assert {view.kind for view in found.blocks if not 0xD4000 <= view.at < 0xD6000} == {"same"}


def test_two_versions_with_one_file_name_are_both_known() -> None:
    """The map's window has one, a study's level the other; each is recognised, by its own name."""
    newer = option_rom(Random(8), len(ADAPTER))
    layout = Layout((Window("adapter", 0xD0000, len(ADAPTER), image=ADAPTER, image_name="a.bin"),), PRESETS["pnp-1.0a"])
    report = read(machine({0xD0000: newer, 0xD8000: ADAPTER}, ram=None))
    found = hold(layout, report, more={"a.bin": newer})
    second = f"a.bin {sha256(newer).hexdigest()[:8]}"
    assert [(one.image, one.at) for one in found.images] == [(second, 0xD0000), ("a.bin", 0xD8000)]
    assert told(found)[0] == ("D0000-D1FFF", "elsewhere", f"{second} answers here: its first byte is at D0000")
    assert len(hold(layout, report, more={"a.bin": ADAPTER}).images) == 1, "the same image is no second one"


def test_pairs_are_worked_out_once_for_a_set_of_images(monkeypatch: pytest.MonkeyPatch) -> None:
    """Counted, not timed: 96 unknown blocks and four images of 32K cost no more marks than one pass over all pairs."""
    rng = Random(31)
    images = {f"{n}.bin": option_rom(rng, 0x8000) for n in range(4)}
    worked = [0]

    def counted(data: bytes, start: int) -> int:
        worked[0] += 1
        return crc_hqx(data, start)

    monkeypatch.setattr(recognise_module, "crc_hqx", counted)
    world = World()
    for at in range(0xC0000, 0xF0000, BLOCK):
        world.blocks[at] = rng.randbytes(BLOCK)
    one, two = (images[name][:BLOCK] for name in ("1.bin", "3.bin"))
    world.blocks[0xD0000] = bytes(a & b for a, b in zip(one, two, strict=True))
    layout, report = Layout((), PRESETS["pnp-1.0a"]), read(world)
    found = hold(layout, report, more=images)
    blocks = 4 * 0x8000 // BLOCK
    assert worked[0] <= blocks * blocks
    assert ("D0000-D07FF", "two-answer") in [one[:2] for one in told(found)]
    before = worked[0]
    assert hold(layout, report, more=images) == found and worked[0] - before < blocks * blocks // 4
