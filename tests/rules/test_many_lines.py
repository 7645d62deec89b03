"""Lines looked through together: no rule that a line fires is overlooked, and lines that cannot fire are told."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.pipelines import matcher

from benchd.rules.match import MANY_RULES, Matcher

PATTERNS = [
    "memory", "^[0-9]+ KB", "OK$", "^ready$", "(?i)press", "[^x]+x", r"\bdisk\b", r"\Bnet", r"a\s+b", "(?s)one.two",
    "(?s)b.*e", r"[\s\S]z", "é", r"\x00", "^.$", "(a|^)c$", r"x{2,3}", r"\W$", r"(?:^|;)go(?:;|$)",
]  # fmt: skip
ALONE = [r"\Astart", r"end\z", "(?-m)^x", "(?i-m:q$)", r"\Q^\E"]


def table(patterns: list[str]) -> Matcher:
    faults = "".join(f"[[fault]]\nname = \"f{n}\"\nseen = {{ text = '{one}' }}\n" for n, one in enumerate(patterns))
    return matcher(
        '[table]\nname = "many"\nsource = "invented for tests"\n[[stage]]\nname = "end"\nfinal = true\n'
        f'enter = [{{ code = "FF" }}]\n{faults}'
    )


ALL, WITH_ALONE = table(PATTERNS), table(PATTERNS + ALONE)
WORDS = "memory|640 KB|OK|ready|PRESS|x|disk|net| |a|b|one|two|z|é|\0|c|start|end|q|go|;|^|\ud800|."
pieces = st.sampled_from(WORDS.split("|"))
lines = st.lists(st.lists(pieces, max_size=4).map("".join), max_size=12)


@settings(deadline=None, max_examples=400)
@given(lines=lines, rules=st.sampled_from([ALL, WITH_ALONE]))
def test_no_line_that_fires_is_overlooked(lines: list[str], rules: Matcher) -> None:
    """The definition is each line by itself."""
    fires = {place for place, line in enumerate(lines) if rules.text(line)}
    assert fires <= rules.may_fire(lines)


@pytest.mark.parametrize("at", [0, 57, 99])
def test_lines_that_cannot_fire_are_told(at: int) -> None:
    """Among many the one that fires is found, and no other."""
    rules, many = table(["memory$", "^ready", "x.*y"]), [f"usb {n}: new device x" for n in range(100)]
    assert rules.may_fire(many) == set()
    many[at] = "no memory"
    assert rules.may_fire(many) == {at}


def test_many_rules_that_fire_leave_each_line_to_itself() -> None:
    rules = table([f"mark{n:02d}" for n in range(MANY_RULES + 5)])
    assert rules.may_fire([f"mark{n:02d}" for n in range(MANY_RULES + 1)] + ["none"]) == set(range(MANY_RULES + 2))
    assert rules.may_fire(["mark00", "none", "mark01"]) == {0, 2}
