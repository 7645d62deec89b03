"""What is said of a card that one listens to: held against what a simulated card sent."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest
from support.card_frames import encode_frame

from benchd.decode.benchframe import CardWrite, Frame, Kind, Note, NoteKind
from benchd.decode.cardcheck import MOST_SECONDS, CardCheck, CardReport, Drift
from benchd.decode.misread import misread
from benchd.vocabulary.records import Chunk, ClockMark, LineFault, LinkInfo

NS = 1_000_000_000
INFO = LinkInfo("card", "post", "bench", "/dev/ttyUSB0", 115200, latency_ns=1_000_000)
CARD_NOTE = Note(NoteKind.CARD, bytes((0, 1, 0x80, 0, 0x84, 0, 0x00, 3)))


def heard(frames: list[tuple[int, bytes]], until_s: float = 60) -> CardReport:
    """The report after listening to bytes at times (ns)."""
    check = CardCheck(INFO)
    for t_ns, data in frames:
        check.feed(Chunk("card", t_ns, data))
    check.feed(ClockMark(round(until_s * NS)))
    return check.report(until_s, 115200)


def alive(second: int, sequence: int, tick_ns: int = 1000, fast: float = 0.0) -> tuple[int, bytes]:
    ticks = round(second * NS / tick_ns * (1 + fast)) % (1 << 32)
    frame = Frame(sequence, ticks, kind=Kind.ALIVE, tick_ns=tick_ns)
    return (second + 1) * NS, encode_frame(frame)


def codes(second: int, sequence: int, *entries: CardWrite) -> tuple[int, bytes]:
    return (second + 1) * NS, encode_frame(Frame(sequence, second * 1_000_000, entries))


def test_a_card_with_notes_tells_who_it_is() -> None:
    report = heard(
        [
            (NS, b"\0" + encode_frame(Frame(0, 0, kind=Kind.STARTED, tick_ns=1000))),
            codes(1, 0, CardWrite(None, note=CARD_NOTE)),
            codes(2, 1, CardWrite(None, note=Note(NoteKind.POWER, b"\1"))),
            codes(3, 2, CardWrite(None, reset=True), CardWrite(0x01, port=0x80, delta=9), CardWrite(0x02, delta=9)),
            codes(4, 5, CardWrite(0xC0, port=0x84, lost=7)),
            *(alive(second, 6, fast=50e-6) for second in range(5, 40)),
        ]
    )
    assert (report.firmware, report.ports_watched, report.power) == ("1.0", [0x80, 0x84, 0x300], True)
    assert (report.frames, report.codes, report.alive, report.resets, report.starts) == (40, 3, 35, 1, 1)
    assert report.ports_seen == {"80": 2, "84": 1} and report.tick_ns == 1000
    assert (report.lost_by_card, report.lost_on_the_way, report.refused, report.trouble) == (7, 0, {}, "")
    assert report.skew_ppm is not None and report.skew_u_ppm is not None
    assert abs(report.skew_ppm - 50) <= report.skew_u_ppm + 1 and report.skew_u_ppm < 20
    assert not report.fine


def test_a_card_without_notes_is_a_card_too() -> None:
    """What it does not tell stays unknown, and nothing is wrong with that."""
    report = heard([codes(1, 7, CardWrite(0x01)), alive(2, 8)])
    assert (report.firmware, report.ports_watched, report.power, report.tick_ns) == ("", [], None, 1000)
    assert report.ports_seen == {"": 1} and report.skew_ppm is None
    assert report.fine


def test_power_is_told_as_it_is_now() -> None:
    on, off = (CardWrite(None, note=Note(NoteKind.POWER, bytes((state,)))) for state in (1, 0))
    assert heard([codes(1, 0, on), codes(2, 1, off)]).power is False
    assert heard([codes(1, 0, off), codes(2, 1, on)]).power is True


def test_what_never_came_is_counted() -> None:
    report = heard([alive(1, 3), codes(2, 3, CardWrite(1)), codes(3, 9, CardWrite(2))])
    assert report.lost_on_the_way == 5 and not report.fine


def test_a_frame_cut_by_beginning_to_listen_is_no_fault() -> None:
    whole = alive(1, 0)[1]
    report = heard([(NS, whole[5:]), alive(2, 0), alive(3, 0)])
    assert report.cut and report.fine and report.refused == {}


def test_refused_frames_are_told_by_reason() -> None:
    """But for the first piece: noise before any frame, and what is bad between good frames."""
    good, bad = alive(2, 0)[1], bytearray(alive(3, 0)[1])
    bad[4] ^= 1
    report = heard(
        [(NS, b"noise\0"), (2 * NS, b"more noise\0"), (3 * NS, good), (4 * NS, bytes(bad)), (5 * NS, good[:6])]
    )
    assert report.cut and report.frames == 1
    assert sum(report.refused.values()) == 3 and report.refused["bad-crc"] >= 1 and report.refused["half-frame"] == 1
    assert not report.fine and report.trouble == ""


def raw_card() -> bytes:
    return bytes((0x01, 0x02, 0x03, 0x05, 0x0D, 0x21, 0x2A, 0x40, 0xC0, 0xFF) * 4)


def hex_card() -> bytes:
    return b"".join(b"%02X\r\n" % (n * 37 % 256) for n in range(40))


def wrong_speed() -> bytes:
    return misread(b"".join(alive(second, second)[1] for second in range(40)), 57600, 115200)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "nothing came in 60 s. Is the card powered"),
        (raw_card(), 'a card that sends one byte a code (framing = "raw"), or another speed'),
        (hex_card(), 'they read as hexadecimal text: a card for framing = "hex"'),
        (wrong_speed(), "--speed hunt"),
        (random.Random(5).randbytes(3000), "no sound frame among them"),
        (b"\0" * 50, "no sound frame among them"),
    ],
    ids=["silent", "raw", "hex", "wrong speed", "noise", "zeros"],
)
def test_what_is_no_card_is_told(data: bytes, said: str) -> None:
    report = heard([(NS, data)] if data else [])
    assert said in report.trouble and not report.fine and report.frames == 0


def test_bad_characters_mean_another_speed() -> None:
    check = CardCheck(INFO)
    check.feed(Chunk("card", NS, b"\x80\xf0" * 20))
    check.feed(LineFault("card", NS, "framing", 12))
    report = check.report(9, 115200)
    assert "bad characters: it is another speed" in report.trouble and report.faults == {"framing": 12}


def test_bytes_left_out_by_the_hunt_are_told() -> None:
    assert CardCheck(INFO).report(9, None, 300).trouble.startswith("300 bytes came, and no speed was found")


def test_a_restarted_card_begins_its_clock_anew() -> None:
    frames = [alive(second, 0) for second in range(20)]
    frames += [(21 * NS + second * NS, encode_frame(Frame(0, second * 1_000_000, kind=Kind.STARTED if not second else
               Kind.ALIVE, tick_ns=1000))) for second in range(30)]  # fmt: skip
    report = heard(frames)
    assert report.starts == 1 and report.skew_ppm is not None and abs(report.skew_ppm) < 1


def test_a_counter_that_wraps_goes_on() -> None:
    """A 32-bit counter of microseconds wraps after 71 minutes."""
    begin = (1 << 32) // 1_000_000 - 20
    report = heard([alive(begin + second, 0, fast=-80e-6) for second in range(40)], begin + 60)
    assert report.starts == 0 and report.skew_ppm is not None and abs(report.skew_ppm + 80) < 2


DELAYS: dict[str, Callable[[random.Random], float]] = {
    "uniform": lambda rng: rng.uniform(0, 16e6),
    "exponential": lambda rng: rng.expovariate(1e-6),
    "two-valued": lambda rng: rng.choice((0.0, 16e6)),
    "short": lambda rng: rng.expovariate(1 / 5e4),
}


@pytest.mark.parametrize("kind", DELAYS)
@pytest.mark.parametrize("seconds", [14, 30, 60])
def test_the_rate_lies_within_its_half_width(kind: str, seconds: int) -> None:
    """For 200 cards, each with a rate of its own, at least 97 times of 100; and the half-width says something."""
    inside, widths = 0, []
    for seed in range(200):
        rng = random.Random(seed)
        skew, drift = rng.uniform(-2e-4, 2e-4), Drift()
        for second in range(seconds):
            t = (second + rng.random() * 0.1) * 1e9
            drift.add(round(t * (1 + skew)), round(t + DELAYS[kind](rng)) + 3_000_000)
        rate = drift.rate()
        assert rate is not None
        inside += abs(rate[0] - skew) <= rate[1] + 1e-9
        widths.append(rate[1])
    assert inside >= 194, inside
    assert sorted(widths)[100] < 16e6 * 3 / (seconds * 1e9)


def test_a_counter_that_leaps_does_no_harm() -> None:
    """Frames that are sound and make no sense: whatever is said, it is said, and bounded."""
    rng, drift = random.Random(3), Drift()
    for _ in range(MOST_SECONDS * 2 + 5):
        drift.add(rng.randrange(1 << 62), rng.randrange(1 << 40))
        assert len(drift._fastest) <= MOST_SECONDS
    drift = Drift()
    for second in range(30):
        drift.add(second * NS, 5)
    assert drift.rate() is None
    frames = []
    for n in range(400):
        kind = rng.choice(list(Kind))
        entries = tuple(CardWrite(rng.randrange(256), port=rng.choice((None, 0x80, 0x84))) for _ in range(3))
        tick = rng.choice((0, 1, 1000, (1 << 32) - 1)) if kind is not Kind.CODES else 0
        frame = Frame(rng.randrange(1 << 16), rng.randrange(1 << 32), entries if kind is Kind.CODES else (), kind, tick)
        frames.append((NS + n * 10_000_000, encode_frame(frame)))
    assert heard(frames).frames == 400


def test_too_short_a_time_tells_no_rate() -> None:
    drift = Drift()
    for second in range(11):
        drift.add(second * NS, second * NS)
    assert drift.rate() is None
    drift.add(11 * NS, 11 * NS)
    assert drift.rate() == (0.0, 0.0)
    drift.forget()
    assert drift.rate() is None
