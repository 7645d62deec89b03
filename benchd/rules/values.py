"""Small values that rule tables are written in: code ranges, ports, durations, patterns."""

from __future__ import annotations

import re
import warnings
from dataclasses import dataclass
from typing import Any

import re2  # type: ignore[import-untyped]

MAX_PATTERN = 400
"""Characters in one pattern. Longer ones are mistakes, or attacks on whoever loads a shared table."""

HEX = r"([0-9A-Fa-f]{2}|[0-9A-Fa-f]{4})[hH]?"
CODE = re.compile(rf"^\s*{HEX}(?:\s*-\s*{HEX})?\s*$")
PORT = re.compile(r"^\s*(?:0[xX])?([0-9A-Fa-f]{1,4})[hH]?\s*$")
BARE_PORTS = frozenset({10, 60, 80, 84, 90, 190, 300, 680, 681})
"""Numbers without quotes that can only be meant as hex digits of a known diagnostic port. Any other number is
refused: TOML reads 0x80 as 128, and nobody could tell that from port 128h."""


@dataclass(frozen=True, slots=True)
class Codes:
    """A code or a range of codes, inclusive. `wide` ones are four hex digits and match 16-bit codes only."""

    low: int
    high: int
    wide: bool = False

    def __contains__(self, value: int) -> bool:
        return self.low <= value <= self.high

    def __str__(self) -> str:
        digits = 4 if self.wide else 2
        first = f"{self.low:0{digits}X}"
        return first if self.low == self.high else f"{first}-{self.high:0{digits}X}"


def parse_codes(text: str) -> Codes:
    """Parse `"01"`, `"20-24"` or `"7A20"`. Raises ValueError."""
    found = CODE.match(text)
    if not found:
        raise ValueError(f"{text!r} is not a code: write two hex digits like 4E, or a range like 20-24")
    low, high = found[1], found[2] or found[1]
    if len(low) != len(high):
        raise ValueError(f"{text!r} mixes 8-bit and 16-bit codes in one range")
    if int(high, 16) < int(low, 16):
        raise ValueError(f"{text!r} runs backwards: put the lower code first")
    return Codes(int(low, 16), int(high, 16), len(low) == 4)


def parse_port(value: str | int) -> int:
    """Parse an I/O port in hex, with or without 0x or h: `"80"`, `"0x300"`, `"680h"`. Raises ValueError."""
    found = PORT.match(value if isinstance(value, str) else str(value) if value in BARE_PORTS else "")
    if not found:
        raise ValueError(f'{value!r} is not an I/O port: write it in hex and in quotes, like "80" or "300"')
    return int(found[1], 16)


def compile_pattern(text: str) -> object:
    """Compile a regular expression in RE2 syntax, which runs in linear time. Raises ValueError."""
    if len(text) > MAX_PATTERN:
        raise ValueError(f"pattern of {len(text)} characters; the limit is {MAX_PATTERN}")
    options = re2.Options()
    options.log_errors = False
    try:
        pattern = re2.compile(text, options)
    except re2.error as error:
        reason = error.args[0]
        reason = reason.decode() if isinstance(reason, bytes) else reason
        raise ValueError(
            f"not a regular expression that runs in bounded time: {reason} (no backreferences, no look-around)"
        ) from None
    if pattern.search("") is not None:
        raise ValueError("the pattern matches an empty line, so it would always fire")
    return pattern


RE2_ONLY = re.compile(r"\\(?:[pP](?:\{\^?\w+\}|\w)|.)|\[:\^?\w+:\]", re.DOTALL)


def _as_stdlib(pattern: str) -> str:
    """Return `pattern` with RE2's own character classes as some class that the standard library knows."""

    def plain(found: re.Match[str]) -> str:
        if found[0][0] == "[":
            return r"\w"
        return {"p": r"\w", "P": r"\w", "z": r"\Z"}.get(found[0][1], found[0])

    return RE2_ONLY.sub(plain, pattern)


def literal_of(pattern: str) -> str:
    """Return the longest text that every match must contain, or "" if there is none that can be told.

    Where the pattern says `(?i)`, the text is contained whatever its case.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")  # "possible nested set": the two libraries would read it differently
            tree = re._parser.parse(_as_stdlib(pattern))  # type: ignore[attr-defined]
    except (re.error, Warning, RecursionError, OverflowError):  # syntax that only RE2 knows
        return ""
    best, run = "", ""
    todo: list[tuple[str, Any]] = [(str(op), argument) for op, argument in reversed(list(tree))]

    def expand(inner: Any) -> None:
        todo.extend((str(op), argument) for op, argument in reversed(list(inner)))

    while todo:
        name, argument = todo.pop()
        if name == "LITERAL":
            run += chr(argument)
            continue
        if name == "AT":
            continue
        if name == "SUBPATTERN" and not argument[1] and not argument[2]:
            expand(argument[3])
            continue
        best, run = max(best, run, key=len), ""
        if name in ("MAX_REPEAT", "MIN_REPEAT") and argument[0] >= 1:
            todo.append(("END", None))
            expand(argument[2])
    return max(best, run, key=len)
