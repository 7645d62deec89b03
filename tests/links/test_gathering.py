"""Letting bytes gather: only on a line that is full, and so that stamps stay what they say."""

from __future__ import annotations

import bisect
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import pytest

from benchd.decode.arrival import Arrivals
from benchd.links.absence import WAIT_MS, Absence
from benchd.links.gathering import LONG_NS, REST_NS, SPAN_NS, Gathering
from benchd.links.lines import SCHEDULER_NS
from benchd.vocabulary.records import LinkInfo
from benchd.vocabulary.times import byte_time_ns

MS = 1_000_000
SPEED = 115_200
BYTE_NS = byte_time_ns(SPEED)


def rests(speed: int, each: int, byte_ns: int = 0, shift_ns: int = 0) -> list[tuple[int, int]]:
    """Each read of a line that brings `each` bytes at a time without a pause, at a speed, and what is rested then."""
    gathering, t_ns, out = Gathering(0, shift_ns), 0, []
    while t_ns < NS // 2:
        t_ns += each * byte_time_ns(speed)
        out.append((t_ns, gathering.rest_ns(t_ns, t_ns + 20_000, each, byte_ns)))
    return out


NS = 1_000_000_000


@pytest.mark.parametrize("shift_ns", [0, 300_000])
@pytest.mark.parametrize(("byte_ns", "every_ns"), [(0, REST_NS), (BYTE_NS, LONG_NS)])
@pytest.mark.parametrize("each", [1, 8, 46])
def test_a_full_line_is_read_at_instants_that_all_share(each: int, byte_ns: int, every_ns: int, shift_ns: int) -> None:
    found = rests(SPEED, each, byte_ns, shift_ns)
    assert found[0][1] == 0, "nobody knows yet"
    t_ns, rest_ns = found[-1]
    assert 0 < rest_ns <= every_ns and (t_ns + 20_000 + rest_ns) % every_ns == shift_ns


@pytest.mark.parametrize("speed", [300, 9_600, 19_200])
def test_a_slow_line_is_read_at_once(speed: int) -> None:
    for each in (1, 16):
        assert not any(rest for _, rest in rests(speed, each, byte_time_ns(speed)))


def test_codes_are_read_at_once() -> None:
    """A card's codes, a millisecond apart for as long as one likes."""
    gathering = Gathering(0)
    assert not any(gathering.rest_ns(n * MS, n * MS + 20_000, 1, BYTE_NS) for n in range(1, 2_000))


def test_what_comes_after_a_full_line_is_read_at_once() -> None:
    gathering, t_ns = Gathering(0), 0
    for _ in range(200):
        t_ns += MS
        gathering.rest_ns(t_ns, t_ns, 12, BYTE_NS)
    assert gathering.rest_ns(t_ns, t_ns, 12, BYTE_NS) == LONG_NS
    assert gathering.rest_ns(t_ns + LONG_NS, t_ns + LONG_NS, 0, BYTE_NS) == REST_NS, "nothing came: look sooner"
    t_ns += LONG_NS + SPAN_NS
    gathering.rest_ns(t_ns, t_ns, 0, BYTE_NS)
    assert gathering.rest_ns(t_ns + SPAN_NS, t_ns + SPAN_NS, 0, BYTE_NS) == 0
    assert gathering.rest_ns(t_ns + SPAN_NS + MS, t_ns + SPAN_NS + MS, 1, BYTE_NS) == 0


def test_two_reads_go_on_together_where_each_is_short() -> None:
    """Every second one of a line whose pace is not known; none of one that is read seldom, or not full."""
    unknown, known, quiet = Gathering(0), Gathering(0), Gathering(0)
    found = []
    for n in range(1, 101):
        t_ns = n * REST_NS
        unknown.rest_ns(t_ns, t_ns, 46, 0)
        known.rest_ns(t_ns, t_ns, 46, BYTE_NS)
        quiet.rest_ns(t_ns, t_ns, 1, BYTE_NS)
        found.append([one.together(t_ns) for one in (unknown, known, quiet)])
    assert found[-2:] == [[True, False, False], [False, False, False]]


@dataclass
class Told:
    """What was said of each byte: when it came, its time and u, and from when on nobody looked, if so."""

    came_ns: int
    t_ns: int
    u_ns: int
    blind_ns: int | None

    @property
    def true(self) -> bool:
        """Whether what is stated covers the truth."""
        if self.blind_ns is not None and self.blind_ns <= self.came_ns:
            return True
        return abs(self.came_ns - self.t_ns) <= self.u_ns


def read(came: list[int], paced: bool, late: Callable[[], int]) -> Iterator[Told]:
    """The turns of a reading loop over bytes that come at those instants; each wake is late by `late()` ns."""
    byte_ns = BYTE_NS if paced else 0
    info = LinkInfo("link", "console", "text", speed=SPEED, paced=paced, latency_ns=SCHEDULER_NS)
    arrivals, absence, gathering = Arrivals(info), Absence(0), Gathering(0)
    place, t_ns, rest_ns = 0, 0, 0
    while place < len(came):
        wake_ns = t_ns + rest_ns if rest_ns else max(t_ns, min(came[place], t_ns + WAIT_MS * MS))
        asked_ns = wake_ns + late()
        end = bisect.bisect_right(came, asked_ns)
        t_ns, size = asked_ns + 20_000, end - place
        away = absence.away(asked_ns, t_ns, size > 0, size * byte_ns)
        if away:
            gathering.thin()
        rest_ns = gathering.rest_ns(asked_ns, t_ns, size, byte_ns)
        if size:
            spread = arrivals.spread(t_ns, size, None)
            blind_ns = t_ns - away if away else None
            yield from (Told(came[place + n], spread.at(n), spread.u(n), blind_ns) for n in range(size))
        place = end


def on_a_line(chance: random.Random) -> list[int]:
    """Bytes of a line: runs without a gap, single ones, pauses of all lengths."""
    t_ns, came = 0, []
    for _ in range(60):
        for _ in range(chance.choice((1, 1, 5, 40, 1_500))):
            t_ns += BYTE_NS
            came.append(t_ns)
        t_ns += round(chance.choice((0.1, 1, 4, 9, 40)) * MS * chance.random())
    return came


def as_they_like(chance: random.Random) -> list[int]:
    """Bytes of a socket or a pty: any number at once, any time apart, as full as a line for long stretches."""
    t_ns, came = 0, []
    for _ in range(60):
        size, apart_ns = chance.choice(((1, MS), (46, 4 * MS), (200, 20 * MS), (3, MS // 4), (100, 9 * MS)))
        for _ in range(chance.randrange(1, 60)):
            t_ns += round(apart_ns * (0.8 + 0.4 * chance.random()))
            came += [t_ns] * size
    return came


@pytest.mark.parametrize("paced", [True, False])
@pytest.mark.parametrize("seed", range(6))
def test_what_is_stated_covers_the_truth(seed: int, paced: bool) -> None:
    """Whenever bytes come and however late the loop is: within u of the time told, or it is told that nobody looked."""
    chance = random.Random(seed)
    late = lambda: chance.choice((0, 50_000, 300_000, 900_000)) + (chance.random() < 0.01) * 30 * MS  # noqa: E731
    told = list(read((on_a_line if paced else as_they_like)(chance), paced, late))
    assert [one for one in told if not one.true] == []
    assert sum(one.blind_ns is None for one in told) > 0.5 * len(told), "most are proven"


def test_a_full_line_proves_itself() -> None:
    """Read eight milliseconds apart, and late by some more at times, no byte of a full line is in doubt."""
    chance = random.Random(1)
    came = [n * BYTE_NS for n in range(1, 20_000)]
    assert all(one.blind_ns is None and one.true for one in read(came, True, lambda: chance.randrange(2 * MS)))
