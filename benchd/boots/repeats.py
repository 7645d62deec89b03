"""Text that only says again what was said: dots, a counter, a spinner, the same line with another number."""

from __future__ import annotations

import re
from collections import deque

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


def order(text: str) -> bytes:
    """Return the letters that are in no number, in the order in which each comes first.

    Texts of one gist have them in one order, unless the gist was cut: another order says something else, and is told
    at a tenth of the cost.
    """
    return bytes(dict.fromkeys(text.encode("ascii", "ignore").translate(None, _OTHERS)))


class Sayings:
    """What the last lines said that said something new."""

    def __init__(self) -> None:
        self._texts: deque[str] = deque(maxlen=SAID)
        self._orders: deque[bytes | None] = deque(maxlen=SAID)
        """None for a text whose gist may have been cut."""

    def has(self, text: str) -> bool:
        """Whether a line says only what one of them said."""
        if len(text) <= GIST_CHARS and None not in self._orders and order(text) not in self._orders:
            return False
        says = gist(text)
        return any(gist(said) == says for said in self._texts)

    def surely_new(self, text: str) -> bool:
        """Take in a line of which a look shows that it says something new; return False, and leave it, where not."""
        first = bytes(dict.fromkeys(text.encode("ascii", "ignore").translate(None, _OTHERS)))  # as `order`
        orders = self._orders
        if len(text) > GIST_CHARS or first in orders or None in orders:
            return False
        self._texts.append(text)
        orders.append(first)
        return True

    def add(self, text: str) -> None:
        """Take in a line that says something new."""
        self._texts.append(text)
        self._orders.append(order(text) if len(text) <= GIST_CHARS else None)
