"""Small values that rule tables are written in: code ranges, ports, durations, patterns."""

from __future__ import annotations

import re
from dataclasses import dataclass

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


BREAK = "\0"
ESCAPE = re.compile(r"\\(?:[pP]\{[^}]*\}|[pP].|x\{[^}]*\}|x[0-9A-Fa-f]{2}|[0-7]{1,3}|(.))", re.DOTALL)
CLASS = re.compile(r"\[\^?\]?(?:\[:\^?\w+:\]|[^\]])*\]")
REPEAT = r"(?:[*+?]|\{\d+(?:,\d*)?\})"
ATOM = re.compile(rf"\){REPEAT}*|([^()|])({REPEAT}+)", re.DOTALL)
GROUP = re.compile(rf"\((?:\?:|\?P?<\w+>)?([^()]*)\)({REPEAT}*)")
FLAGS = re.compile(r"\(\?[A-Za-z-]*\)")
HIDDEN = 0xE000
"""Escaped punctuation stands here meanwhile, so that it is not taken for syntax (private use, Unicode 23.5)."""


def _hidden(found: re.Match[str]) -> str:
    plain = found[1]
    if plain is None or plain.isalnum():
        return "^" if plain in ("A", "b", "B", "z") else BREAK
    return chr(HIDDEN + ord(plain)) if ord(plain) < 128 else plain


def _repeated(found: re.Match[str]) -> str:
    """What is left of something that may be repeated: once and then a break, or nothing sure."""
    inner, repeat = found[1], found[2]
    if inner is None:
        return found[0]
    if "|" in inner or inner.startswith("?") or any(word[0] in "*?" or word[:2] == "{0" for word in _words(repeat)):
        return BREAK
    return BREAK + inner + BREAK if repeat and found[0][0] == "(" else inner + (BREAK if repeat else "")


def _words(repeat: str) -> list[str]:
    """The operators in a row; a "?" behind another one only says how it tries."""
    words = re.findall(REPEAT, repeat)
    return [word for n, word in enumerate(words) if not (n and word == "?")]


def literal_of(pattern: str) -> str:
    """Return a long text that every match must contain, or "" if there is none that can be told.

    Where the pattern says `(?i)`, the text is contained whatever its case. A cautious reading: what it does not
    know counts as nothing sure.
    """
    if "\\Q" in pattern or any(HIDDEN <= ord(ch) < HIDDEN + 128 for ch in pattern):
        return ""
    text = FLAGS.sub("", CLASS.sub(BREAK, ESCAPE.sub(_hidden, pattern))).replace(".", BREAK)
    text = re.sub(r"[\^$]", "", ATOM.sub(_repeated, text))
    while (shorter := GROUP.sub(_repeated, text)) != text:
        text = shorter
    if set(text) & set("|()"):
        return ""
    longest = max(text.split(BREAK), key=len)
    return "".join(chr(ord(ch) - HIDDEN) if HIDDEN <= ord(ch) < HIDDEN + 128 else ch for ch in longest)
