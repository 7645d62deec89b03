"""Matching: which rules a code or a line fires. Cost grows slower than the number of rules.

Codes are looked up by place. Text goes through one RE2 set, whose automaton is built on the literals of all
patterns and runs in linear time; only the patterns it names are searched for a position.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence, Set
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

import re2  # type: ignore[import-untyped]

from benchd.rules.schema import Role, RuleTable
from benchd.rules.values import Codes
from benchd.vocabulary.quick import quick

T = TypeVar("T")
SET_MEMORY = 64 << 20
"""Bytes the automaton may take; the library's default is too small from some thousand patterns on."""


CODES_KEPT = 4096
"""Codes of which it is kept what they fire."""

IN_LINES = "(?m)"
"""Before a pattern: its ^ and $ go for each line of a text."""
ONE_TEXT = re.compile(r"\\[AzQC]|\(\?[A-Za-z]*-")
"""In a pattern: what may tell a line alone from the same line in a text (RE2 syntax), or may hide that."""
MANY_RULES = 32
"""Where more rules than this match among many lines, each line is looked at by itself."""


@quick
@dataclass(frozen=True, slots=True)
class Hit:
    """A rule that fired: its role, its index among the rules of that role, and for text where it matched."""

    role: Role
    index: int
    start: int = 0


class CodeIndex(Generic[T]):
    """Values by code and port. 8-bit codes by place in a list; 16-bit ranges, which are few, one by one."""

    def __init__(self) -> None:
        self._narrow: list[list[tuple[int | None, T]]] = [[] for _ in range(256)]
        self._wide: list[tuple[Codes, int | None, T]] = []

    def add(self, codes: Codes, port: int | None, item: T) -> None:
        if codes.wide:
            self._wide.append((codes, port, item))
            return
        for value in range(codes.low, codes.high + 1):
            self._narrow[value].append((port, item))

    def find(self, value: int, wide: bool) -> Iterator[tuple[int | None, T]]:
        """Yield (port, item) for a code: of a 16-bit code those for all of it, then those for its low byte."""
        if wide:
            yield from ((port, item) for codes, port, item in self._wide if value in codes)
        yield from self._narrow[value & 0xFF]


class Matcher:
    """Compiled matching for one table. Pure; may be shared by machines that use the same table."""

    def __init__(self, table: RuleTable) -> None:
        self.table = table
        self.ports = frozenset(table.table.ports)
        self._codes: CodeIndex[Hit] = CodeIndex()
        self._told: CodeIndex[None] = CodeIndex()
        self._code_told: dict[tuple[int, int | None, bool], tuple[bool, list[Hit]]] = {}
        self._patterns: list[tuple[Hit, str]] = []
        for role, index, _, when in table.watched_for():
            hit = Hit(role, index)
            if when.port is not None and not self.listens(when.port):
                continue
            if when.code is not None:
                self._codes.add(when.code, when.port, hit)
                self._told.add(when.code, when.port, None)
            else:
                assert when.text is not None
                self._patterns.append((hit, when.text))
        for entry in table.code:
            self._told.add(entry.code, entry.port, None)
        for loop in table.loop:
            for codes in loop.codes:
                self._told.add(codes, None, None)
        patterns = [pattern for _, pattern in self._patterns]
        self._line_by_line = any(ONE_TEXT.search(pattern) for pattern in patterns)
        if not self._line_by_line:
            patterns = [IN_LINES + pattern for pattern in patterns]
        self._set = _compiled_set(patterns)
        self._compiled: dict[str, Any] = {}
        """Single patterns, by their text, from when they are first searched for."""

    def _speaks(self, rule_port: int | None, port: int | None) -> bool:
        """Whether a rule for `rule_port` (None: any of the table's ports) goes for a code seen on `port`."""
        return self.listens(port) and (port is None or rule_port in (None, port))

    def listens(self, port: int | None) -> bool:
        """Whether codes on `port` are this family's POST codes."""
        return port is None or not self.ports or port in self.ports

    def code(self, value: int, port: int | None, wide: bool = False) -> list[Hit]:
        """Return the rules that a code fires. A 16-bit code also fires rules for its low byte.

        Only codes on the table's own ports count (all ports, if it names none), and codes whose port is not
        known. A rule with a port fires on that port and where the port is not known.
        """
        return [hit for rule_port, hit in self._codes.find(value, wide) if self._speaks(rule_port, port)]

    def known(self, value: int, port: int | None, wide: bool = False) -> bool:
        """Whether the table says anything at all of this code."""
        return any(self._speaks(rule_port, port) for rule_port, _ in self._told.find(value, wide))

    def code_told(self, value: int, port: int | None, wide: bool = False) -> tuple[bool, list[Hit]]:
        """Return both: whether a code is `known`, and the rules that it fires; codes come again and again."""
        key = (value, port, wide)
        told = self._code_told.get(key)
        if told is None:
            if len(self._code_told) >= CODES_KEPT:
                self._code_told.clear()
            told = self._code_told[key] = self.known(value, port, wide), self.code(value, port, wide)
        return told

    def text(self, line: str) -> list[Hit]:
        """Return the rules that a line fires, in table order, each with the index where it matched."""
        if not self._patterns:
            return []
        try:
            encoded = line.encode()
        except UnicodeEncodeError:  # lone surrogates; RE2 takes UTF-8 only
            line = "".join("\ufffd" if "\ud800" <= ch <= "\udfff" else ch for ch in line)
            encoded = line.encode()
        ids = range(len(self._patterns)) if self._set is None else self._set.Match(encoded)
        return self._search(encoded, sorted(ids)) if ids else []

    def may_fire(self, lines: Sequence[str]) -> Set[int]:
        """Return the places of those among many lines that may fire a rule; the others fire none.

        They are looked through as one text, at a fraction of what each costs. What a rule matches in a line it matches
        there as well; where it matches across lines, all of these may fire.
        """
        everything = range(len(lines))
        if not self._patterns:
            return frozenset()
        if self._set is None or self._line_by_line:
            return frozenset(everything)
        try:
            text = "\n".join(lines).encode()
        except UnicodeEncodeError:
            return frozenset(everything)
        ids = self._set.Match(text) or ()
        if len(ids) > MANY_RULES:
            return frozenset(everything)
        found: set[int] = set()
        for i in ids:
            for match in self._pattern(IN_LINES + self._patterns[i][1]).finditer(text):
                start, end = match.span()
                first = text.count(b"\n", 0, start)
                found.update(range(first, first + text.count(b"\n", start, end) + 1))
        return found

    def _search(self, line: bytes, ids: Sequence[int]) -> list[Hit]:
        out = []
        for i in ids:
            hit, pattern = self._patterns[i]
            found = self._pattern(pattern).search(line)
            if found is not None:
                start = found.start()
                out.append(Hit(hit.role, hit.index, start if line.isascii() else len(line[:start].decode())))
        return out

    def _pattern(self, text: str) -> Any:
        """Return a compiled pattern for encoded text: that is searched at a third of what a `str` takes."""
        if text not in self._compiled:
            options = re2.Options()
            options.log_errors = False
            self._compiled[text] = re2.compile(text.encode(), options)
        return self._compiled[text]


def _compiled_set(patterns: list[str]) -> Any | None:
    """Return the set of `patterns` (ids are their places), or None where it cannot be built in SET_MEMORY."""
    options = re2.Options()
    options.max_mem = SET_MEMORY
    options.log_errors = False
    whole = re2.Set.SearchSet(options)
    for pattern in patterns:
        whole.Add(pattern)
    try:
        if patterns:
            whole.Compile()
    except re2.error:
        return None  # each pattern alone is small enough: they are searched for one by one
    return whole
