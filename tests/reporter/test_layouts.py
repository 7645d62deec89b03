"""The rom on random first megabytes: what it tells is what is there, and all is left as it was found."""

from __future__ import annotations

import random

import pytest
from reporter.layouts import (
    Layout,
    blank,
    expected_blocks,
    expected_display,
    expected_headers,
    expected_rest,
    random_layout,
)
from reporter.machine import Machine
from reporter.reading import Told, read
from reporter.uart import Uart

from benchd.reporter.build import build
from benchd.reporter.options import Options

SEED = 2086
STACK = 0x7C00
STACK_USED = 48
"""Bytes of the caller's stack that may be written: registers, flags, a near call, and the caller's return address."""


def run(layout: Layout, uart: Uart, rng: random.Random) -> Machine:
    """Call the rom as a BIOS does; asserts that registers, flags, memory and UART are as before, and no stray write."""
    before, settings = bytes(layout.bus.memory), uart.settings()
    zone = layout.zone
    machine = Machine(layout.bus, uart)
    own = [(zone, zone + 0x800)] if zone is not None else []
    machine.watch([(STACK - STACK_USED, STACK), *own, *layout.bus.hollow])
    expected = machine.call(layout.base >> 4, 3, (0, STACK), rng)
    assert machine.registers() == expected
    assert machine.writes == []
    left = machine.read(0, 0xA0000)
    assert left[: STACK - STACK_USED] == before[: STACK - STACK_USED] and left[STACK:] == before[STACK:0xA0000]
    assert uart.settings() == settings and uart.overrun == 0
    return machine


def judged(layout: Layout, text: bytes) -> Told:
    """Hold a report against what is there."""
    memory = bytes(layout.bus.memory)
    blocks, headers, rest = expected_blocks(layout), expected_headers(layout), expected_rest(memory)
    told = read(text)
    differ = {f"{at:05X}": (told.blocks[at], blocks[at]) for at in blocks if told.blocks[at] != blocks[at]}
    assert not differ
    assert told.display == expected_display(layout)
    roms = told.of("rom")
    assert [_loose(line, like) for line, like in zip(roms, headers, strict=True)] == headers
    assert [*told.of("vector"), *told.of("bios"), *told.of("ports")] == rest
    assert told.bodies[0].startswith(f"begin 1 as rom at {layout.base:05X} ")
    assert told.bodies[0].endswith(f"run {int.from_bytes(memory[0x46C:0x46E], 'little'):04X}")
    return told


def _loose(line: str, like: str) -> str:
    return line[: line.index("sum ") + 4] + ".." + line[line.index(" entry") :] if " sum .. " in like else line


def sweep(seed: int, count: int, floats: bool) -> dict[str, int]:
    """Run `count` layouts; returns how often each kind of block was met."""
    met: dict[str, int] = {}
    for number in range(count):
        rng = random.Random(f"{seed} {number} {floats}")
        program = build(Options("rom", size=rng.choice([0x1000, 0x2000]), uart=rng.choice([0x3F8, 0x2E8])))
        layout = random_layout(rng, program, floats)
        if layout.zone is None:
            continue
        uart = Uart(0x100 * program[0x21] + program[0x20], busy=lambda rng=rng: rng.choice([0, 0, 1, 5]))  # type: ignore[misc]
        try:
            told = judged(layout, run(layout, uart, rng).uart.text)  # type: ignore[union-attr]
        except AssertionError as error:
            raise AssertionError(f"seed {seed}, layout {number}, floats {floats}") from error
        for body in told.blocks.values():
            kind = "same" if " same " in body else body.split()[0]
            met[kind] = met.get(kind, 0) + 1
        met["rom"] = met.get("rom", 0) + len(told.of("rom"))
        met["layouts"] = met.get("layouts", 0) + 1
    return met


def test_reports_are_what_is_there() -> None:
    """Pulled-up gaps read FFh: mirrors, RAM, restless blocks, damaged headers, as laid out at random."""
    met = sweep(SEED, 28, floats=False)
    assert met["layouts"] >= 26 and min(met[kind] for kind in ("content", "same", "constant", "changing", "ff")) >= 4
    assert met["rom"] > 60


def test_reports_where_lines_float() -> None:
    """Gaps that keep what was last on the bus, cards that drive four lines or answer in half a block."""
    met = sweep(SEED, 4, floats=True)
    assert met["layouts"] >= 3 and met["floating"] >= 24 and met["changing"] >= 5


@pytest.mark.long
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("floats", [False, True])
def test_many_reports(floats: bool) -> None:
    """The same over ten times as many."""
    sweep(SEED + 1, 80 if floats else 280, floats)


def test_nothing_is_done_without_room() -> None:
    """Where no 2 KiB of RAM hold one byte throughout, a code tells so, and not a byte is written."""
    rng = random.Random(1)
    layout = blank(rng, 64)
    layout.bus.memory[0x600:0x10000] = rng.randbytes(0xFA00)
    layout.base = 0xD0000
    layout.bus.memory[0xD0000:0xD2000] = build(Options("rom"))
    assert layout.zone is None
    uart = Uart()
    assert run(layout, uart, rng).codes == [0x71, 0x72]
    assert uart.text == b""


def test_memory_that_is_declared_but_not_there() -> None:
    """It reads FFh throughout and keeps nothing: the search goes on below."""
    rng = random.Random(2)
    layout = blank(rng, 640)
    layout.bus.memory[0x9E000:0xA0000] = b"\xff" * 0x2000
    layout.bus.hollow = [(0x9E000, 0xA0000)]
    layout.base = 0xC8000
    layout.bus.memory[0xC8000:0xCA000] = build(Options("rom"))
    assert layout.zone == 0x9D800
    uart = Uart()
    judged(layout, run(layout, uart, rng) and uart.text)


def test_a_stray_write_is_seen() -> None:
    """The watch itself: a rom that writes one byte to memory that is not its own."""
    layout = blank(random.Random(1))
    layout.bus.memory[0xC8003:0xC8009] = bytes.fromhex("2ec606341201")  # mov byte [cs:1234h], 1
    layout.bus.memory[0xC8009] = 0xCB
    machine = Machine(layout.bus)
    machine.watch([(STACK - STACK_USED, STACK), (0xC9000, 0xC9234)])
    machine.call(0xC800, 3, (0, STACK), random.Random(1))
    assert machine.writes == [(0xC9234, 1)]


def test_called_with_another_segment() -> None:
    """A BIOS that calls C000:8003 instead of C800:0003 gets the same report."""
    texts = []
    for segment, offset in ((0xC800, 3), (0xC000, 0x8003)):
        rng = random.Random(3)
        layout = blank(rng)
        layout.bus.memory[0xC8000:0xCA000] = build(Options("rom"))
        machine = Machine(layout.bus, Uart())
        expected = machine.call(segment, offset, (0, STACK), rng)
        assert machine.registers() == expected
        assert machine.uart is not None
        texts.append(machine.uart.text)
    assert texts[0] == texts[1] and b"as rom at C8000 " in texts[0]
