"""Where every received byte went: decoded, still pending, or refused by a named reason."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(slots=True)
class Counts:
    """Byte accounting of one link. Always: bytes_in == decoded + pending + sum(refused.values()).

    `notes` counts things that happened to no byte in particular ("long-line").
    """

    bytes_in: int = 0
    decoded: int = 0
    pending: int = 0
    refused: dict[str, int] = field(default_factory=dict)
    notes: dict[str, int] = field(default_factory=dict)

    def arrive(self) -> None:
        """Take one byte in; it is pending until settled or refused."""
        self.bytes_in += 1
        self.pending += 1

    def take(self, count: int) -> None:
        """Take bytes in and settle them at once."""
        self.bytes_in += count
        self.decoded += count

    def settle(self, count: int = 1) -> None:
        """Move `count` pending bytes to decoded."""
        self.pending -= count
        self.decoded += count

    def refuse(self, reason: str, count: int = 1) -> None:
        """Move `count` pending bytes to refused[reason]."""
        if count:
            self.pending -= count
            self.refused[reason] = self.refused.get(reason, 0) + count

    def note(self, reason: str, count: int = 1) -> None:
        self.notes[reason] = self.notes.get(reason, 0) + count
