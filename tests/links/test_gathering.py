"""Letting bytes gather: only on a line that is full, and never for longer than a stamp may be late."""

from __future__ import annotations

import random

import pytest

from benchd.links.absence import WAIT_MS
from benchd.links.gathering import REST_NS, SPAN_NS, Gathering
from benchd.links.lines import SCHEDULER_NS
from benchd.vocabulary.times import byte_time_ns

MS = 1_000_000


def rests(speed: int, each: int, seconds: float = 0.5) -> list[int]:
    """What is rested after each read of a line that brings `each` bytes at a time without a pause, at a speed."""
    gathering, t_ns, out = Gathering(0), 0, []
    while t_ns < seconds * 1e9:
        t_ns += each * byte_time_ns(speed)
        out.append(gathering.rest_ns(t_ns, t_ns + 20_000, each))
    return out


@pytest.mark.parametrize("each", [1, 8, 46])
def test_a_full_line_is_read_less_often(each: int) -> None:
    found = rests(115_200, each)
    assert found[0] == 0, "nobody knows yet"
    assert found[-1] == REST_NS - 20_000


@pytest.mark.parametrize("speed", [300, 9_600, 19_200])
def test_a_slow_line_is_read_at_once(speed: int) -> None:
    assert not any(rests(speed, 1)) and not any(rests(speed, 16))


def test_codes_are_read_at_once() -> None:
    """A card's codes, a millisecond apart for as long as one likes."""
    gathering = Gathering(0)
    assert not any(gathering.rest_ns(n * MS, n * MS + 20_000, 1) for n in range(1, 2_000))


def test_what_comes_after_a_full_line_is_read_at_once() -> None:
    gathering, t_ns = Gathering(0), 0
    for _ in range(200):
        t_ns += MS
        gathering.rest_ns(t_ns, t_ns, 12)
    assert gathering.rest_ns(t_ns, t_ns, 12) == REST_NS
    for _ in range(2 * SPAN_NS // (WAIT_MS * MS)):  # turns in which nothing comes
        t_ns += WAIT_MS * MS
        assert gathering.rest_ns(t_ns, t_ns, 0) == 0
    assert gathering.rest_ns(t_ns + MS, t_ns + MS, 1) == 0


def test_a_rest_is_no_longer_than_a_turn_may_be() -> None:
    """Counted from when the read asked: whatever a read takes, the next asks within what a stamp may be late."""
    chance, gathering, t_ns = random.Random(1), Gathering(0), 0
    for _ in range(5_000):
        asked_ns = t_ns + chance.randrange(2 * MS)
        t_ns = asked_ns + chance.randrange(4 * MS)
        rest_ns = gathering.rest_ns(asked_ns, t_ns, chance.randrange(200))
        assert rest_ns == 0 or t_ns + rest_ns - asked_ns <= REST_NS < min(WAIT_MS * MS, SCHEDULER_NS)
        t_ns += rest_ns
