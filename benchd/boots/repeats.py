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


def gist(text: str) -> str:
    """Return what a line says: numbers as #, a spinner's strokes as |, of a run of one character one."""
    plain = " ".join(_SPINNER.sub("|", _NUMBER.sub("#", text)).split())
    return _RUN.sub(r"\1", plain)[:GIST_CHARS]


def letters(text: str) -> bytes:
    """Return the letters that are in no number.

    Texts of one gist have the same first and last one, unless the gist was cut: other ones say something else, and
    are told at a twentieth of the cost.
    """
    return text.encode("ascii", "ignore").translate(None, _OTHERS)


class Sayings:
    """What the last lines said that said something new."""

    def __init__(self) -> None:
        self._texts: deque[str] = deque(maxlen=SAID)
        self._ends: deque[bytes | None] = deque(maxlen=SAID)
        """First and last letter of each; None for a text whose gist may have been cut."""

    def has(self, text: str) -> bool:
        """Whether a line says only what one of them said."""
        if not self._may_have(text, letters(text)):
            return False
        says = gist(text)
        return any(gist(said) == says for said in self._texts)

    def _may_have(self, text: str, own: bytes) -> bool:
        """Whether a look does not show that a line says something else than each of them. `own`: its letters."""
        if len(text) > GIST_CHARS or None in self._ends:
            return True
        ends = own[:1] + own[-1:]
        if ends not in self._ends:
            return False
        # So have texts of one gist their letters in one order of first coming.
        order = bytes(dict.fromkeys(own))
        alike = (said for said, theirs in zip(self._texts, self._ends, strict=True) if theirs == ends)
        return any(bytes(dict.fromkeys(letters(said))) == order for said in alike)

    def take_new(self, texts: Sequence[str]) -> int:
        """Take in lines from the first on, as long as a look shows that each says something new; return how many."""
        said, ends, taken = self._texts, self._ends, 0
        cut = None in ends
        for text in texts:
            own = text.encode("ascii", "ignore").translate(None, _OTHERS)  # as `letters`
            first_last = own[:1] + own[-1:]
            if (cut or first_last in ends or len(text) > GIST_CHARS) and self._may_have(text, own):
                break
            said.append(text)
            ends.append(first_last)
            taken += 1
        return taken

    def add(self, text: str) -> None:
        """Take in a line that says something new."""
        own = letters(text)
        self._texts.append(text)
        self._ends.append(own[:1] + own[-1:] if len(text) <= GIST_CHARS else None)
