"""Modem lines to power: a powered target's DTR shows here as DSR and DCD (null modem: pin 4 to 6 and 1).

Rules:
1. The level is "DSR or CD": both hang on the same wire, and one may be missing.
2. The first report after the link opens for the first time is only the level to start from: on if DSR or CD is
   on. Three-wire and loop-back cables and sockets show a constant level, which never gives a Power.
3. A change counts when it has held for 20 ms (SETTLE_NS), and is dated to the change: contacts bounce, and a
   supply that comes up takes a few ms. A shorter flicker is no change.
4. When the link was away meanwhile and comes back with another level, that is a change, with an uncertainty
   that covers the absence.
"""

from __future__ import annotations

from benchd.vocabulary.records import ModemLines

SETTLE_NS = 20_000_000


class PowerSense:
    """Debounced power level of one link. `deadline` is when a running change will have settled, or None."""

    def __init__(self) -> None:
        self._level: bool | None = None
        self._seen_ns = 0
        self._changed_ns = 0
        self._away_ns = 0
        self._away = False
        self.deadline: int | None = None

    def away(self) -> None:
        """The link went down: a change under way is no longer seen."""
        self.deadline = None
        self._away = True

    def lines(self, record: ModemLines, t_ns: int) -> None:
        """Take the modem lines as they are at `t_ns`."""
        level = record.dsr or record.cd
        if self._level is None:
            self._level = level
        elif level == self._level:
            self.deadline = None
        elif self.deadline is None:
            self._changed_ns = t_ns
            self._away_ns = t_ns - self._seen_ns if self._away else 0
            self.deadline = t_ns + SETTLE_NS
        self._seen_ns = t_ns
        self._away = False

    def fire(self) -> tuple[int, int, bool]:
        """Settle the change under way; return (time of the change, extra uncertainty, level), ns."""
        self.deadline = None
        self._level = not self._level
        return self._changed_ns, self._away_ns, self._level
