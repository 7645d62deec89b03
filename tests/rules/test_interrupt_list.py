"""Every entry of the AT-class tables against the facts of the public interrupt list, both ways.

The facts are key words in data/interrupt-list.toml, which names its source and what is from memory.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from support.story import Story, findings

from benchd.rules import Matcher, RuleTable
from benchd.rules.files import load_table, read_table_text, shipped_tables
from benchd.rules.schema import When

FACTS: dict[str, Any] = tomllib.loads((Path(__file__).parent / "data" / "interrupt-list.toml").read_text())
ENTRIES = [(name, code) for name, facts in FACTS.items() for code in facts["says"]]


def spread(text: str) -> range:
    first, _, last = text.partition("-")
    return range(int(first, 16), int(last or first, 16) + 1)


def spread_all(texts: Any) -> set[int]:
    return {code for text in texts for code in spread(text)}


@cache
def table(name: str) -> RuleTable:
    return load_table(FACTS[name]["table"], Path())


def from_memory(name: str) -> set[int]:
    """Codes whose meaning the list is not known to give: not in it, or of a table that was not read whole."""
    facts = FACTS[name]
    return set(range(256)) - spread_all(facts.get("read", [*facts["says"], *facts["reserved"]]))


def byte_codes(when: When) -> set[int]:
    if when.code is None or when.code.wide:
        return set()
    return set(range(when.code.low, when.code.high + 1))


def sourced(rules: RuleTable) -> Iterator[tuple[str, set[int], str]]:
    """Every entry that names codes: what it is, its codes, its own source."""
    for stage in rules.stage:
        yield f"stage {stage.name}", set().union(*map(byte_codes, stage.enter)), stage.source
    for entry in rules.code:
        if not entry.code.wide:
            yield f"code {entry.code}", set(range(entry.code.low, entry.code.high + 1)), entry.source
    for fault in rules.fault:
        yield f"fault {fault.name}", byte_codes(fault.seen), fault.source
    for stall in rules.stall:
        if stall.after is not None:
            yield f"stall {stall.name}", byte_codes(stall.after), stall.source


def test_the_facts_are_whole() -> None:
    """So many codes has each table of the list, ranges spread, counted in the list's text by hand."""
    sizes = {name: len(spread_all([*facts["says"], *facts["reserved"]])) for name, facts in FACTS.items()}
    assert sizes == {"P0410": 45, "P0411": 110, "P0412": 100, "P0413": 96, "P1017": 48}


@pytest.mark.parametrize(("name", "code"), ENTRIES)
def test_the_table_says_what_the_list_says(name: str, code: str) -> None:
    words = FACTS[name]["says"][code].split("|")
    for value in spread(code):
        told = table(name).meaning(value)
        assert all(word.casefold() in told.casefold() for word in words), (f"{value:02X}", told, words)
        assert Matcher(table(name)).known(value, 0x80)


@pytest.mark.parametrize("name", FACTS)
def test_the_list_has_what_the_table_has(name: str) -> None:
    """Every byte code of the table stands in the list, or under `beyond` with a reason; nothing is made up."""
    facts, rules = FACTS[name], table(name)
    listed, beyond = spread_all([*facts["says"], *facts["reserved"]]), spread_all(facts.get("beyond", {}))
    for what, codes, _ in sourced(rules):
        assert codes <= listed | beyond, (what, sorted(f"{code:02X}" for code in codes - listed - beyond))
    named = set().union(*(codes for what, codes, _ in sourced(rules) if what.startswith("code")))
    assert not named & spread_all(facts["reserved"]) and not listed & beyond - spread_all(facts["reserved"])


@pytest.mark.parametrize("name", FACTS)
def test_memory_is_said_where_it_is_and_nowhere_else(name: str) -> None:
    unread = from_memory(name)
    for what, codes, source in sourced(table(name)):
        if what.startswith("stall") and name != "P1017":
            continue  # what a stop there means is common practice
        if "comes here is from memory" in source:
            continue  # its meaning is the list's, its place in the order is not
        assert bool(codes & unread) == ("memory" in source), (what, source, sorted(codes & unread))


@pytest.mark.parametrize("code", range(0x01, 0x1B))
def test_every_failure_of_p0413_raises_a_fault(code: int) -> None:
    """01 to 1A are failures by the list, but 0A, which it calls reserved."""
    faults = [hit for hit in Matcher(table("P0413")).code(code, 0x80) if hit.role == "fault"]
    assert len(faults) == (code != 0x0A)


@pytest.mark.parametrize("code", [*range(0x63, 0x6E), 0x6F, 0x70])
def test_p0413_has_a_stall_point_at_every_test(code: int) -> None:
    assert [hit for hit in Matcher(table("P0413")).code(code, 0x80) if hit.role == "stall"]


@pytest.mark.parametrize(("name", "code"), [("P1017", 0x21), ("P0412", 0xC1), ("P0412", 0x4E)])
def test_stall_points_that_were_missing(name: str, code: int) -> None:
    assert [hit for hit in Matcher(table(name)).code(code, 0x80) if hit.role == "stall"]


def test_00_after_the_hand_over_is_no_restart() -> None:
    """Linux writes 00h to port 80h 14 to 17 times as an I/O delay; in list P1017 it is the cold start."""
    text = read_table_text(shipped_tables()["at-p1017"])
    ladder = ["00", "01", "03", "08", "0A", "10", "14", "18", "1F", "29", "2F"]
    story = Story(text).tell(*((float(i), code) for i, code in enumerate(ladder)), until=15)
    story.tell(*((20 + i * 0.2, "00") for i in range(15)), until=40)
    assert story.outcomes == ["finished"] and findings(story.boots[0]) == []
    story.tell((50.0, "00"), (50.1, "01"), (51.0, "03"), until=55)
    assert len(story.boots) == 2  # a reset is seen by 01, which follows at once


def test_makers_names_are_only_those_of_the_list() -> None:
    """The titles of the list's tables, and its glossary for AMI; no table of another firmware names a maker."""
    told = {name: load_table(name, Path()).table.makers for name in shipped_tables()}
    wanted = {
        "at-p0410": ["AMI", "American Megatrends"],
        "at-p0411": ["Award"],
        "at-p0412": ["Award"],
        "at-p0413": ["Chips & Technologies", "C&T"],
        "at-p1017": ["Microid Research", "MR BIOS"],
    }
    assert {name: makers for name, makers in told.items() if makers} == wanted
    for name, makers in wanted.items():
        assert re.search(r"table P\d{4}", load_table(name, Path()).table.source) and makers
