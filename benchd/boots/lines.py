"""What of a console line is new: lines are told several times while they grow."""

from __future__ import annotations

from collections.abc import Sequence

from benchd.rules.match import Hit
from benchd.rules.schema import Role
from benchd.vocabulary.observations import Text


class Lines:
    """Remembers each link's present line: its number, its text so far, and which rules it has fired."""

    def __init__(self) -> None:
        self.now: dict[str, tuple[int, str, set[tuple[Role, int]] | None]] = {}
        """By link. For a line that no rule goes by there is no set."""

    def take(self, seen: Text, hits: Sequence[Hit]) -> tuple[Sequence[Hit], bool, bool]:
        """Return the hits that this line did not have before, whether anything is new, whether it is another line."""
        number, text, fired = self.now.get(seen.link, (-1, "", None))
        new_line = number != seen.line
        fresh = hits
        if hits:
            fired = fired if fired is not None and not new_line else set()
            fresh = [hit for hit in hits if (hit.role, hit.index) not in fired]
            fired.update((hit.role, hit.index) for hit in fresh)
        elif new_line:
            fired = None
        self.now[seen.link] = (seen.line, seen.text, fired)
        return fresh, new_line or text != seen.text, new_line
