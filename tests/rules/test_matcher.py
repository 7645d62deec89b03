"""Matching names exactly the rules that a plain loop over all of them would, and puts them in table order."""

from __future__ import annotations

import re
from typing import Any

import pytest
import re2
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.rules import Matcher, RuleTable, load_text
from benchd.rules import match as match_module
from benchd.rules.match import Hit
from benchd.rules.values import parse_codes, parse_port


def table(**parts: Any) -> RuleTable:
    """Return a table; a stage and a head are there unless given."""
    head = {"name": "t", "source": "x", **parts.pop("head", {})}
    base = {"table": head, "stage": [{"name": "last", "enter": [{"text": "never seen here"}], "final": True}]}
    return RuleTable.model_validate({**base, **parts})


PIECES = [
    "a",
    "b",
    "ab",
    "a+",
    "b*a",
    "(ab)+",
    "(a|b)",
    "[ab] ",
    "a{2}",
    "é",
    "(?i:AB)",
    r"\d+",
    " ?b",
    "^a",
    "b$",
]
PATTERNS = (
    st.lists(st.sampled_from(PIECES), min_size=1, max_size=4).map("".join).filter(lambda p: re2.search(p, "") is None)
)
LINES = st.text("abAB1 é\x1b\x00", max_size=24)


@settings(deadline=None, max_examples=150)
@given(st.lists(PATTERNS, max_size=12), st.lists(LINES, max_size=6))
def test_text_agrees_with_a_loop_over_two_engines(patterns: list[str], lines: list[str]) -> None:
    """Against one search after the other, with RE2 alone and with the standard library's engine."""
    matcher = Matcher(table(fault=[{"name": f"f{i}", "seen": {"text": p}} for i, p in enumerate(patterns)]))
    for line in lines:
        by_re2 = [Hit("fault", i, m.start()) for i, p in enumerate(patterns) if (m := re2.search(p, line))]
        by_re = [Hit("fault", i, m.start()) for i, p in enumerate(patterns) if (m := re.search(p, line, re.ASCII))]
        assert matcher.text(line) == by_re2 == by_re


@settings(deadline=None, max_examples=60)
@given(st.lists(PATTERNS, min_size=1, max_size=12), LINES)
def test_text_without_the_set_is_the_same(patterns: list[str], line: str) -> None:
    """Where the set is too big to compile, one by one gives the same answer."""
    rules = table(fault=[{"name": f"f{i}", "seen": {"text": p}} for i, p in enumerate(patterns)])
    fast, slow = Matcher(rules), Matcher(rules)
    slow._set = None
    assert fast.text(line) == slow.text(line)


def test_a_set_beyond_its_memory_falls_back(monkeypatch: pytest.MonkeyPatch) -> None:
    """With too little memory for the automaton nothing is missed silently."""
    monkeypatch.setattr(match_module, "SET_MEMORY", 1 << 12)
    rules = table(fault=[{"name": f"f{i}", "seen": {"text": f"fault number {i} [a-z]{{50}}"}} for i in range(200)])
    matcher = Matcher(rules)
    assert matcher._set is None
    assert matcher.text("fault number 77 " + "x" * 50) == [Hit("fault", 77, 0)]


def test_many_rules_and_long_lines() -> None:
    """2,000 rules, a line of 10,000 characters: every planted rule is found, nothing else."""
    rules = table(fault=[{"name": f"f{i}", "seen": {"text": rf"unit {i:04d}: \w+ error"}} for i in range(2000)])
    matcher = Matcher(rules)
    line = "x " * 2500 + "unit 1999: seek error unit 0003: read error" + " y" * 2500
    assert [h.index for h in matcher.text(line)] == [3, 1999]
    assert matcher.text("unit 2000: seek error") == []


def test_roles_come_in_table_order() -> None:
    """One line may start a boot, enter a stage, set a stall point, tell a fault and a check, in this order."""
    rules = load_text(
        """
        [table]
        name = "t"
        source = "x"
        [boot]
        starts = [{ text = "hello" }]
        ignore = [{ text = "junk" }]
        [[stage]]
        name = "a"
        enter = [{ text = "hell" }, { text = "lo there" }]
        final = true
        [[stall]]
        name = "s"
        after = { text = "there" }
        quiet = "5s"
        [[fault]]
        name = "f"
        seen = { text = "error" }
        [[check]]
        name = "c"
        pass = "video ok"
        fail = "video error"
        """,
        "t.toml",
    )
    assert Matcher(rules).text("hello there video error") == [
        Hit("start", 0, 0),
        Hit("stage", 0, 0),
        Hit("stage", 0, 3),
        Hit("stall", 0, 6),
        Hit("fault", 0, 18),
        Hit("fail", 0, 12),
    ]
    assert Matcher(rules).text("junk video ok") == [Hit("ignore", 0, 0), Hit("pass", 0, 5)]


def test_hostile_text() -> None:
    """Lone surrogates, NUL and escapes do not break matching, and positions stay those of the line."""
    matcher = Matcher(table(fault=[{"name": "f", "seen": {"text": "error"}}]))
    assert matcher.text("\ud800\x00\x1b[2Jerror") == [Hit("fault", 0, 6)]
    assert matcher.text("éé error") == [Hit("fault", 0, 3)]
    assert matcher.text("") == []
    assert Matcher(table(stage=[{"name": "a", "enter": [{"code": "01"}]}])).text("error") == []


CODE_TEXTS = st.sampled_from(["00", "01", "20-24", "22", "FF", "00-FF", "7A20", "7000-7FFF", "0020"])
RULES = st.lists(st.tuples(CODE_TEXTS, st.sampled_from([None, "80", "84", "300"])), max_size=8)


@settings(deadline=None, max_examples=300)
@given(
    RULES,
    st.sampled_from([[], ["80"], ["80", "84"]]),
    st.sampled_from([0x00, 0x01, 0x20, 0x22, 0x24, 0x25, 0xFF, 0x7A20, 0x7001, 0x6F22, 0x0020]),
    st.booleans(),
    st.sampled_from([None, 0x80, 0x84, 0x300]),
)
def test_codes_agree_with_the_rule_in_words(
    rules: list[tuple[str, str | None]], ports: list[str], value: int, wide: bool, port: int | None
) -> None:
    """Held against the sentence of the format page: a code fires a rule if width, value and port agree."""
    if value > 0xFF:
        wide = True
    faults = [{"name": f"f{i}", "seen": {"code": c, **({"port": p} if p else {})}} for i, (c, p) in enumerate(rules)]
    rule_table = table(head={"ports": ports}, fault=faults)
    expected = set()
    for i, (text, rule_port) in enumerate(rules):
        codes = parse_codes(text)
        low_byte_or_whole = value if codes.wide else value & 0xFF
        seen = (wide or not codes.wide) and codes.low <= low_byte_or_whole <= codes.high
        heard = port is None or not ports or port in [parse_port(p) for p in ports]
        mine = rule_port is None or port is None or port == parse_port(rule_port)
        possible = rule_port is None or not ports or rule_port in ports
        if seen and heard and mine and possible:
            expected.add(i)
    matcher = Matcher(rule_table)
    hits = matcher.code(value, port, wide)
    assert {h.index for h in hits} == expected and len(hits) == len(expected)
    assert matcher.known(value, port, wide) == bool(expected)


def test_what_is_known() -> None:
    """A code is known by a rule, by a loop, or by its explanation; on its port, and of its width."""
    matcher = Matcher(
        table(
            head={"ports": ["80", "84"]},
            loop=[{"name": "l", "codes": ["51", "52"]}],
            code=[{"code": "60-61"}, {"code": "70", "port": "84"}, {"code": "7220"}],
            boot={"ignore": [{"code": "F0"}]},
        )
    )
    assert matcher.known(0x51, 0x80) and matcher.known(0x60, None) and matcher.known(0xF0, 0x80)
    assert matcher.known(0x70, 0x84) and matcher.known(0x70, None) and not matcher.known(0x70, 0x80)
    assert matcher.known(0x7220, 0x80, wide=True) and not matcher.known(0x20, 0x80)
    assert matcher.known(0x4461, 0x80, wide=True)  # its low byte is
    assert not matcher.known(0x60, 0x300)
    assert not matcher.known(0x62, 0x80)
    assert matcher.code(0xF0, 0x80) == [Hit("ignore", 0)]
    assert matcher.listens(None) and matcher.listens(0x84) and not matcher.listens(0x300)


def test_wide_ranges_cost_no_memory() -> None:
    """2,000 rules over all 16-bit codes are held as 2,000 ranges, not as 131 million entries."""
    faults = [{"name": f"f{i}", "seen": {"code": "0000-FFFF"}} for i in range(2000)]
    matcher = Matcher(table(fault=faults))
    assert len(matcher.code(0x1234, None, wide=True)) == 2000
    assert len(matcher._codes._wide) == 2000
