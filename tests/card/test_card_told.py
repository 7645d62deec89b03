"""The shipped firmware in an emulator: what it tells beside writes (resets, power, losses), its times, its start."""

from __future__ import annotations

import random
from itertools import pairwise

import pytest
from card.rig import BYTE_NS, MS, QUEUE, SECOND, Card, Line, entries_of, errors_us, frames_of, writes_of

from benchd.decode import make_decoder
from benchd.decode.benchframe import Kind
from benchd.vocabulary.observations import Code, Lost, Observation, Power, Reset
from benchd.vocabulary.records import Chunk, LinkInfo

pytestmark = pytest.mark.peer("node", "npm")

INFO = LinkInfo("post", "post", "bench", speed=115200, code_port=0x80)
HOUR_US = 3_600_000_000


def decoded(*lines: Line) -> list[Observation]:
    """What benchd's own decoder makes of the bytes, each at the time at which it had come."""
    decoder = make_decoder(INFO)
    seen: list[Observation] = []
    for line in lines:
        for t_ns, byte in zip(line.times, line.data, strict=True):
            seen += decoder.feed(Chunk("post", SECOND + round(t_ns), bytes((byte,))))
    assert decoder.counts.refused == {}
    return seen


def test_start(emulator: Card) -> None:
    """A card says 00h and a started frame with number 0 and ticks of 1 us, then what it is, and that power is there."""
    emulator.fresh()
    emulator.run(10 * MS)
    line = emulator.take()
    assert line.data[0] == 0 and line.over == 0
    started, card, power = frames_of(line.data)
    assert (started.kind, started.sequence, started.tick_ns) == (Kind.STARTED, 0, 1000)
    assert card.entries[0].note is not None and card.entries[0].note.card is not None
    assert power.entries[0].note is not None and power.entries[0].note.power is True
    assert line.times[0] < 3 * MS
    assert [type(one) for one in decoded(line)] == [Reset, Power]


def test_second_boot_stage_starts_it(emulator: Card) -> None:
    """The first 256 bytes, run where the boot ROM puts them, set the flash up and start the program."""
    emulator.fresh()
    emulator.ask("stage2")
    emulator.run(5 * MS)
    assert next(frame.kind for frame in emulator.frames()) is Kind.STARTED


def test_alive(card: Card) -> None:
    """After 1 s without a frame comes an alive frame; in every 10 s of silence one note of what the card is."""
    card.line(BYTE_NS)
    frames = []
    for _ in range(24):
        card.ask("jump", 499 * MS)
        card.run(MS)
        frames += card.frames()
    alive = [frame for frame in frames if frame.kind is Kind.ALIVE]
    notes = [frame for frame in frames if frame.entries]
    assert len(alive) in (10, 11) and len(notes) == 1 and alive[0].tick_ns == 1000
    ticks = [frame.ticks for frame in frames]
    assert ticks == sorted(ticks) and all(0.9e6 < b - a < 1.6e6 for a, b in pairwise(ticks))


@pytest.mark.parametrize("line", [None, BYTE_NS])
def test_flood(card: Card, line: float | None) -> None:
    """What a flood sends is told, or counted as lost just before what is told next, or at the end; never a guess."""
    rng = random.Random(7)
    flood = [(0x80, rng.randrange(256)) for _ in range(QUEUE + 7000)]
    card.line(line)
    card.write(flood)
    card.run(MS)
    frames = [*card.frames(), *card.drained()]
    after = [(0x80, 0x11), (0x80, 0x22)]
    card.write(after)
    frames += card.drained()
    told, lost, at = entries_of(frames), 0, 0
    for one in told:
        lost += one.entry.lost
        at += one.entry.lost
        if one.entry.code is not None:
            assert (one.port, one.entry.code) == [*flood, *after][at]
            at += 1
    codes = writes_of(frames)
    assert len(codes) + lost == len(flood) + len(after) and len(codes) >= QUEUE + 2 and lost > 0
    assert codes[-2:] == after and codes[:QUEUE] == flood[:QUEUE]


@pytest.mark.long
def test_long_flood(card: Card) -> None:
    """A flood that drops more than one count holds (65,535) is still counted exactly."""
    count = QUEUE + 150_000
    card.line(None)
    for _ in range(10):
        card.write([(0x80, 1)] * (count // 10))
    frames = [*card.frames(), *card.drained()]
    card.write([(0x80, 2)])
    frames += card.drained()
    told = entries_of(frames)
    assert sum(one.entry.lost for one in told) + len(writes_of(frames)) == count // 10 * 10 + 1


def test_a_loss_is_told_without_another_write(card: Card) -> None:
    """A flood after which the machine hangs: the count comes in an entry of its own."""
    card.line(None)
    card.write([(0x80, 1)] * (QUEUE + 500))
    card.run(MS)
    told = entries_of(card.drained())
    codes = sum(one.entry.code is not None for one in told)
    assert [one.entry.lost for one in told if one.entry.lost] == [QUEUE + 500 - codes] and codes >= QUEUE
    assert told[-1].entry.code is None


def test_an_hour_of_writes_at_their_times(emulator: Card) -> None:
    """Over an hour and the wrap of the counter, each write's ticks are within 1 us of its strobe's end.

    The simulated time is moved on between the writes, by up to 100 s; nothing runs meanwhile.
    """
    rng = random.Random(36)
    emulator.fresh()
    emulator.line(0)
    emulator.ask("jump", (2**32 - 1_800_000_000) * 1000.0)
    emulator.run(3 * MS)
    emulator.frames()
    ends: list[float] = []
    frames = []
    while not ends or ends[-1] - ends[0] < HOUR_US * 1000:
        emulator.ask("jump", rng.choice((0.7, 60.3, 100.0)) * rng.random() * SECOND)
        emulator.run(20_000)
        burst = [(0x80, len(ends) + n & 0xFF) for n in range(rng.choice((1, 2, 20)))]
        ends += emulator.write(burst, rng.choice((750, 1333, 5003)))
        emulator.run(300_000)
        frames += emulator.frames()
    frames += emulator.drained()
    told = [one for one in entries_of(frames) if one.entry.code is not None]
    assert len(ends) > 400 and [one.entry.code for one in told] == [n & 0xFF for n in range(len(ends))]
    assert told[0].ticks > told[-1].ticks, "the counter wrapped"
    off = errors_us(told, ends)
    assert all(-1 < one < 0.25 for one in off)


def test_times_while_the_card_is_busy(card: Card) -> None:
    """Writes that come while frames are built and sent are stamped as well as those that come alone."""
    rng = random.Random(5)
    writes, at = [], 0.0
    for _ in range(2000):
        at += rng.choice((750, 900, 20_000, 3_333))
        writes.append((at, 0x80, rng.randrange(256)))
    ends = card.write_at(writes)
    off = errors_us(entries_of(card.drained()), ends)
    assert all(-1 < one < 0.25 for one in off)


def test_reset_edges(card: Card) -> None:
    """RESET DRV's beginning is an entry with bit 2, its end a note, each within 1 us; spikes are neither."""
    for ns in (10, 60, 100):
        card.ask("pulse", "reset", 1, ns)
        card.run(1000)
    card.write([(0x80, 1)])
    start = card.ask("pulse", "reset", 1, 250_000)
    card.write([(0x80, 2)])
    told = entries_of(card.drained())
    assert [(one.entry.code, one.entry.reset, one.entry.note and one.entry.note.kind) for one in told] == [
        (1, False, None),
        (None, True, None),
        (None, False, 3),
        (2, False, None),
    ]
    assert abs(told[1].ticks - start / 1000) < 1.25 and abs(told[2].ticks - start / 1000 - 250) < 1.25


def test_resets_among_writes_keep_their_place(card: Card) -> None:
    """Resets close before and after writes come in the order of the bus."""
    for n in range(30):
        card.write([(0x80, n)])
        card.run(n * 100)
        card.ask("pulse", "reset", 1, 2000)
        card.run(2000 + n * 100)
    told = entries_of(card.drained())
    whats = ["reset" if one.entry.reset else "end" if one.entry.note else one.entry.code for one in told]
    assert whats == [what for n in range(30) for what in (n, "reset", "end")]


def test_power_edges(card: Card) -> None:
    """Power that goes and comes is told with its time; what the lines do meanwhile is no write."""
    card.line(BYTE_NS)
    card.write([(0x80, 1)])
    card.ask("set", {"power": 0})
    gone = card.now
    card.run(100_000)
    card.write([(0x80, 0xFF)])
    card.ask("set", {"power": 1, "reset": 1})
    back = card.now
    card.run(100_000)
    card.write([(0x80, 0xEE)])
    card.ask("set", {"reset": 0})
    card.run(100_000)
    card.write([(0x80, 2)])
    card.run(20 * MS)
    line = card.take()
    told = entries_of(frames_of(line.data))
    powers = [(one.entry.note.power, one.ticks) for one in told if one.entry.note and one.entry.note.power is not None]
    assert [on for on, _ in powers] == [False, True]
    assert abs(powers[0][1] - gone / 1000) < 1.25 and abs(powers[1][1] - back / 1000) < 1.25
    seen = decoded(line)
    assert [getattr(one, "value", getattr(one, "on", None)) for one in seen] == [1, False, True, None, 2]
    assert isinstance(seen[3], Reset) and isinstance(seen[4], Code)


def test_a_card_without_a_power_line_sees_writes(emulator: Card) -> None:
    """Where the power line was never seen high it is not wired, and gates nothing; that it is low is said once."""
    emulator.fresh(power=0)
    emulator.line(0)
    emulator.run(3 * MS)
    emulator.write([(0x80, 0x3A)])
    told = entries_of(emulator.drained())
    assert [one.entry.code for one in told if one.entry.code is not None] == [0x3A]
    assert [one.entry.note.power for one in told if one.entry.note][1:] == [False]


def test_restart_in_mid_frame(card: Card) -> None:
    """A card that restarts in the middle of a frame: that half is refused, all after it is read, and it is a reset."""
    card.line(BYTE_NS)
    card.write([(0x80, n) for n in range(40)])
    card.run(6 * MS)
    before = card.take()
    assert before.data[-1] != 0, "the story needs a half frame"
    card.ask("restart")
    card.run(8 * MS)
    card.write([(0x80, 0xC0)])
    card.run(8 * MS)
    after = card.take()
    decoder = make_decoder(INFO)
    seen: list[Observation] = []
    for t_ns, byte in zip(before.times + after.times, before.data + after.data, strict=True):
        seen += decoder.feed(Chunk("post", SECOND + round(t_ns), bytes((byte,))))
    assert [one.value for one in seen if isinstance(one, Code)][-1] == 0xC0
    assert [one.reason for one in seen if isinstance(one, Lost)] in (["bad-crc"], ["not-cobs"], ["too-short"])
    assert sum(isinstance(one, Reset) for one in seen) == 1
