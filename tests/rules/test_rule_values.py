"""Codes, ports, durations and patterns are read as people write them, and mistakes are refused with advice."""

from __future__ import annotations

import re
import warnings

import pytest
import re2
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from benchd.rules.values import MAX_PATTERN, Codes, compile_pattern, literal_of, parse_codes, parse_port
from benchd.vocabulary.times import parse_duration


@pytest.mark.parametrize(
    ("text", "codes"),
    [
        ("01", Codes(0x01, 0x01)),
        ("fFh", Codes(0xFF, 0xFF)),
        ("20-24", Codes(0x20, 0x24)),
        (" 20h - 24h ", Codes(0x20, 0x24)),
        ("7A20", Codes(0x7A20, 0x7A20, True)),
        ("7000-7FFF", Codes(0x7000, 0x7FFF, True)),
    ],
)
def test_codes(text: str, codes: Codes) -> None:
    """Two hex digits are an 8-bit code, four a 16-bit one, with a hyphen a range."""
    assert parse_codes(text) == codes


@pytest.mark.parametrize(
    ("text", "why"),
    [("1", "two hex digits"), ("123", "two hex digits"), ("G0", "hex"), ("", "hex"), ("0x20", "hex"),
     ("20-7A20", "mixes"), ("24-20", "backwards"), ("20-", "range"), ("-20", "range"), ("20\n", "")],
)  # fmt: skip
def test_bad_codes(text: str, why: str) -> None:
    if text == "20\n":
        assert parse_codes(text) == Codes(0x20, 0x20)  # blanks around are fine
        return
    with pytest.raises(ValueError, match=why):
        parse_codes(text)


@given(st.integers(0, 0xFFFF), st.integers(0, 0xFFFF), st.booleans())
def test_codes_read_back(a: int, b: int, wide: bool) -> None:
    """What a range prints, it reads, and it holds exactly its values."""
    low, high = sorted((a, b) if wide else (a & 0xFF, b & 0xFF))
    codes = Codes(low, high, wide)
    assert parse_codes(str(codes)) == codes
    assert low in codes and high in codes and low - 1 not in codes and high + 1 not in codes


@pytest.mark.parametrize(
    ("value", "port"),
    [("80", 0x80), ("0x80", 0x80), ("80h", 0x80), ("0080", 0x80), ("300", 0x300), ("680H", 0x680), (80, 0x80),
     (300, 0x300), ("ffff", 0xFFFF)],
)  # fmt: skip
def test_ports(value: str | int, port: int) -> None:
    """Ports are hexadecimal however they are written."""
    assert parse_port(value) == port


@pytest.mark.parametrize("value", [0x80, 0x300, 0x84, "10000", "-1", "", "8O", 1.5, True])
def test_ports_that_could_be_misread(value: object) -> None:
    """TOML reads 0x80 as 128; that is refused, never taken for port 128h."""
    with pytest.raises(ValueError, match="in hex and in quotes"):
        parse_port(value)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("value", "seconds"),
    [("90s", 90), ("250ms", 0.25), ("2min", 120), ("1.5 s", 1.5), (3, 3), (0.5, 0.5), ("24h", 86400)],
)
def test_durations(value: str | float, seconds: float) -> None:
    assert parse_duration(value) == pytest.approx(seconds)


@pytest.mark.parametrize("value", ["soon", "-1s", "0s", 0, "25h", "5 m", "1e3", "nan", "", True, "1min 2s"])
def test_bad_durations(value: object) -> None:
    with pytest.raises(ValueError, match=r"duration|at most 24 h"):
        parse_duration(value)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("pattern", "why"),
    [
        ("(", "bounded time"),
        (r"(a)\1", "no backreferences"),
        ("(?=a)b", "no look-around"),
        ("x*", "empty line"),
        ("", "empty line"),
        ("a|", "empty line"),
        ("a" * (MAX_PATTERN + 1), f"{MAX_PATTERN + 1} characters; the limit is {MAX_PATTERN}"),
        ("((((a{100}){100}){100}){100}){100}", "bounded time"),
    ],
)
def test_bad_patterns(pattern: str, why: str) -> None:
    """Patterns that cannot run in linear time, always fire, or are too big are refused with the reason."""
    with pytest.raises(ValueError, match=why):
        compile_pattern(pattern)


def test_a_pattern_that_stalls_backtrackers_is_harmless() -> None:
    """`(a+)+$` on 40 a's and a b takes a backtracking engine years (common practice)."""
    assert compile_pattern("(a+)+$").search("a" * 4000 + "b") is None  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("pattern", "literal"),
    [
        ("Testing memory", "Testing memory"),
        (r"^Testing\s+memory$", "Testing"),
        ("(storage )rom ready", "storage rom ready"),
        ("(?P<n>ab)+cde", "cde"),
        ("(abc){2}d", "abc"),
        ("a|b", ""),
        ("(foo|bar) end", " end"),
        ("x?longer", "longer"),
        ("[0-9]+ ?KB? OK", " OK"),
        ("[[:digit:]]+ KB", " KB"),
        (r"\pN+ ok \d", " ok "),
        (r"\\p", "\\p"),
        (r"\.\.\.", "..."),
        ("(?i)non-system", "non-system"),
        ("(?i:abc)de", "de"),
        (r"end\z", "end"),
        (r"\Qa.b\E", ""),
        (".*", ""),
    ],
)
def test_literals(pattern: str, literal: str) -> None:
    """The longest text that every match holds, by hand."""
    assert literal_of(pattern) == literal


PIECES = st.sampled_from(
    ["a", "b", "ab", "ba", "a+", "b*", "(ab)+", "(a|b)", "(?:ab|abb)", "[ab]", "(a)", "a{2}", "(?:ab){0,2}",
     "a?", "b+?", "(?P<n>ba)", "(?i:a)", r"\d", " "]
)  # fmt: skip
PATTERNS = st.lists(PIECES, min_size=1, max_size=6).map("".join).filter(lambda p: p.count("?P<n>") < 2)


@settings(deadline=None, max_examples=300)
@given(st.data(), PATTERNS, st.booleans())
def test_every_match_holds_the_literal(data: st.DataObject, pattern: str, any_case: bool) -> None:
    """Held against two engines that are not ours: texts made from the pattern match, and hold the literal."""
    pattern = ("(?i)" if any_case else "") + pattern
    literal = literal_of(pattern)
    text = data.draw(st.text("abAB1 ", max_size=4) | st.just("")) + data.draw(st.from_regex(pattern))
    for found in (re.search(pattern, text), re2.search(pattern, text)):
        if found is not None:
            held = found.group()
            assert literal in held or (any_case and literal.casefold() in held.casefold())


@settings(deadline=None, max_examples=300)
@given(st.text("ab[:]digit\\pLQE(){}|*+?^$.-", max_size=14), st.text("abdigit:[]", max_size=10))
def test_literal_of_any_pattern_that_re2_takes(pattern: str, text: str) -> None:
    """Where two libraries read a pattern differently, RE2's matches hold the literal; nothing is printed."""
    try:
        compiled = compile_pattern(pattern)
    except ValueError:
        assume(False)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        literal = literal_of(pattern)
    found = compiled.search(text)  # type: ignore[attr-defined]
    if found is not None:
        assert literal in found.group()
