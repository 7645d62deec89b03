"""firmware-notes/contract.md and the code say the same, both ways: nothing unwritten, nothing written that is not."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest
from live.contract_facts import PAGE, SECTIONS, Facts, page_rows

ROWS = page_rows(PAGE.read_text(encoding="utf-8"))


def test_the_page_has_these_sections_and_no_other() -> None:
    """A new kind of name gets a check here together with its section."""
    assert list(ROWS) == list(SECTIONS)


@pytest.mark.parametrize("section", SECTIONS)
def test_page_and_code_name_the_same(section: str) -> None:
    """Each side's names are the other's; every row says what its name means."""
    told = ROWS[section]
    real = SECTIONS[section]()
    missing, stale = sorted(real.keys() - told.keys()), sorted(told.keys() - real.keys())
    assert not missing, f"firmware-notes/contract.md lacks under {section}: {missing}"
    assert not stale, f"firmware-notes/contract.md has under {section} what the code has not: {stale}"
    for name, cells in told.items():
        assert cells[-1] not in ("", "?"), f"{section}: {name} has no meaning"


@pytest.mark.parametrize("section", ["Metrics", "MQTT topics", "Settings"])
def test_types_payloads_and_defaults(section: str) -> None:
    """The second column is what the code says: a metric's type, a topic's payload form, a key's default."""
    real = SECTIONS[section]()
    assert {name: cells[0] for name, cells in ROWS[section].items()} == real


def test_payloads_are_published() -> None:
    """Whatever a topic carries has a schema."""
    assert set(SECTIONS["MQTT topics"]().values()) <= SECTIONS["Published forms"]().keys()


def test_options_and_exit_codes() -> None:
    """Each command's arguments, options and exit codes are those of its help; 0 and 2 are always among them."""
    for name, fact in SECTIONS["Commands"]().items():
        words, _, codes = fact.partition(" exit ")
        told_words, told_codes, _ = ROWS["Commands"][name]
        assert sorted(told_words.split()) == words.split(), name
        assert sorted(set(re.findall(r"\b[012]\b", told_codes))) == codes.split(), name
        assert "0" in codes.split() and ("2" in codes.split() or name == "benchd ports"), f"{name} tells no exit codes"


def test_what_the_page_lacks_or_has_too_much_is_found() -> None:
    """The comparison itself: a row taken away, a row invented, a row twice."""
    text = PAGE.read_text(encoding="utf-8")
    real: Callable[[], Facts] = SECTIONS["Metrics"]
    gone = page_rows(re.sub(r"\| `benchd_stalled\{machine\}`.*\n", "", text))["Metrics"]
    assert real().keys() - gone.keys() == {"benchd_stalled{machine}"}
    more = page_rows(text.replace("| `benchd_stalled{", "| `benchd_more` | x | y |\n| `benchd_stalled{"))["Metrics"]
    assert more.keys() - real().keys() == {"benchd_more"}
    with pytest.raises(AssertionError, match="stands twice"):
        page_rows("## Metrics\n| `a` | b |\n| `a` | c |\n")
