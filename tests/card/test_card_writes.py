"""The shipped firmware in an emulator: which bus cycles it tells, all of them, in order, and which it must not see."""

from __future__ import annotations

import random

import pytest
from card.rig import (
    GLITCH_NS,
    HIGH_NS,
    MS,
    QUEUE,
    SETS,
    SHORTEST_CYCLE_NS,
    SHORTEST_NS,
    WRITE_NS,
    Card,
    entries_of,
    errors_us,
    frames_of,
    writes_of,
)

pytestmark = pytest.mark.peer("node", "npm")


def jumpers(number: int) -> dict[str, int]:
    """Levels of the jumper pins for set `number`: a jumper that is fitted pulls its pin down."""
    return {"jumper0": 1 - (number & 1), "jumper1": 1 - (number >> 1)}


def start(card: Card, number: int) -> None:
    card.fresh(**jumpers(number))
    card.line(0)
    card.run(3 * MS)
    (note,) = [facts for one in entries_of(card.frames()) if one.entry.note and (facts := one.entry.note.card)]
    assert note.ports == SETS[number] and note.version == (1, 0)


def bursts_are_whole(card: Card, seed: int, left: int) -> None:
    rng = random.Random(seed)
    start(card, 3)
    number = 2
    while left:
        count = min(left, rng.choice((1, 61, 1000, QUEUE, QUEUE)))
        burst = [(rng.choice(SETS[3]), rng.randrange(256)) for _ in range(count)]
        card.line(None)
        ends = card.write(burst)
        frames = card.drained()
        assert writes_of(frames) == burst
        assert frames[0].sequence == number % 2**16
        number += sum(len(frame.entries) for frame in frames)
        assert all(entry.lost == 0 for frame in frames for entry in frame.entries)
        off = errors_us(entries_of(frames), ends)
        assert all(-1 < one < 0.25 for one in off)
        left -= count


def test_writes_at_the_densest(emulator: Card) -> None:
    """Random writes in bursts that fill the queue, back to back on an 8 MHz bus, while nothing leaves: all there."""
    bursts_are_whole(emulator, 80, 12_000)


@pytest.mark.long
def test_hundred_thousand_writes_at_the_densest(emulator: Card) -> None:
    """The same with 100,000 writes; the numbers of the entries wrap on the way."""
    bursts_are_whole(emulator, 81, 100_000)


@pytest.mark.parametrize("number", range(4))
def test_jumpers_choose_the_ports(emulator: Card, number: int) -> None:
    """Of writes to every port that ten address lines tell apart, those to the chosen ports are told."""
    start(emulator, number)
    every = [(port, port * 7 & 0xFF) for port in range(0x400)]
    emulator.write(every)
    assert writes_of(emulator.drained()) == [(port, byte) for port, byte in every if port in SETS[number]]


def test_jumpers_are_read_while_it_runs(card: Card) -> None:
    """A jumper that is set on a running card counts after 20 ms, and the card says so; a touch of it does not."""
    card.ask("pulse", "jumper0", 0, 5 * MS)
    assert card.frames() == []
    card.ask("set", jumpers(1))
    card.run(25 * MS)
    (told,) = entries_of(card.frames())
    assert told.entry.note and told.entry.note.card and told.entry.note.card.ports == SETS[1]
    card.write([(0x84, 1), (0x300, 2)])
    assert writes_of(card.drained()) == [(0x84, 1)]


def test_dma_is_not_seen(card: Card) -> None:
    """With AEN high the address is a memory's, and the strobe a DMA cycle's."""
    card.write([(0x80, n) for n in range(200)], aen=1)
    card.write([(0x80, 0x55)])
    assert writes_of(card.drained()) == [(0x80, 0x55)]


def test_reads_are_not_seen(card: Card) -> None:
    """A read has the same address and data, and no IOW#."""
    for value in (0x00, 0x5A, 0xFF):
        card.ask("set", {f"a{n}": 0x80 >> n & 1 for n in range(10)} | {f"d{n}": value >> n & 1 for n in range(8)})
        card.run(1000)
    assert writes_of(card.drained()) == []


@pytest.mark.parametrize("strobe", [8, 24, 40, GLITCH_NS])
def test_glitches_are_not_seen(card: Card, strobe: int) -> None:
    """Strobes up to the glitch limit are none, at any phase against the card's clock, and spoil no real one."""
    glitches = [(n * 751.0, 0x80, n & 0xFF) for n in range(100)]
    card.write_at(glitches, strobe=strobe, data=0)
    card.write([(0x80, 1), (0x80, 2)])
    assert writes_of(card.drained()) == [(0x80, 1), (0x80, 2)]


@pytest.mark.parametrize("strobe", [SHORTEST_NS, 125, 187, 530, 1000])
def test_strobes_from_the_shortest_on(card: Card, strobe: int) -> None:
    """Any strobe from the shortest promised on is told once, with the data of its end, at any phase."""
    gap = max(SHORTEST_CYCLE_NS, strobe + HIGH_NS) + 1
    burst = [(0x80, n * 37 & 0xFF) for n in range(300)]
    ends = card.write(burst, gap, strobe=strobe, setup=60, data=strobe - 60, hold=24)
    frames = card.drained()
    assert writes_of(frames) == burst
    assert all(-1 < off < 0.25 for off in errors_us(entries_of(frames), ends))


@pytest.mark.parametrize("edges", [[0, 24, 56, 104], [0, 40, 64, 120], [0, 16, 32, 48, 64, 80, 96, 112]])
def test_ringing_is_not_seen(card: Card, edges: list[int]) -> None:
    """Several glitches in a row, each too short, are none together either."""
    for value in range(20):
        card.ask("ringing", 0x80, value, edges)
    assert writes_of(card.drained()) == []


@pytest.mark.parametrize("dip", [8, 16, 32])
def test_a_dip_in_a_strobe_is_no_end(card: Card, dip: int) -> None:
    """IOW# that rings high within a strobe, shortly, is still one write."""
    for value in range(20):
        card.ask("ringing", 0x80, value, [0, 200, 200 + dip, 500 + dip])
    assert writes_of(card.drained()) == [(0x80, value) for value in range(20)]


def test_other_traffic_at_full_rate(card: Card) -> None:
    """A disk's or sound card's writes, back to back in the shortest cycles for 10 ms, cost no code among them."""
    rng = random.Random(1)
    busy = [(0x80, rng.randrange(256)) if n % 100 == 50 else (0x1F0, rng.randrange(256)) for n in range(40_000)]
    card.line(None)
    card.write(busy, SHORTEST_CYCLE_NS, strobe=SHORTEST_NS, setup=60, data=30, hold=24)
    assert writes_of(card.drained()) == [one for one in busy if one[0] == 0x80]
    assert card.ask("backlog") < 1000, "of the 8,192 cycles that the ring holds before the processor must have looked"


@pytest.mark.parametrize("count", [6000, 25_000])
def test_back_to_back_writes_at_the_shortest_cycle(card: Card, count: int) -> None:
    """Codes in cycles of 250 ns (three clocks at 12 MHz): what the processor cannot keep up with is counted."""
    burst = [(0x80, n & 0xFF) for n in range(count)]
    card.line(None)
    card.write(burst, SHORTEST_CYCLE_NS, strobe=SHORTEST_NS, setup=60, data=30, hold=24)
    card.run(5 * MS)
    at = lost = 0
    for one in entries_of(card.drained()):
        at, lost = at + one.entry.lost, lost + one.entry.lost
        if one.entry.code is not None:
            assert (one.port, one.entry.code) == burst[at]
            at += 1
    assert at == count and (lost > 0) == (count > QUEUE)
    assert card.ask("backlog") < 8000, "of 8,192: the DMA did not overtake the processor"


def test_an_8_mhz_bus_and_a_paced_line(card: Card) -> None:
    """At 115,200 bit/s the first code leaves alone, and what waits meanwhile in few, full frames."""
    card.line(10e9 / 115_200)
    burst = [(0x80, n & 0xFF) for n in range(200)]
    card.write(burst, WRITE_NS)
    card.run(90 * MS)
    line = card.take()
    assert line.over == 0
    frames = [frame for frame in frames_of(line.data) if frame.entries]
    assert writes_of(frames) == burst
    counts = [len(frame.entries) for frame in frames]
    assert counts[0] <= 4 and all(61 <= count <= 122 for count in counts[2:-1]) and len(counts) <= 5
