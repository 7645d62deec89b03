"""Bytes to characters of a console, one at a time: single-byte code pages and UTF-8."""

from __future__ import annotations

import codecs
import re

from benchd.errors import UsageError

REPLACEMENT = "\ufffd"
LINE_LIMIT = 1000
"""Characters of a line at most."""
RETURNS = 8
"""So many CR may be before a LF where lines are taken by the run."""


class Charset:
    """Decodes one byte at a time. `waiting` counts bytes of an unfinished character.

    `c1` holds the byte values that are 8-bit controls in this character set (none in cp437 or UTF-8). `plain` matches
    bytes that are a printable character each, of which only 20h is blank (group 1), and the line's end if it follows;
    `lines` matches whole lines of such bytes, at most LINE_LIMIT each, and what there is of one more; CR is only at
    their ends, and a "~", by which lines of a report are known, is in none.
    Raises UsageError for an encoding that is neither UTF-8 nor an ASCII-compatible single-byte code page.
    """

    def __init__(self, link: str, encoding: str) -> None:
        self._given = link, encoding
        advice = 'use "utf-8" or a single-byte code page such as "cp437"'
        self._table: list[str] | None = None
        self._buffer = b""
        try:
            name = codecs.lookup(encoding).name
            ascii_text = bytes(range(128)).decode(encoding)
            table = [bytes((value,)).decode(encoding, "replace") for value in range(256)]
        except (LookupError, UnicodeError, ValueError):
            raise UsageError(f"link {link}: encoding {encoding!r} is not known here: {advice}") from None
        if ascii_text != "".join(map(chr, range(128))):
            raise UsageError(f"link {link}: encoding {encoding!r} does not contain ASCII: {advice}")
        if name != "utf-8":
            high = bytes(range(128, 256))
            if len(high.decode(encoding, "replace")) != 128 or any(len(char) != 1 for char in table):
                raise UsageError(f"link {link}: encoding {encoding!r} has multi-byte characters: {advice}")
            self._table = table
        self.c1 = frozenset(
            value for value in range(0x80, 0xA0) if self._table and 0x80 <= ord(self._table[value]) < 0xA0
        )
        plain = bytes(value for value in range(0x20, 256) if self._is_plain(value))
        self.plain = re.compile(b"([" + re.escape(plain) + b"]*)(\r*\n)?")
        some = b"[" + re.escape(plain.replace(b"~", b"")) + b"]{0,%d}+\r{0,%d}+" % (LINE_LIMIT, RETURNS)
        self.lines = re.compile(b"(?:" + some + b"\n)*+" + some)
        self._decoding = "".join(table)

    def __reduce__(self) -> tuple[object, ...]:
        """A state needs no more than what a character set is made from, and what waits."""
        return Charset, self._given, {"_buffer": self._buffer}

    def _is_plain(self, value: int) -> bool:
        if value < 0x80:
            return 0x20 <= value < 0x7F
        if self._table is None:
            return False
        char = self._table[value]
        return char != REPLACEMENT and not 0x80 <= ord(char) < 0xA0 and not char.isspace()

    def text_of(self, plain: bytes) -> str:
        """Return the characters of bytes that are `plain`."""
        if self._table is None or plain.isascii():
            return plain.decode("ascii")
        return codecs.charmap_decode(plain, "strict", self._decoding)[0]

    @property
    def waiting(self) -> int:
        return len(self._buffer)

    def drop(self) -> int:
        """Forget an unfinished character; return its bytes."""
        size, self._buffer = len(self._buffer), b""
        return size

    def take(self, value: int) -> tuple[str, int]:
        """Take a byte; return (characters, how many of the bytes taken so far turned out undecodable)."""
        if self._table is not None:
            char = self._table[value]
            return char, int(char == REPLACEMENT)
        bad = 0
        text = ""
        if self._buffer and not 0x80 <= value < 0xC0:
            bad = self.drop()
            text = REPLACEMENT
        self._buffer += bytes((value,))
        try:
            text += self._buffer.decode("utf-8")
            self._buffer = b""
        except UnicodeDecodeError as error:
            if error.reason != "unexpected end of data":
                bad += self.drop()
                text += REPLACEMENT
        return text, bad
