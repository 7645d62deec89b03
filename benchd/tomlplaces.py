"""Lines of keys and values in TOML text. The standard parser checks the text; this one only keeps places."""

from __future__ import annotations

import re
import tomllib

Key = tuple[str | int, ...]

BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
SPACE = re.compile(r"[ \t]*")
KEY_PART = re.compile(r"""[A-Za-z0-9_-]+|"(?:[^"\\\n]|\\.)*"|'[^'\n]*'""")
STRING = re.compile(
    r'"""(?:[^\\]|\\.)*?"{3,5}(?!")' "|'''.*?'{3,5}(?!')" r'|"(?:[^"\\\n]|\\.)*"' "|'[^'\n]*'", re.DOTALL
)
PLAIN = re.compile(r"[^,\]}#\n]*")


class Places:
    """Where each key, array element and table of valid TOML `text` begins; `line` finds the nearest known."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._pos = 0
        self._seen_to = 0
        self._line = 1
        self._lines: dict[Key, int] = {}
        self._counts: dict[Key, int] = {}
        self._document()

    def line(self, path: Key) -> int:
        """Return the 1-based line of `path`, or of its deepest part that exists, or 0 where nothing does."""
        for end in range(len(path), 0, -1):
            if found := self._lines.get(tuple(path[:end])):
                return found
        return 0

    def _document(self) -> None:
        where: Key = ()
        while self._skip(BLANK) < len(self._text):
            start = self._pos
            if self._text.startswith("[", start):
                where = self._header(many=self._text.startswith("[[", start))
            else:
                self._pair(where)
            if self._pos == start:  # not TOML after all: give up rather than stand still
                return

    def _header(self, many: bool) -> Key:
        self._pos += 2 if many else 1
        parts = self._parts()
        where: Key = ()
        for depth, part in enumerate(parts):
            where += (part,)
            if many and depth == len(parts) - 1:
                self._counts[where] = self._counts.get(where, -1) + 1
                for inner in [k for k in self._counts if len(k) > len(where) and k[: len(where)] == where]:
                    del self._counts[inner]
            self._note(where)
            if where in self._counts:
                where += (self._counts[where],)
                self._note(where)
        self._skip(PLAIN)
        self._pos += 2 if many else 1
        return where

    def _pair(self, where: Key) -> None:
        for part in self._parts():
            where += (part,)
            self._note(where)
        if self._text.startswith("=", self._pos):
            self._pos += 1
            self._skip(SPACE)
            self._value(where)

    def _parts(self) -> list[str]:
        parts: list[str] = []
        while True:
            self._skip(SPACE)
            if not (found := KEY_PART.match(self._text, self._pos)):
                return parts
            self._pos = found.end()
            parts.append(_unquoted(found[0]))
            self._skip(SPACE)
            if not self._text.startswith(".", self._pos):
                return parts
            self._pos += 1

    def _value(self, where: Key) -> None:
        self._note(where)
        if self._text.startswith("[", self._pos):
            self._members("]", where, array=True)
        elif self._text.startswith("{", self._pos):
            self._members("}", where, array=False)
        elif found := STRING.match(self._text, self._pos):
            self._pos = found.end()
        else:
            self._skip(PLAIN)

    def _members(self, end: str, where: Key, array: bool) -> None:
        self._pos += 1
        index = 0
        while self._skip(BLANK) < len(self._text) and not self._text.startswith(end, self._pos):
            start = self._pos
            if array:
                self._value((*where, index))
                index += 1
            else:
                self._pair(where)
            self._skip(BLANK)
            if self._text.startswith(",", self._pos):
                self._pos += 1
            if self._pos == start:
                return
        self._pos += 1

    def _skip(self, pattern: re.Pattern[str]) -> int:
        found = pattern.match(self._text, self._pos)
        self._pos = found.end() if found else self._pos
        return self._pos

    def _note(self, where: Key) -> None:
        self._line += self._text.count("\n", self._seen_to, self._pos)
        self._seen_to = max(self._seen_to, self._pos)
        self._lines.setdefault(where, self._line)


def _unquoted(key: str) -> str:
    if key[0] not in "\"'":
        return key
    try:
        return next(iter(tomllib.loads(f"{key} = 0")))
    except tomllib.TOMLDecodeError:
        return key
