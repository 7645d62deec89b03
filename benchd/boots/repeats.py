"""Text that only says again what was said: dots, a counter, a spinner, the same line with another number."""

from __future__ import annotations

import re

GIST_CHARS = 200
_NUMBER = re.compile(r"\b(?=[0-9A-Fa-f]*[0-9])[0-9A-Fa-f]+\b|[0-9]+")
_SPINNER = re.compile(r"[|/\\-]")
_RUN = re.compile(r"(.)\1+")


def gist(text: str) -> str:
    """Return what a line says: numbers as #, a spinner's strokes as |, of a run of one character one."""
    plain = " ".join(_SPINNER.sub("|", _NUMBER.sub("#", text)).split())
    return _RUN.sub(r"\1", plain)[:GIST_CHARS]
