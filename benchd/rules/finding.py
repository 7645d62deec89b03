"""From what a person can read on a BIOS chip and its board to the tables that may fit."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from benchd.rules.schema import RuleTable

NAME, MAKER, MACHINE, YEAR, MENTION = 8, 4, 2, 1, 1
"""What a word is worth that names the table itself,
the maker, the processor class, a year in the table's span, or stands in its text."""
EMPTY = frozenset(
    {"a", "an", "and", "at", "bios", "board", "chip", "class", "computer", "copyright", "for", "from", "in"}
    | {"motherboard", "of", "on", "pc", "rom", "the"}
)
"""Words that say nothing of which table is meant."""


@dataclass(frozen=True, slots=True)
class Found:
    """A table, how well it fits (more is better), and the words of the question that speak for it."""

    table: RuleTable
    score: int
    words: tuple[str, ...]


def find(tables: Iterable[RuleTable], text: str) -> tuple[list[Found], list[str]]:
    """Return (the tables that `text` may mean, best first; the words of it that no table knows).

    Where a maker is named, only that maker's tables are returned.
    """
    words = [word for word in re.findall(r"[0-9a-z&]+", text.casefold()) if word not in EMPTY]
    words = words or text.casefold().split()
    weighed = [(table, _weigh(table, words, text)) for table in tables]
    named = any(MAKER in worth.values() for _, worth in weighed)
    found = [
        Found(table, sum(worth.values()), tuple(worth))
        for table, worth in weighed
        if (MAKER in worth.values() if named else worth)
    ]
    known = {word for _, worth in weighed for word in worth}
    found.sort(key=lambda one: (-one.score, one.table.name))
    return found, [word for word in dict.fromkeys(words) if word not in known]


def _weigh(table: RuleTable, words: Sequence[str], text: str) -> dict[str, int]:
    """Return what each word that speaks for the table is worth."""
    head = table.table
    whole = _plain(text)
    spoken = set(re.findall(r"[0-9a-z]+", f"{head.name} {head.about} {head.source}".casefold()))
    out: dict[str, int] = {}
    named = _plain(head.name) == whole or head.name.casefold() in text.casefold().split()
    for word in words:
        if named and word in _plain(head.name):
            out[word] = NAME
        elif any(_names(maker, word, whole) for maker in head.makers):
            out[word] = MAKER
        elif any(_same_class(machine.casefold(), word) for machine in head.machines):
            out[word] = MACHINE
        elif len(head.years) == 2 and word.isdigit() and head.years[0] <= int(word) <= head.years[1]:
            out[word] = YEAR
        elif len(word) > 2 and not word.isdigit() and word in spoken:
            out[word] = MENTION
    return out


def _names(maker: str, word: str, whole: str) -> bool:
    """True if `word` is of the maker's name: a long word of it, or all of the name stands in the question."""
    parts = re.findall(r"[0-9a-z]+", maker.casefold())
    if word in parts and len(word) >= 5:
        return True
    name = _plain(maker)
    return word == maker.casefold() or (len(name) > 2 and word.startswith(name)) or (name in whole and word in parts)


def _same_class(machine: str, word: str) -> bool:
    return word.startswith(machine) or (len(word) >= 3 and machine.startswith(word))


def _plain(text: str) -> str:
    return re.sub(r"[^0-9a-z]", "", text.casefold())
