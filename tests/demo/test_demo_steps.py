"""Scripts laid out in time: bytes, byte times, the card's room, and the same again by seed."""

from __future__ import annotations

import itertools
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.demo.steps import (
    Count,
    Hang,
    Post,
    PowerOff,
    PowerOn,
    Say,
    Step,
    Wait,
    hex_code,
    timeline,
)

steps: st.SearchStrategy[Step] = st.one_of(
    st.builds(Post, st.integers(0, 255), st.floats(0, 1), st.floats(0, 0.2)),
    st.builds(Say, st.text(max_size=20)),
    st.builds(Count, st.just(64), st.integers(64, 512), st.just(64), st.floats(0, 0.1)),
    st.builds(Wait, st.floats(0, 2)),
    st.builds(Hang, st.floats(0, 2)),
    st.just(PowerOff()),
    st.just(PowerOn()),
)


def test_bytes_and_times_of_a_small_script() -> None:
    """A code is out one byte time after its write (10 bits at 8N1, 9600 baud), text byte after byte."""
    script = [Post(0x01, 1.0, 0), Say("ab"), Hang(3), Post(0x02, 0.5, 0)]
    wires = timeline(script, random.Random(0), speed=10)
    slot = 10 / 9600
    wanted = [(slot, 1), (0.1 + slot, ord("a")), (0.1 + 2 * slot, ord("b")), (3.1 + 3 * slot, 2)]
    assert [(pytest.approx(t), b) for t, b in wanted] == [(s.t_s, s.byte) for s in wires.sent]
    assert [m.what for m in wires.marks] == ["hang"]
    assert wires.seconds == pytest.approx(3.15 + 2 * slot)


def test_counter_rewrites_its_line() -> None:
    """Every value is written over the one before, by carriage return."""
    wires = timeline([Count(64, 192, 64, 0.1)], random.Random(0))
    assert wires.data("console") == b"\r00064K OK\r00128K OK\r00192K OK"


def test_hex_card_and_code_page() -> None:
    """A card may send text, and the console speaks code page 437."""
    wires = timeline([Post(0x4E), Say("\u2588\u2603")], random.Random(0), post_format=hex_code)
    assert wires.data("post") == b"80 4E\r\n"
    assert wires.data("console") == b"\xdb?"


def test_card_without_room_loses_codes() -> None:
    """Codes that come faster than the card's line carries them wait, and beyond its room they are lost."""
    script = [Post(code, 0, 0) for code in range(40)]
    wires = timeline(script, random.Random(0), post_baud=300, card_room=8)
    assert wires.data("post") == bytes(range(9))
    assert wires.merged == 31
    assert timeline(script, random.Random(0), card_room=100).merged == 0


@settings(deadline=None, max_examples=100)
@given(st.lists(steps, max_size=12), st.integers(0, 1000), st.sampled_from([1, 8, 50]))
def test_lines_are_never_faster_than_their_speed(script: list[Step], seed: int, speed: float) -> None:
    """Whatever the script: bytes of one link are a byte time apart, all lie within the length, all repeat."""
    wires = timeline(script, random.Random(seed), speed=speed)
    assert wires == timeline(script, random.Random(seed), speed=speed)
    for link in ("post", "console"):
        times = [s.t_s for s in wires.sent if s.link == link]
        assert all(b - a >= 10 / 9600 - 1e-9 for a, b in itertools.pairwise(times))
    assert all(0 < s.t_s <= wires.seconds for s in wires.sent)


@settings(deadline=None, max_examples=50)
@given(st.lists(steps, max_size=12), st.integers(0, 1000))
def test_speed_changes_times_not_bytes(script: list[Step], seed: int) -> None:
    """Compressed time carries the same bytes as long as the card has room."""
    slow = timeline(script, random.Random(seed), card_room=1000)
    fast = timeline(script, random.Random(seed), card_room=1000, speed=20)
    assert slow.data("post") == fast.data("post") and slow.data("console") == fast.data("console")
    assert fast.seconds <= slow.seconds + 1e-9
