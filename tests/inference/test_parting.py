"""Power-ups told apart without a table: marks, pauses, and what came first coming again."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.inference.bootlog import Event
from benchd.inference.parting import MARK, got_as_far, part, shared

CODES = [f"{n:02X}" for n in (0x0D, 0x17, 0x21, 0x33, 0x0D, 0x40, 0x55, 0x61)]
LINES = ["Some BIOS 1.0", "640K", "Drive C: ready", "Loading"]


def way(t: float, *, step: float = 0.3, codes: list[str] = CODES, lines: list[str] = LINES) -> list[Event]:
    """One boot: its codes, then its lines."""
    out = [Event("code", code, t + n * step) for n, code in enumerate(codes)]
    return out + [Event("line", text, t + (len(codes) + n) * step) for n, text in enumerate(lines)]


def sizes(boots: list[tuple[Event, ...]]) -> list[int]:
    return [len(boot) for boot in boots]


@pytest.mark.parametrize("pause", [0.05, 4.0, 60.0])
def test_four_power_ups_in_one_record_are_four_boots(pause: float) -> None:
    """After a reset that leaves no pause, and after a minute off; a code that comes twice parts nothing."""
    record = [event for n in range(4) for event in way(n * (3.6 + pause))]
    boots = part(record)
    assert sizes(boots) == [12] * 4 and all(boot[0].value == "0D" for boot in boots)


def test_counters_and_lost_codes_do_not_hide_a_beginning() -> None:
    """Other numbers in the lines, the first code lost in one boot, another in the next."""
    lines = [["Some BIOS 1.0", f"{kb}K", "Drive C: ready", "Loading"] for kb in (640, 512, 256)]
    codes = [CODES, CODES[1:], CODES[:2] + CODES[3:]]
    record = [e for n in range(3) for e in way(n * 20.0, codes=codes[n], lines=lines[n])]
    assert sizes(part(record)) == [12, 11, 11]


def test_marks_part_whatever_follows_them() -> None:
    """A reset line and a power line are certain; another way after them is a boot as well."""
    record = [*way(0), Event(MARK, "reset", 9.0), *way(9.1, codes=["77", "78", "79"], lines=[])]
    assert sizes(part(record)) == [12, 3]


def test_a_record_that_begins_in_the_middle_of_a_boot_is_parted_where_boots_begin() -> None:
    """Recording was started late: the pauses by hand part, though what came first comes again elsewhere."""
    pauses = [0.0, 5.0, 12.3, 23.7, 31.0]
    record = [event for n, pause in enumerate(pauses) for event in way(n * 3.6 + pause)]
    boots = part(record[5:])
    assert sizes(boots) == [12] * 4 and all(boot[0].value == "0D" for boot in boots)


def test_one_boot_is_one_and_nothing_is_none() -> None:
    assert sizes(part(way(0))) == [12] and part([]) == [] and part([Event("code", "01", 0)]) == []


def test_boots_that_ended_early_are_left_out() -> None:
    """Most get to the last line; the one that hung does not."""
    boots = [way(0), way(0)[:7], way(0)]
    assert got_as_far(boots) == [0, 2]


def test_a_ladder_is_what_all_share_in_one_order() -> None:
    """A line that comes now before, now after a code is no rung; nor is what one boot lacks."""
    one = [Event("code", c, n) for n, c in enumerate(["01", "02", "03", "04", "05"])]
    other = [Event("code", c, n) for n, c in enumerate(["01", "03", "02", "05"])]
    found = shared([one, other], 60)
    assert found[0] == "code 01" and found[-1] == "code 05" and len(found) == 3


def test_a_long_ladder_keeps_its_ends_and_its_long_steps() -> None:
    """100 codes, ten allowed: the first, the last, and those after which it takes longest."""
    times = [n * 0.1 + 5.0 * (n > 40) + 3.0 * (n > 70) for n in range(100)]
    boot = [Event("code", f"{n:02X}", t) for n, t in enumerate(times)]
    found = shared([boot, boot], 10)
    assert len(found) == 10 and {"code 00", "code 63", "code 28", "code 46"} <= set(found)


@settings(deadline=None, max_examples=80)
@given(st.integers(0, 10**6), st.integers(1, 6), st.sampled_from([0.0, 0.03]))
def test_boots_of_any_firmware_are_told_apart(seed: int, count: int, lost: float) -> None:
    """Random ways of 12 to 60 codes and lines, some repeated, a share lost: as many boots as power-ups."""
    rng = random.Random(seed)
    whole = [f"{rng.randrange(256):02X}" for _ in range(rng.randint(12, 60))]
    record: list[Event] = []
    t = 0.0
    for _ in range(count):
        own = [code for code in whole if rng.random() >= lost]
        record += way(t, codes=own, lines=LINES, step=0.1)
        t += len(own) * 0.1 + 1 + rng.uniform(2, 30)
    assert len(part(record)) == count
