"""Small values that rule tables are written in: code ranges, ports, durations, patterns."""

from __future__ import annotations

import re
from dataclasses import dataclass

import re2

MAX_PATTERN = 400
"""Characters in one pattern. Longer ones are mistakes, or attacks on whoever loads a shared table."""

DURATION = re.compile(r"^\s*(\d+(?:\.\d+)?)\s*(ms|s|min|h)?\s*$")
UNIT_S = {"ms": 0.001, "s": 1.0, None: 1.0, "min": 60.0, "h": 3600.0}
CODE = re.compile(r"^\s*([0-9A-Fa-f]{2}|[0-9A-Fa-f]{4})[hH]?(?:\s*-\s*([0-9A-Fa-f]{2}|[0-9A-Fa-f]{4})[hH]?)?\s*$")
PORT = re.compile(r"^\s*(?:0[xX])?([0-9A-Fa-f]{1,4})[hH]?\s*$")


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
    """Parse an I/O port, hexadecimal with or without 0x or h: `"80"`, `"0x300"`, `"680h"`. Raises ValueError."""
    found = PORT.match(str(value))
    if not found:
        raise ValueError(f"{value!r} is not an I/O port: write it in hex, like 80 or 300")
    return int(found[1], 16)


def parse_duration(value: str | int | float) -> float:
    """Parse `"90s"`, `"250ms"`, `"2min"`, `"1h"` or a number of seconds; more than 0, at most a day."""
    found = DURATION.match(str(value))
    if not found:
        raise ValueError(f"{value!r} is not a duration: write it like 90s, 250ms or 2min")
    seconds = float(found[1]) * UNIT_S[found[2]]
    if not 0 < seconds <= 86_400:
        raise ValueError(f"{value!r} is not between 0 and 24 hours")
    return seconds


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


def literal_of(pattern: str) -> str:
    """Return the longest text that every match must contain, or "" if there is none that can be told."""
    try:
        tree = re._parser.parse(pattern)  # type: ignore[attr-defined]
    except Exception:  # RE2 syntax that the standard library does not know
        return ""
    best, run = "", ""
    stack = list(reversed(list(tree)))
    while stack:
        operation, argument = stack.pop()
        name = str(operation)
        if name == "LITERAL":
            run += chr(argument)
        elif name == "AT":
            continue
        elif name == "SUBPATTERN" and not argument[1] and not argument[2]:
            stack.extend(reversed(list(argument[3])))
            continue
        elif name in ("MAX_REPEAT", "MIN_REPEAT") and argument[0] >= 1:
            best, run = max(best, run, key=len), ""
            stack.append(("END", None))
            stack.extend(reversed(list(argument[2])))
            continue
        else:
            best, run = max(best, run, key=len), ""
    return max(best, run, key=len)
