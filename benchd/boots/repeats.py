"""Text that only says again what was said: dots, a counter, a spinner, the same line with another number."""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Sequence

GIST_CHARS = 200
SAID = 8
"""What so many lines said is kept, to know a line that only says it again."""
_NUMBER = re.compile(r"\b(?=[0-9A-Fa-f]*[0-9])[0-9A-Fa-f]+\b|[0-9]+")
_SPINNER = re.compile(r"[|/\\-]")
_RUN = re.compile(r"(.)\1+")
_LETTERS = b"ghijklmnopqrstuvwxyzGHIJKLMNOPQRSTUVWXYZ"
_OTHERS = bytes(value for value in range(128) if value not in _LETTERS)
_OTHERS_IN_LINES = _OTHERS.replace(b"\n", b"")


def gist(text: str) -> str:
    """Return what a line says: numbers as #, a spinner's strokes as |, of a run of one character one."""
    plain = " ".join(_SPINNER.sub("|", _NUMBER.sub("#", text)).split())
    return _RUN.sub(r"\1", plain)[:GIST_CHARS]


def letters(text: str) -> bytes:
    """Return the letters that are in no number; a text's gist has them too, but for such as repeat the one before."""
    return text.encode("ascii", "ignore").translate(None, _OTHERS)


def ends_of(own: bytes) -> bytes:
    """Return of letters the first, the first other one, and the last.

    They are the same for texts of one gist, unless that was cut: other ones say something else, and are told at a
    twentieth of the cost.
    """
    first = own[:1]
    return first + own.lstrip(first)[:1] + own[-1:]


class Sayings:
    """What the last lines said that said something new."""

    def __init__(self) -> None:
        self._texts: deque[str] = deque(maxlen=SAID)
        self._ends: deque[bytes | None] = deque(maxlen=SAID)
        """`ends_of` each one's letters; None for a text whose gist may have been cut."""

    def has(self, text: str) -> bool:
        """Whether a line says only what one of them said."""
        own = letters(text)
        if not self._may_have(text, own, ends_of(own)):
            return False
        says = gist(text)
        return any(gist(said) == says for said in self._texts)

    def _may_have(self, text: str, own: bytes, ends: bytes) -> bool:
        """Whether a look at a line's letters does not show that it says something else than each of them."""
        if len(text) > GIST_CHARS or None in self._ends:
            return True
        if ends not in self._ends:
            return False
        # So have texts of one gist their letters in one order of first coming.
        order = bytes(dict.fromkeys(own))
        alike = (said for said, theirs in zip(self._texts, self._ends, strict=True) if theirs == ends)
        return any(bytes(dict.fromkeys(letters(said))) == order for said in alike)

    def take_new(self, texts: Sequence[str]) -> int:
        """Take in lines from the first on, as long as a look shows that each says something new; return how many."""
        said, all_ends, taken = self._texts, self._ends, 0
        owns = "\n".join(texts).encode("ascii", "ignore").translate(None, _OTHERS_IN_LINES).split(b"\n")
        if len(owns) != len(texts):
            return 0  # no text, or one with a line's end in it
        cut = None in all_ends
        for text, own in zip(texts, owns, strict=True):
            ends = ends_of(own)
            if (cut or ends in all_ends or len(text) > GIST_CHARS) and self._may_have(text, own, ends):
                break
            said.append(text)
            all_ends.append(ends)
            taken += 1
        return taken

    def add(self, text: str) -> None:
        """Take in a line that says something new."""
        self._texts.append(text)
        self._ends.append(ends_of(letters(text)) if len(text) <= GIST_CHARS else None)
