"""What of a console line is new: lines are told several times while they grow."""

from __future__ import annotations

from collections.abc import Sequence

from benchd.rules.match import Hit
from benchd.vocabulary.observations import Text


class Lines:
    """Remembers each link's present line: its text so far, and which rules it has fired."""

    def __init__(self) -> None:
        self._fired: dict[str, tuple[int, set[Hit]]] = {}
        self._text: dict[str, tuple[int, str]] = {}

    def fresh(self, seen: Text, hits: Sequence[Hit]) -> list[Hit]:
        """Return the hits that this line did not have before."""
        line, fired = self._fired.get(seen.link, (-1, set()))
        if line != seen.line:
            fired = set()
            self._fired[seen.link] = (seen.line, fired)
        fresh = [hit for hit in hits if Hit(hit.role, hit.index) not in fired]
        fired.update(Hit(hit.role, hit.index) for hit in fresh)
        return fresh

    def grown(self, seen: Text) -> tuple[bool, bool]:
        """Return whether anything is new since the line was told last, and whether it is another line."""
        number, text = self._text.get(seen.link, (-1, ""))
        self._text[seen.link] = (seen.line, seen.text)
        return (number, text) != (seen.line, seen.text), number != seen.line
