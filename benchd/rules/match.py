"""Matching: which rules a code or a line fires. Cost grows slower than the number of rules.

Codes go through a dictionary. Text goes through one RE2 set, whose automaton is built on the literals of all
patterns and runs in linear time; only the patterns it names are searched for a position.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import re2

from benchd.rules.schema import RuleTable, When
from benchd.rules.values import compile_pattern

Role = Literal["start", "ignore", "stage", "stall", "fault", "pass", "fail"]
SET_MEMORY = 64 << 20
"""Bytes the automaton may take; the library's default is too small from some thousand patterns on."""


@dataclass(frozen=True, slots=True)
class Hit:
    """A rule that fired: its role, its index among the rules of that role, and for text where it matched."""

    role: Role
    index: int
    start: int = 0


def _entries(table: RuleTable) -> Iterator[tuple[Role, int, When]]:
    for i, when in enumerate(table.boot.starts):
        yield "start", i, when
    for i, when in enumerate(table.boot.ignore):
        yield "ignore", i, when
    for i, stage in enumerate(table.stage):
        for when in stage.enter:
            yield "stage", i, when
    for i, stall in enumerate(table.stall):
        if stall.after is not None:
            yield "stall", i, stall.after
    for i, fault in enumerate(table.fault):
        yield "fault", i, fault.seen
    for i, check in enumerate(table.check):
        yield "pass", i, When(text=check.passed)
        yield "fail", i, When(text=check.failed)


class Matcher:
    """Compiled matching for one table. Pure; may be shared by machines that use the same table."""

    def __init__(self, table: RuleTable) -> None:
        self.table = table
        self._codes: dict[int, list[tuple[Hit, int | None, bool]]] = {}
        self._patterns: list[tuple[Hit, object]] = []
        self._known: set[tuple[int, int | None]] = set()
        self.ports = frozenset(table.table.ports)
        options = re2.Options()
        options.max_mem = SET_MEMORY
        options.log_errors = False
        self._set = re2.Set.SearchSet(options)
        for role, index, when in _entries(table):
            hit = Hit(role, index)
            if when.code is not None:
                for value in range(when.code.low, when.code.high + 1):
                    self._codes.setdefault(value, []).append((hit, when.port, when.code.wide))
            else:
                assert when.text is not None
                self._set.Add(when.text)
                self._patterns.append((hit, compile_pattern(when.text)))
        for loop in table.loop:
            for codes in loop.codes:
                self._known.update((v, None) for v in range(codes.low, codes.high + 1))
        for name in table.code:
            self._known.update((v, name.port) for v in range(name.code.low, name.code.high + 1))
        if self._patterns:
            self._set.Compile()

    def code(self, value: int, port: int | None, wide: bool = False) -> list[Hit]:
        """Return the rules that a code fires. A 16-bit code also fires rules for its low byte.

        A rule without a port fires on the table's own ports (all, if it names none) and where the port is
        not known; a rule with a port fires there and where the port is not known.
        """
        out = []
        values = ((value, True), (value & 0xFF, False)) if wide else ((value, False),)
        for candidate, is_wide in values:
            for hit, rule_port, rule_wide in self._codes.get(candidate, ()):
                if rule_wide != is_wide:
                    continue
                if rule_port is not None:
                    if port is None or port == rule_port:
                        out.append(hit)
                elif self.listens(port):
                    out.append(hit)
        return out

    def listens(self, port: int | None) -> bool:
        """Whether codes on `port` are this family's POST codes."""
        return port is None or not self.ports or port in self.ports

    def known(self, value: int, port: int | None, wide: bool = False) -> bool:
        """Whether the table says anything at all of this code."""
        low = value & 0xFF if wide else value
        return (
            bool(self.code(value, port, wide))
            or (low, None) in self._known
            or (low, port) in self._known
            or (value, None) in self._known
        )

    def text(self, line: str) -> list[Hit]:
        """Return the rules that a line fires, in table order, each with the index where it matched."""
        if not self._patterns:
            return []
        ids = self._set.Match(line)
        if not ids:
            return []
        out = []
        for i in sorted(ids):
            hit, pattern = self._patterns[i]
            found = pattern.search(line)  # type: ignore[attr-defined]
            if found is not None:
                out.append(Hit(hit.role, hit.index, found.start()))
        return out
