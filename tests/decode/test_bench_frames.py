"""The bench frame: published vectors, an independent CRC, damage, sequence gaps, restarts, times."""

from __future__ import annotations

import binascii
import json
import random
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from crccheck.crc import Crc16CcittFalse
from hypothesis import given, settings
from hypothesis import strategies as st
from support.card_frames import encode_body, encode_frame
from support.delivery import START_NS, accounted, cut, essence, line_time_ns, run, times_agree, ways

from benchd.decode import make_decoder
from benchd.decode.benchframe import CardFacts, CardWrite, Frame, FrameRefused, Kind, Note, decode_frame
from benchd.vocabulary.observations import Code, Lost, Observation, Power, Reset
from benchd.vocabulary.records import Chunk, LinkInfo, LinkState

NOTES = Path(__file__).parents[2] / "firmware-notes"
VECTORS = json.loads((NOTES / "bench-frame-vectors.json").read_text())
GOOD = [vector for vector in VECTORS["vectors"] if vector["frame"]]
BAD = [vector for vector in VECTORS["vectors"] if vector["refused"]]
INFO = LinkInfo("post", "post", "bench", speed=115200, code_port=0x80)
SECOND = 1_000_000_000


def name_of(vector: dict[str, Any]) -> str:
    return str(vector["name"])


def frame_of(vector: dict[str, Any]) -> Frame:
    told = vector["frame"]
    entries = tuple(
        CardWrite(**(one | {"note": Note(n["kind"], bytes.fromhex(n["value"])) if (n := one.get("note")) else None}))
        for one in told["entries"]
    )
    return Frame(told["sequence"], told["ticks"], entries, Kind[told["kind"].upper()], told["tick_ns"])


def send(frames: list[Frame], info: LinkInfo = INFO) -> list[Observation]:
    seen, decoder = run(info, cut(info, b"".join(map(encode_frame, frames))))
    assert accounted(decoder)
    return essence(seen)


def code(value: int, port: int | None = 0x80, wide: bool = False) -> Code:
    return Code("post", 0, 0, value, port, wide)


def lost(reason: str, count: int) -> Lost:
    return Lost("post", 0, 0, reason, count)


RESET = Reset("post", 0, 0)


def test_crc_check_value() -> None:
    """CRC-16/CCITT-FALSE of "123456789" is 29B1h (public catalogue of CRC algorithms)."""
    assert Crc16CcittFalse.calc(VECTORS["crc_check"]["data"].encode()) == int(VECTORS["crc_check"]["crc"], 16) == 0x29B1


def test_vectors_are_many() -> None:
    """At least eight vectors, good and damaged, and the page that specifies the frame names each of them."""
    page = (NOTES / "card-framings.md").read_text()
    assert len(GOOD) >= 8 and len(BAD) >= 8
    assert all(f"`{vector['name']}`" in page for vector in VECTORS["vectors"])


@pytest.mark.parametrize("vector", GOOD, ids=name_of)
def test_good_vectors(vector: dict[str, Any]) -> None:
    """Each vector's bytes decode to its frame and back; the CRC agrees with Python's own binascii.crc_hqx."""
    wire, body = bytes.fromhex(vector["wire"]), bytes.fromhex(vector["body"])
    frame = frame_of(vector)
    assert encode_body(frame) == body
    assert encode_frame(frame) == wire
    assert decode_frame(wire[:-1]) == frame
    assert wire.count(0) == 1
    assert binascii.crc_hqx(body, 0xFFFF) == Crc16CcittFalse.calc(body)
    assert binascii.crc_hqx(body + Crc16CcittFalse.calc(body).to_bytes(2, "big"), 0xFFFF) == 0


@pytest.mark.parametrize("vector", BAD, ids=name_of)
def test_damaged_vectors(vector: dict[str, Any]) -> None:
    """Each damaged vector is refused whole by its reason, said once, and the frame after it is read."""
    wire = bytes.fromhex(vector["wire"])
    after = Frame(9, 0, (CardWrite(0x55),))
    for chunks in ways(INFO, wire + encode_frame(after), (1, 5, len(wire) - 1)):
        seen, decoder = run(INFO, chunks)
        assert essence(seen) == [lost(vector["refused"], len(wire)), code(0x55)]
        assert decoder.counts.refused == {vector["refused"]: len(wire)}
        assert accounted(decoder)


entries = st.builds(
    CardWrite,
    code=st.integers(0, 255),
    port=st.none() | st.integers(0, 0xFFFF),
    reset=st.booleans(),
    lost=st.integers(0, 0xFFFF),
    note=st.none() | st.builds(Note, kind=st.integers(4, 255), value=st.binary(max_size=9)),
) | st.builds(CardWrite, code=st.integers(0, 0xFFFF), wide=st.just(True), port=st.none() | st.integers(0, 0xFFFF))


@st.composite
def frames(draw: st.DrawFn) -> Frame:
    first = draw(entries)
    rest = [replace(one, delta=draw(st.integers(0, 0xFFFF))) for one in draw(st.lists(entries, max_size=12))]
    return Frame(draw(st.integers(0, 0xFFFF)), draw(st.integers(0, 2**32 - 1)), (first, *rest))


@given(frames())
@settings(deadline=None, max_examples=100)
def test_round_trip(frame: Frame) -> None:
    """What is encoded is decoded, and no 00h occurs before the delimiter."""
    wire = encode_frame(frame)
    assert decode_frame(wire[:-1]) == frame
    assert wire.index(0) == len(wire) - 1


@given(frames(), st.data())
@settings(deadline=None, max_examples=150)
def test_any_changed_byte_is_refused(frame: Frame, data: st.DataObject) -> None:
    """One changed byte of body or CRC never gives another frame (CRC-16 finds every burst up to 16 bits)."""
    wire = encode_frame(frame)[:-1]
    block_starts, at = set(), 0
    while at < len(wire):
        block_starts.add(at)
        at += wire[at]
    at = data.draw(st.sampled_from([n for n in range(len(wire)) if n not in block_starts]))
    value = data.draw(st.integers(1, 255).filter(lambda value: value != wire[at]))
    with pytest.raises(FrameRefused, match="bad-crc"):
        decode_frame(wire[:at] + bytes((value,)) + wire[at + 1 :])


def test_codes_come_out() -> None:
    """Entries become codes: the link's port, then the one said last; 16-bit codes are wide."""
    told = (
        CardWrite(1),
        CardWrite(2, 0x84),
        CardWrite(0x7203, None, True),
        CardWrite(4, 0x80, reset=True, lost=9),
        CardWrite(None, lost=2),
    )
    assert send([Frame(0, 0, told)]) == [
        code(1),
        code(2, 0x84),
        code(0x7203, 0x84, True),
        lost("card-overrun", 9),
        RESET,
        code(4),
        lost("card-overrun", 2),
    ]


def test_notes() -> None:
    """Of the notes only power is an observation, in its place; a card note says version and ports, once decoded."""
    card = Note(1, bytes((2, 1, 0x80, 0, 0, 3)))
    notes = [card, Note(2, b"\1"), Note(3), Note(200, b"later"), Note(2, b"\0 and more")]
    story = [Frame(n, n, (CardWrite(None, note=note),)) for n, note in enumerate(notes)]
    assert send([*story, Frame(5, 9, (CardWrite(3),))]) == [
        Power("post", 0, 0, True),
        Power("post", 0, 0, False),
        code(3),
    ]
    assert card.card == CardFacts((1, 2), (0x80, 0x300)) and card.power is None
    assert all(note.card is None for note in notes[1:])


def test_gaps_are_counted() -> None:
    """Missing numbers are Lost("sequence-gap"), also over the wrap of the number and when only ALIVE tells."""
    one = (CardWrite(1),)
    story = [Frame(65534, 0, one), Frame(65535, 1, one), Frame(2, 2, one), Frame(3, 3, (), Kind.ALIVE, 1000)]
    assert send(story) == [code(1), code(1), lost("sequence-gap", 2), code(1)]
    story[-1] = Frame(8, 3, (), Kind.ALIVE, 1000)
    assert send(story)[-1] == lost("sequence-gap", 5)


def test_first_frame_is_no_gap() -> None:
    """Joining a card that runs already loses nothing that was ours to see."""
    assert send([Frame(500, 0, (CardWrite(1),))]) == [code(1)]


def test_repeated_frame_counts_once() -> None:
    """A frame sent twice is refused the second time, by name."""
    wire = encode_frame(Frame(5, 77, (CardWrite(1),)))
    seen, decoder = run(INFO, cut(INFO, wire * 3))
    assert essence(seen) == [code(1)]
    assert decoder.counts.refused == {"repeated": 2 * len(wire)}


def test_started_card_is_a_reset() -> None:
    """A STARTED frame gives Reset; numbers start over without a gap."""
    story = [Frame(40, 10**6, (CardWrite(9),)), Frame(0, 0, (), Kind.STARTED, 1000), Frame(0, 50, (CardWrite(1),))]
    assert send(story) == [code(9), RESET, code(1)]


def test_restart_without_its_frame() -> None:
    """When STARTED was lost, ticks and numbers that start over tell of it, and the numbers missed since."""
    story = [Frame(40, 10**7, (CardWrite(9),)), Frame(2, 50, (CardWrite(1),))]
    assert send(story) == [code(9), RESET, lost("sequence-gap", 2), code(1)]


def test_number_behind_is_a_restart() -> None:
    """A number that falls back tells of a restart even where the ticks (of unknown length) happen to go on."""
    story = [Frame(40, 1000, (CardWrite(9),)), Frame(2, 5000, (CardWrite(1),))]
    assert send(story) == [code(9), RESET, lost("sequence-gap", 2), code(1)]


def test_ticks_that_jump_tell_of_a_restart() -> None:
    """Ticks far ahead of the time that passed are a restart, unless the number just goes on (we slept)."""
    info = LinkInfo("post", "post", "bench", speed=115200, code_port=0x80, tick_s=1e-6)
    first = Frame(2, 10**7, (CardWrite(9),))
    assert send([first, Frame(5, 50, (CardWrite(1),))], info) == [code(9), RESET, lost("sequence-gap", 5), code(1)]
    assert send([first, Frame(3, 50, (CardWrite(1),))], info) == [code(9), code(1)]
    alive = [Frame(0, ticks, (), Kind.ALIVE, 1000) for ticks in (10**7, 50)]
    assert send([*alive, Frame(0, 60, (CardWrite(1),))], info) == [RESET, code(1)]


def test_lost_delimiter_loses_two_frames_and_says_so() -> None:
    """Two frames run together are refused, and the gap tells how many codes that cost."""
    wires = [encode_frame(Frame(n, n, (CardWrite(n),))) for n in range(4)]
    data = wires[0] + wires[1][:-1] + wires[2] + wires[3]
    seen, _ = run(INFO, cut(INFO, data))
    merged = len(wires[1]) - 1 + len(wires[2])
    reasons = ("bad-crc", "not-cobs")
    assert any(essence(seen) == [code(0), lost(reason, merged), lost("sequence-gap", 2), code(3)] for reason in reasons)


def test_half_frame_is_given_up() -> None:
    """A card that dies in mid-frame does not spoil the next frame: after 0.5 s the half is refused."""
    decoder = make_decoder(INFO)
    wire = encode_frame(Frame(0, 0, (CardWrite(1),)))
    decoder.feed(Chunk("post", START_NS, wire[:6]))
    assert decoder.counts.pending == 6
    seen = decoder.feed(Chunk("post", START_NS + SECOND, wire))
    assert essence(seen) == [lost("half-frame", 6), code(1)]


def test_gap_over_a_link_loss() -> None:
    """Codes missed while the adapter was unplugged are counted when it is back."""
    decoder = make_decoder(INFO)
    decoder.feed(Chunk("post", START_NS, encode_frame(Frame(0, 0, (CardWrite(1),)))))
    decoder.feed(LinkState("post", START_NS + SECOND, False, "unplugged"))
    decoder.feed(LinkState("post", START_NS + 2 * SECOND, True, "opened"))
    seen = decoder.feed(Chunk("post", START_NS + 3 * SECOND, encode_frame(Frame(6, 3 * 10**6, (CardWrite(7),)))))
    assert essence(seen) == [lost("sequence-gap", 5), code(7)]


@given(st.lists(st.binary(max_size=30), max_size=12), st.lists(st.integers(0, 400), max_size=8))
@settings(deadline=None, max_examples=60)
def test_every_frame_after_noise_is_read(noise: list[bytes], cuts: list[int]) -> None:
    """Noise between frames costs at most the frame it runs into: with a 00h before, every frame is read."""
    data = b"".join(junk + b"\0" + encode_frame(Frame(n, n, (CardWrite(n),))) for n, junk in enumerate(noise))
    for chunks in ways(INFO, data, cuts):
        seen, decoder = run(INFO, chunks)
        assert [one.value for one in seen if isinstance(one, Code)] == list(range(len(noise)))
        assert accounted(decoder)


def boot(seed: int, latency_ns: int, info: LinkInfo) -> tuple[list[Chunk], list[int]]:
    """A card with a 1 us tick, 80 ppm fast, behind an adapter that delivers late by up to `latency_ns`."""
    rng = random.Random(seed)
    true_ns, busy_ns = START_NS, 0
    chunks: list[Chunk] = []
    truth = []
    for sequence in range(150):
        true_ns += rng.choice((2_000_000, 30_000_000, 400_000_000))
        ticks = int((true_ns - START_NS) * 1.00008 / 1000)
        wire = encode_frame(Frame(sequence, ticks, (CardWrite(sequence & 255, 0x80),)))
        truth.append(true_ns)
        busy_ns = max(true_ns, busy_ns) + len(wire) * line_time_ns(info)
        late_ns = max(busy_ns + rng.randrange(latency_ns), chunks[-1].t_ns if chunks else 0)
        chunks.append(Chunk(info.name, late_ns, wire))
    return chunks, truth


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("tick_s", [1e-6, None])
def test_card_clock_dates_the_codes(seed: int, tick_s: float | None) -> None:
    """With 16 ms of latency timer, codes are dated within u, u gets smaller, and never after their arrival."""
    info = LinkInfo("post", "post", "bench", speed=115200, latency_ns=16_000_000, tick_s=tick_s)
    chunks, truth = boot(seed, 16_000_000, info)
    seen, _ = run(info, chunks)
    codes = [one for one in seen if isinstance(one, Code)]
    assert len(codes) == len(truth)
    inside = [abs(one.t_ns - true_ns) <= one.u_ns for one, true_ns in zip(codes, truth, strict=True)]
    assert sum(inside) >= 0.99 * len(truth), f"seed {seed}"
    assert all(one.t_ns <= chunk.t_ns for one, chunk in zip(codes, chunks, strict=True))
    frame_ns = 15 * line_time_ns(info)
    assert max(one.u_ns for one in codes) <= info.latency_ns + line_time_ns(info) + frame_ns
    early, late = (sorted(one.u_ns for one in part) for part in (codes[:10], codes[-50:]))
    assert late[25] < 0.7 * early[0], f"seed {seed}: {late[25]} of {early[0]}"


@given(st.integers(0, 2**32 - 1), st.lists(st.integers(1, 3000), min_size=20, max_size=60), st.data())
@settings(deadline=None, max_examples=30)
def test_three_ways_agree_in_time(seed_ticks: int, gaps: list[int], data: st.DataObject) -> None:
    """A card that sends as its ticks say is dated alike, however its bytes are cut, within the stated u."""
    info = LinkInfo("post", "post", "bench", speed=115200, tick_s=1e-3)
    stories: list[list[Observation]] = [[], [], []]
    decoders = [make_decoder(info) for _ in stories]
    at_ms = 0
    for number, gap in enumerate(gaps):
        at_ms += gap
        wire = encode_frame(Frame(number, (seed_ticks + at_ms) % 2**32, (CardWrite(number), CardWrite(number + 1))))
        cuts = data.draw(st.lists(st.integers(0, len(wire)), max_size=3))
        start_ns = START_NS + at_ms * 1_000_000
        for story, decoder, chunks in zip(stories, decoders, ways_from(info, wire, cuts, start_ns), strict=True):
            for chunk in chunks:
                story += decoder.feed(chunk)
    first = stories[0]
    for story in stories:
        assert essence(story) == essence(first)
        assert times_agree(story, first)


def ways_from(info: LinkInfo, wire: bytes, cuts: list[int], start_ns: int) -> list[list[Chunk]]:
    return [cut(info, wire, how, start_ns) for how in ((), range(len(wire)), cuts)]


def test_entries_of_one_frame_lie_apart_by_their_ticks() -> None:
    """The distances inside a frame are the card's, in ticks of the set length."""
    info = LinkInfo("post", "post", "bench", speed=115200, tick_s=1e-3)
    told = (CardWrite(1), CardWrite(2, delta=250), CardWrite(3, delta=5))
    seen, _ = run(info, cut(info, encode_frame(Frame(0, 100, told))))
    assert seen[1].t_ns - seen[0].t_ns == 250_000_000
    assert seen[2].t_ns - seen[1].t_ns == 5_000_000


def test_tick_length_told_by_the_card() -> None:
    """ALIVE and STARTED frames tell the length of a tick; a setting outranks them."""
    frames_ = [Frame(0, 0, (), Kind.STARTED, 1_000_000), Frame(0, 100, (CardWrite(1), CardWrite(2, delta=40)))]
    seen, _ = run(INFO, cut(INFO, b"".join(map(encode_frame, frames_))))
    codes = [one for one in seen if isinstance(one, Code)]
    assert codes[1].t_ns <= START_NS + 200 * line_time_ns(INFO)
    assert 0 <= codes[1].t_ns - codes[0].t_ns <= 40_000_000
    assert codes[0].u_ns + codes[1].u_ns >= 40_000_000 - (codes[1].t_ns - codes[0].t_ns)
