"""The card's timing on paper: reckoned anew from the stated figures, and held against the firmware itself."""

from __future__ import annotations

import random
import re

import pytest
from card.figures import card, cycles, figures, margins, timing_tables, values
from card.plans import NOTES, placed
from card.statemachine import Program, program, strobes

CYCLE = 8.0
PHASES = [n / 4 for n in range(32)]
"""All moments within a cycle, in quarters of a ns."""
FIRMWARE = program()


def seen(*spans: tuple[float, float]) -> list[list[float]]:
    """The samples of what is seen of strobes, for each phase."""
    return [FIRMWARE.run(strobes(*spans), spans[-1][1] + 200, CYCLE, phase) for phase in PHASES]


def in_cycles(name: str) -> float:
    return values(figures()["card"])[name] * CYCLE


def test_the_tables_are_those_of_the_page() -> None:
    page = (NOTES / "timing.md").read_text(encoding="utf-8")
    assert placed(page, timing_tables()) == page


def test_known_values_come_out() -> None:
    """By hand: 4.5 x 125 - 32.5 = 530 and 125 - 34 = 91 at 8 MHz; (2 + 1) x 209.52 + 10 - 35 = 603.6 at 4.77 MHz."""
    by_name = {one.name: one for one in cycles()}
    assert by_name["AT class, 8 MHz"].width == 530 and by_name["AT class, 8 MHz"].address == 91
    slow = by_name["8088 class, 4.77 MHz"]
    assert slow.width == pytest.approx(603.57, abs=0.01)
    assert slow.address == pytest.approx(10 - (110 + 30 - 209.524), abs=0.01)
    assert slow.data == pytest.approx(3 * 209.524 + 10 - 110 - 18, abs=0.01)
    assert slow.data_hold == 118 + 10 - 35
    assert {round(1000 / one.period, 1) for one in by_name.values()} == {4.8, 6, 8, 8.3, 10, 12}


def test_every_machine_leaves_a_margin() -> None:
    own = card()
    for one in cycles():
        assert all(left > 0 for left in margins(one, own).values()), (one.name, margins(one, own))


def test_what_is_promised_is_less_than_what_is_reckoned() -> None:
    """The firmware's page promises figures at the pins; the slot's come out within them, but for one machine."""
    page, own = (NOTES / "README.md").read_text(encoding="utf-8"), card()

    def promised(pattern: str) -> float:
        found = re.search(pattern, page)
        assert found, pattern
        return float(found[1])

    shortest, pause = promised(r"always seen \| from (\d+) ns on"), promised(r"with (\d+) ns of high between two")
    before, glitch = (
        promised(r"must be valid (\d+) ns before it"),
        promised(r"never taken for a write \| up to (\d+) ns"),
    )
    assert own.shortest <= shortest and own.pause <= pause and own.before <= before and own.glitch >= glitch
    assert own.after <= 0 and "nothing is needed after it" in page
    short = [one for one in cycles() if one.width < shortest or one.pause < pause or one.data < before]
    assert [one.name for one in short] == ["AT class, 12 MHz, 0WS#"]
    told = " ".join((NOTES / "timing.md").read_text(encoding="utf-8").split())
    assert f"from {shortest:.0f} ns on, never up to {glitch:.0f} ns, {pause:.0f} ns of high between two" in told
    assert f"from {before:.0f} ns before the strobe's end" in told
    assert (
        f"the strobe lasts {short[0].width:.0f} ns at least, on paper {short[0].width - own.shortest:.0f} ns more"
        in told
    )


def test_a_slower_card_would_be_found_too_slow() -> None:
    """The comparison can fail: at half the clock some machine is too quick."""
    own = card()
    own.shortest, own.before = 2 * own.shortest, 2 * own.before
    assert any(left < 0 for one in cycles() for left in margins(one, own).values())


def test_the_firmware_sees_strobes_as_the_figures_say() -> None:
    """Run on every length in quarters of a ns and every phase: never below, always above, in between by chance."""
    counts = {quarter: {len(found) for found in seen((100, 100 + quarter / 4))} for quarter in range(200, 480)}
    assert max(q for q, found in counts.items() if found == {0}) / 4 == in_cycles("glitch_cycles")
    assert (max(q for q, found in counts.items() if found != {1}) + 1) / 4 == in_cycles("shortest_cycles")
    assert all(found <= {0, 1} for found in counts.values())


def test_the_sample_lies_where_the_figures_say() -> None:
    """At every strobe length and phase: at most so old when the strobe ends, and at least so old."""
    ages = [100 + w / 2 - at for w in range(160, 700) for found in seen((100, 100 + w / 2)) for at in found]
    assert len(ages) > 10_000
    assert max(ages) == in_cycles("sample_before_cycles")
    assert -in_cycles("sample_after_cycles") < min(ages) <= -in_cycles("sample_after_cycles") + 0.25


def test_two_writes_are_two_after_the_pause_of_the_figures() -> None:
    least = in_cycles("shortest_cycles")
    for pause in (in_cycles("pause_cycles"), 2 * in_cycles("pause_cycles")):
        second = 100 + least + pause
        assert all(len(found) == 2 for found in seen((100, 100 + least), (second, second + least)))
    shorter = 100 + least + in_cycles("pause_cycles") - 4
    assert not all(len(found) == 2 for found in seen((100, 100 + least), (shorter, shorter + least)))


def test_short_highs_within_a_strobe_are_passed_over() -> None:
    """Ringing at the strobe's edge of less than four cycles makes no second write, and the sample is of its end."""
    rng = random.Random(1)
    for _ in range(200):
        begin, long, phase = rng.uniform(200, 300), rng.uniform(1, 31.9), rng.uniform(0, CYCLE)
        found = FIRMWARE.run(strobes((100, begin), (begin + long, 420)), 600, CYCLE, phase)
        assert len(found) == 1 and 420 - in_cycles("sample_before_cycles") <= found[0] < 420


def test_a_program_that_is_not_as_expected_is_refused() -> None:
    with pytest.raises(ValueError, match="no see_writes"):
        Program("static int nothing;")
