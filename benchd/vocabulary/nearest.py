"""What somebody may have meant: the known names that are nearest to one that nobody knows. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches

LISTED_MOST = 12


def nearest(name: str, known: Iterable[str], most: int = 3) -> list[str]:
    """The known names that are most alike, the likest first; none where nothing is alike."""
    by_fold = {one.casefold(): one for one in known}
    return [by_fold[one] for one in get_close_matches(name.casefold(), by_fold, most, 0.55)]


def meant(name: str, known: Iterable[str]) -> str:
    """Words after an unknown name: those that may be meant, else what there is."""
    there = list(dict.fromkeys(known))
    if near := nearest(name, there):
        return f"is {' or '.join(near)} meant?"
    more = ", ..." if len(there) > LISTED_MOST else ""
    return f"there are {', '.join(there[:LISTED_MOST])}{more}" if there else "there is none"
