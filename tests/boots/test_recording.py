"""Boots that are only recorded: parted by power, reset, long silence, and what came first coming again."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.pipelines import invariants
from support.story import Story

from benchd.errors import UsageError
from benchd.rules import load_text
from benchd.rules.files import read_table_text, shipped_tables
from benchd.vocabulary.events import BootOver, FindingRaised

RECORD = read_table_text(shipped_tables()["record"])
WAY = ((0.0, "0D"), (0.2, "17"), (4.0, "33"), (4.4, "> Some BIOS 1.0"), (9.0, "00"))


def at(t: float, *steps: tuple[float, str]) -> list[tuple[float, str]]:
    return [(t + dt, what) for dt, what in steps or WAY]


def reasons(story: Story) -> list[str]:
    return [boot.start_reason for boot in story.boots]


def test_four_power_ups_are_four_boots() -> None:
    """No table, no power line, no reset: the first code comes again after a pause."""
    story = Story(RECORD).tell(*at(0), *at(20), *at(41), *at(66), until=300)
    assert story.outcomes == ["recorded"] * 4
    assert reasons(story) == ["first sign of life", "code 0D again", "code 0D again", "code 0D again"]
    assert [boot.codes for boot in story.boots] == [4] * 4 and [boot.lines for boot in story.boots] == [1] * 4
    assert not story.of(FindingRaised) and len(story.of(BootOver)) == 4


def test_a_first_line_that_comes_again_parts_boots_too() -> None:
    """Console only; its counter differs, its first line does not."""
    way = ((0.0, "> Some BIOS 1.0"), (1.0, "> 640K"), (3.0, "> Ready"))
    story = Story(RECORD).tell(*at(0, *way), *at(12, *way), until=13)
    assert story.outcomes == ["recorded", "running"] and reasons(story)[1] == "the first line again"


def test_codes_that_come_again_without_a_pause_part_nothing() -> None:
    """The first code is written in a loop of the memory test as well."""
    steps = [(n * 0.1, code) for n in range(40) for code in (("0D", "20", "21")[n % 3],)]
    assert len(Story(RECORD).tell(*steps, until=10).boots) == 1


def test_long_silence_ends_a_boot_and_life_after_it_begins_one() -> None:
    """Two minutes, and no stall in them; what comes then is another boot, whatever it is."""
    story = Story(RECORD).tell(*at(0), until=128)
    assert story.outcomes == ["running"]
    story.tell(until=130)
    assert story.outcomes == ["recorded"]
    story.tell((140, "33"), until=141)
    assert story.outcomes == ["recorded", "running"] and not story.of(FindingRaised)


@pytest.mark.parametrize(("marks", "reason"), [(["RESET"], "reset"), (["OFF", "ON"], "power-on")])
def test_reset_and_power_part_boots(marks: list[str], reason: str) -> None:
    """Whatever follows them: here a way that begins with another code."""
    steps = [(11.0 + 4 * n, mark) for n, mark in enumerate(marks)]
    story = Story(RECORD).tell(*at(0), *steps, (17, "33"), (18, "00"), until=19)
    assert story.outcomes == ["recorded", "running"] and reasons(story)[1] == reason


def test_nothing_is_said_of_odd_codes() -> None:
    """A floating bus, unknown codes, silence after power-on: recorded, no more."""
    story = Story(RECORD).tell((0, "OFF"), (3, "ON"), (9, "12"), *((9.1 + n / 50, "FF") for n in range(9)), until=300)
    assert not story.of(FindingRaised) and set(story.outcomes) == {"recorded"}


@settings(deadline=None, max_examples=100)
@given(
    st.lists(
        st.tuples(st.sampled_from([0.1, 0.6, 3.0, 130.0]), st.sampled_from(["0D", "17", "> a", "RESET", "ON", "OFF"])),
        max_size=40,
    )
)
def test_recorded_boots_are_sane(steps: list[tuple[float, str]]) -> None:
    """Whatever comes: each boot is over once, none is judged."""
    t, told = 0.0, []
    for pause, what in steps:
        t += pause
        told.append((t, what))
    story = Story(RECORD).tell(*told, until=t + 300)
    invariants(story.events)
    assert not story.of(FindingRaised) and set(story.outcomes) <= {"recorded"}


def test_a_table_that_judges_has_stages_and_one_that_does_not_has_none() -> None:
    """Both mistakes are named with their key."""
    stage = '[[stage]]\nname = "a"\nenter = [{ code = "01" }]\n'
    with pytest.raises(UsageError, match=r"judges.*no starts, stages or stalls"):
        load_text(RECORD + stage, "f.toml")
    with pytest.raises(UsageError, match=r"there is no \[\[stage\]\]"):
        load_text(RECORD.replace("judges = false", ""), "f.toml")
