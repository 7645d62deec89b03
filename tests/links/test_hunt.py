"""The speed is found from what is read, on lines sampled bit by bit; nothing is claimed falsely."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from links.uart_sim import Line, hunt, plain, received, sample

from benchd.decode.score import ANY_BYTE, FRAMES, HEX, TEXT, frames
from benchd.links.hunt import PATIENCE_NS, SUSTAINED_NS, Hunter, Lock, Move, Unlock
from benchd.links.lines import STANDARD_RATES
from benchd.links.settings import PortSettings, hunt_order
from benchd.vocabulary.hunting import HuntScoring, wilson_low

BOOT = (
    b"\x1b[2J\x1b[HBench BIOS 1.02 for 286 boards\r\n00064 KB OK\r00128 KB OK\r00640 KB OK\r\n\r\n"
    b"\xda\xc4\xc4\xc4\xc4\xbf\r\n\xb3 CPU \xb3 12 MHz\r\n\xc0\xc4\xc4\xc4\xc4\xd9\r\n"
    b"Fixed disk 0: 40 MB  Keyboard OK\r\nstorage rom ready at C800\r\nStarting...\r\nA:\\>dir\r\n"
)
CODES = bytes.fromhex("0102030405060d0e0f101114182023303141424e52636fa9aaff00c0c1c5070813191b252b2c2d")
HEX_TEXT = b"".join(b"%02X\r\n" % code for code in CODES)


# -- the simulation itself


def test_the_right_speed_reads_everything() -> None:
    """All 256 values, with no fault, at the same speed and up to 4 % off on both sides.

    The stop bit is sampled 9.5 bits after the edge; it is missed when that is off by half a bit, 0.5/9.5 =
    5.3 % (arithmetic of asynchronous reception; about 5 % is the usual figure, common practice).
    """
    everything = bytes(range(256))
    for off in (-0.04, 0, 0.04):
        line = Line()
        line.idle(0.01)
        line.send(everything, 9600)
        line.idle(0.01)
        got = sample(line, 9600 * (1 + off))
        assert bytes(b for _t, b, _f in got) == everything
        assert not any(f for _t, _b, f in got)
    line = Line()
    line.idle(0.01)
    line.send(everything, 9600)
    assert plain(sample(line, 9600 * 1.07)) != everything


def test_hand_drawn_wrong_speeds() -> None:
    """Worked by hand from the bit pattern: NUL at 9600 read at 19200 is low for 18 receiver bits: a break,
    longer than a full word (TL16C550C, LSR bit 4). FFh at 9600 read at 19200 is low for two bits, then idle:
    FEh. FFh at 19200 read at 9600 is low for half a bit: too short for a start bit seen again in its middle,
    or FFh at most.
    """
    assert [(b, f) for _t, b, f in received(b"\x00", 9600, 19200)] == [(0, "break")]
    assert [(b, f) for _t, b, f in received(b"\xff", 9600, 19200)] == [(0xFE, "")]
    assert plain(received(b"\xff", 19200, 9600)) in (b"", b"\xff")


def test_a_break_on_the_line() -> None:
    """Low for 250 ms (the least that tcsendbreak sends, POSIX.1-2008) is one break, at every rate."""
    for rate in STANDARD_RATES:
        line = Line()
        line.idle(0.01)
        line.low(0.25)
        line.idle(0.1)
        assert [(b, f) for _t, b, f in sample(line, rate)] == [(0, "break")]


# -- scoring


def test_right_speeds_score_high_and_wrong_ones_low() -> None:
    """Every pair of standard rates, without any help from framing errors."""
    for scoring, data in ((TEXT, BOOT), (HEX, HEX_TEXT)):
        for sent in STANDARD_RATES:
            assert scoring.judge(data, 0).share > 0.9
            for read in STANDARD_RATES:
                got = plain(received(data * 2, sent, read))
                if read != sent and len(got) >= 24:
                    assert scoring.judge(got, 0).share < 0.60, (data[:9], sent, read)


def test_wilson() -> None:
    """Limits as in Newcombe 1998 (Stat. Med. 17:857), table I: 81/263 gives 0.2553, 15/148 0.0624."""
    assert wilson_low(81, 263) == pytest.approx(0.2553, abs=5e-5)
    assert wilson_low(15, 148) == pytest.approx(0.0624, abs=5e-5)
    assert wilson_low(0, 20) == 0.0
    assert wilson_low(0, 0) == 0.0


def test_bench_frames_count_by_their_check_sum() -> None:
    """Whole good frames are proofs; pieces cut at either end count against nobody; bad frames do."""

    def good(piece: bytes) -> bool:
        return piece == b"good"

    assert frames(b"od\0good\0good\0go", 0, good).proofs == 2
    assert frames(b"od\0good\0good\0go", 0, good).share == 1.0
    assert frames(b"od\0good\0gxxd\0go", 0, good).share < 0.7


# -- hunting


@pytest.mark.parametrize("sent", STANDARD_RATES)
@pytest.mark.parametrize("marks", [False, True])
@pytest.mark.parametrize(("scoring", "data"), [(TEXT, BOOT), (HEX, HEX_TEXT)], ids=["text", "hex"])
def test_every_standard_rate_is_found(sent: int, marks: bool, scoring: HuntScoring, data: bytes) -> None:
    """The first lock is the right one; the sentence names rate and count; confidence is a cautious share."""
    hunter = Hunter(hunt_order(PortSettings("/dev/ttyS0", "hunt"), any_byte=False), scoring, marks)
    lock = hunt(hunter, data * 2, sent, marks=marks)[-1]
    assert isinstance(lock, Lock)
    assert lock.rate == sent
    assert lock.reason.startswith(f"speed {sent} found, ")
    assert lock.confidence is not None
    assert 0.8 <= lock.confidence < 1.0


@pytest.mark.parametrize("sent", STANDARD_RATES)
@pytest.mark.parametrize("seed", range(6))
def test_no_wrong_rate_ever_locks(sent: int, seed: int) -> None:
    """Where the right rate is not among those tried, nothing is claimed, with pauses or without."""
    rng = random.Random(seed)
    words = [bytes(rng.choice(b"etaoinshrdluETAOINSH0123456789") for _ in range(rng.randint(1, 9))) for _ in range(90)]
    text = b"".join(word + rng.choice((b" ", b"\r\n", b": ", b".", b"\r")) for word in words)
    codes = b"".join(b"%02X " % rng.randrange(256) for _ in range(120))
    for scoring, data in ((TEXT, text), (HEX, codes)):
        others = tuple(rate for rate in STANDARD_RATES if rate != sent)
        hunter = Hunter(others, scoring)
        told = hunt(hunter, data, sent, marks=False, gap=rng.choice((0.0, 0.7, 5.0)), rounds=10)
        assert not any(isinstance(d, Lock) for d in told), told[-1]


@pytest.mark.parametrize("sent", [1200, 9600, 57600])
@pytest.mark.parametrize("gap", [0.0, 20.0])
def test_a_raw_link_is_judged_by_framing_errors(sent: int, gap: float) -> None:
    """With marks the right rate is found, as likely and no more."""
    rates = tuple(sorted(STANDARD_RATES, reverse=True))
    hunter = Hunter(rates, ANY_BYTE, marks=True)
    assert hunter.begin() is None
    lock = hunt(hunter, CODES, sent, marks=True, gap=gap)[-1]
    assert isinstance(lock, Lock)
    assert lock.rate == sent
    assert "likely" in lock.reason
    assert lock.confidence == 0.5


def test_a_raw_link_without_marks_claims_nothing() -> None:
    """9600 is taken, the sentence says that it was not found, and what to do; data changes nothing after."""
    hunter = Hunter((115200, 9600, 300), ANY_BYTE, marks=False)
    lock = hunter.begin()
    assert lock is not None
    assert (lock.rate, lock.confidence) == (9600, None)
    assert "taken, not found" in lock.reason
    assert "set speed = N" in lock.reason
    assert hunter.feed(0, bytes(1000)) is None


def test_a_receiver_that_is_too_slow_is_seen_on_a_raw_link() -> None:
    """Codes with pauses read at half speed all end in idle line; they never lock, though without faults."""
    hunter = Hunter((4800, 2400), ANY_BYTE, marks=True)
    decisions = hunt(hunter, CODES * 4, 9600, marks=True, gap=20.0, rounds=4)
    assert decisions
    assert not any(isinstance(d, Lock) for d in decisions)


def test_noise_and_monotony_never_lock() -> None:
    """Random bytes, one repeated character, floating FFh: no lock in any framing that can be judged."""
    rng = random.Random(5)
    noise = bytes(rng.randrange(256) for _ in range(4000))
    for scoring in (TEXT, HEX):
        for data in (noise, b"." * 4000, b"\xff" * 4000, b"U" * 4000):
            hunter = Hunter((9600, 1200), scoring)
            told = [hunter.feed(i * 1_000_000, data[i : i + 1]) for i in range(len(data))]
            assert not any(isinstance(d, Lock) for d in told), (scoring, data[:4])
            assert any(isinstance(d, Move) for d in told)


def test_bench_frames_lock_by_check_sum() -> None:
    """Three good frames lock, with the chance of error of three 16-bit check sums; noise moves on."""

    def good(piece: bytes) -> bool:
        return piece == b"frame"

    hunter = Hunter((9600, 1200), replace(FRAMES, judge=lambda data, bad: frames(data, bad, good)))
    assert hunter.feed(0, b"me\0frame\0frame\0") is None
    lock = hunter.feed(1, b"frame\0")
    assert isinstance(lock, Lock)
    assert lock.confidence == 1 - 2**-48
    lost = Hunter((9600, 1200), replace(FRAMES, judge=lambda data, bad: frames(data, bad, good)))
    assert lost.feed(0, b"\x01\x02\x00" * 64) == Move(1200)


def test_silence_and_good_beginnings_are_waited_for() -> None:
    """No byte: no move, however long. Some that read well: stay. Some that do not: move on."""
    hunter = Hunter((9600, 1200), TEXT)
    assert hunter.tick(3600 * 10**9) is None
    assert hunter.feed(0, b"Bench BIOS") is None
    assert hunter.tick(PATIENCE_NS * 100) is None
    bad = Hunter((9600, 1200), TEXT)
    assert bad.feed(0, b"\x80\xf8\x00\xfe") is None
    assert bad.tick(PATIENCE_NS - 1) is None
    assert bad.tick(PATIENCE_NS) == Move(1200)


def locked() -> Hunter:
    """A hunter locked at 9600."""
    hunter = Hunter((9600, 19200, 1200), TEXT)
    assert isinstance(hunter.feed(0, BOOT[8:108]), Lock)
    return hunter


def test_sustained_garbage_is_hunted_again() -> None:
    """The target changes to 19200: two windows and two seconds of garbage lose the lock."""
    hunter = locked()
    garbage = plain(received(BOOT * 16, 19200, 9600))
    t, lost = 10**9, None
    for i in range(0, len(garbage), 8):
        t += 20_000_000
        lost = hunter.feed(t, garbage[i : i + 8])
        if lost is not None:
            break
    assert isinstance(lost, Unlock)
    assert (lost.was, lost.rate) == (9600, 19200)
    assert "hunting again" in lost.reason
    assert t >= SUSTAINED_NS
    assert hunter.state == "seeking"


def test_a_burst_of_noise_does_not_unlock() -> None:
    """1000 bytes of noise within a second, then text: still locked."""
    hunter = locked()
    rng = random.Random(2)
    for i in range(1000):
        assert hunter.feed(10**9 + i * 10**6, bytes([rng.randrange(256)])) is None
    for i in range(20):
        assert hunter.feed(10**10 + i * 10**9, BOOT) is None
    assert hunter.state == "locked"


def test_good_text_never_unlocks() -> None:
    """An hour of box drawing and counters stays locked."""
    hunter = locked()
    for i in range(3600):
        assert hunter.feed(i * 10**9, BOOT) is None


def test_one_bad_window_is_not_enough() -> None:
    """Noise that trickles in over ten seconds, one window of it, then text: still locked."""
    hunter = locked()
    for i in range(128):
        assert hunter.feed(10**9 + i * 80_000_000, b"\x80") is None
    for i in range(20):
        assert hunter.feed(2 * 10**10 + i * 10**9, BOOT) is None
    assert hunter.state == "locked"
