"""Finding the line speed by trying rates and judging what is read. Pure: bytes, faults and times come in.

    state     | event                                        | next state, decision
    seeking   | enough good, varied characters   (1)         | locked, Lock
    seeking   | enough characters, clearly bad   (2)         | seeking, Move to the next rate
    seeking   | undecided for too long or too many (3)       | seeking, Move
    locked    | garbage, sustained               (4)         | seeking, Unlock
    taken     | anything                         (5)         | taken

1. The cautious share of good characters, not the share itself, must pass the mark; one repeated character
   proves nothing, so some variety is asked for. Where frames have check sums, those prove a rate: three suffice.
2. Silence never rejects a rate: a machine that is off is no news about the line.
3. The clock of a rate starts with its first character. A rate at which the little that came reads well is
   kept: short messages and sparse codes add up over time. On a raw link characters that all end in idle line
   (E0h and up) tell of a receiver that is too slow.
4. Two windows in a row and two seconds at least: a burst of noise at power-off does not unlock.
5. A raw link without framing-error marks gives nothing to judge: the first usual rate is taken, and the
   reason says so. Nothing is claimed.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, TypeAlias

from benchd.vocabulary.hunting import HuntScoring, Tally

SUSTAINED_NS = 2_000_000_000
PATIENCE_NS = 5_000_000_000
TAKEN_RATE = 9600


@dataclass(frozen=True, slots=True)
class Move:
    """Set the port to `rate`; what was read at the rate before is worthless."""

    rate: int


@dataclass(frozen=True, slots=True)
class Lock:
    """`rate` is the speed. `confidence` is 0..1, or None where nothing could be judged."""

    rate: int
    confidence: float | None
    reason: str


@dataclass(frozen=True, slots=True)
class Unlock:
    """What arrives at `was` is garbage by now; go on seeking at `rate`."""

    was: int
    rate: int
    reason: str


Decision: TypeAlias = Move | Lock | Unlock


@dataclass(slots=True)
class Hunter:
    """The search of one link. `rates` in the order to try, `scoring` of its framing; `marks` says that faults
    would be reported.
    """

    rates: tuple[int, ...]
    scoring: HuntScoring
    marks: bool = False
    state: Literal["seeking", "locked", "taken"] = "seeking"
    rate: int = 0
    confidence: float | None = None
    _data: bytearray = field(default_factory=bytearray)
    _bad: int = 0
    _since: int | None = None
    _garbage: int = 0
    _garbage_since: int = 0

    def __post_init__(self) -> None:
        if not self.rates:
            raise ValueError("no rates to try")
        self.rate = self.rates[0]

    def begin(self) -> Lock | None:
        """Return a decision that needs no data: a raw link that cannot be judged takes a usual rate."""
        if not self.scoring.any_byte or self.marks:
            return None
        self.state = "taken"
        self.rate = TAKEN_RATE if TAKEN_RATE in self.rates else self.rates[0]
        return Lock(
            self.rate,
            None,
            f"speed {self.rate} taken, not found: any byte may be a code on a raw link, and this port does not "
            'report framing errors; set speed = N instead of "hunt" if codes look wrong',
        )

    def feed(self, t_ns: int, data: bytes, bad: int = 0) -> Decision | None:
        """Take characters received at `rate`, `bad` of them with a fault; return what to do, if anything."""
        if self.state == "taken" or not (data or bad):
            return None
        # A break leaves no byte; it must weigh in all the same.
        self._data += data
        self._bad += bad
        if self._since is None:
            self._since = t_ns
        return self._watch(t_ns) if self.state == "locked" else self._seek(t_ns)

    def tick(self, t_ns: int) -> Decision | None:
        """Let time pass: a rate that stays undecided too long is left."""
        if self.state != "seeking" or self._since is None or t_ns - self._since < PATIENCE_NS:
            return None
        return None if self._tally().share >= max(self.scoring.limits.lock, 0.5) else self._move()

    def _tally(self) -> Tally:
        return self.scoring.judge(bytes(self._data), self._bad)

    def _seek(self, t_ns: int) -> Decision | None:
        limits, tally = self.scoring.limits, self._tally()
        too_slow = self.scoring.any_byte and min(self._data, default=0) >= 0xE0
        if self.scoring.proves(tally) and not too_slow:
            self.state, self.confidence = "locked", self._confidence(tally)
            reason = self._reason(tally)
            self._forget()
            return Lock(self.rate, self.confidence, reason)
        if self.scoring.proofs:
            hopeless = tally.proofs == 0 and len(self._data) + self._bad >= limits.many
        else:
            hopeless = tally.seen >= limits.out and tally.share < limits.reject
        if hopeless or tally.seen >= limits.many:
            return self._move()
        return self.tick(t_ns)

    def _confidence(self, tally: Tally) -> float:
        if self.scoring.proofs:
            return 1 - 2.0 ** (-16 * tally.proofs)
        # A raw link offers no positive proof, whatever the count: never more than likely.
        return min(tally.sure, 0.5) if self.scoring.any_byte else tally.sure

    def _reason(self, tally: Tally) -> str:
        if self.scoring.proofs:
            return f"speed {self.rate} found, {tally.proofs} frames with a good check sum"
        percent = f"{tally.share * 100:.0f} %"
        if self.scoring.any_byte:
            faster = "" if self.rate == self.rates[0] else " and faster rates with"
            return (
                f"speed {self.rate} likely, {percent} of {tally.seen} characters without framing error"
                f"{faster}; a raw link offers no better proof"
            )
        return f"speed {self.rate} found, {percent} of {tally.seen} characters read well"

    def _watch(self, t_ns: int) -> Decision | None:
        limits = self.scoring.limits
        if max(len(self._data), self._bad) < limits.window:
            return None
        tally, since = self._tally(), self._since
        self._forget()
        if tally.share >= limits.garbage:
            self._garbage = 0
            return None
        if self._garbage == 0:
            self._garbage_since = since if since is not None else t_ns
        self._garbage += 1
        if self._garbage < 2 or t_ns - self._garbage_since < SUSTAINED_NS:
            return None
        was, seconds = self.rate, (t_ns - self._garbage_since) / 1e9
        self.state, self.confidence = "seeking", None
        move = self._move()
        return Unlock(
            was,
            move.rate,
            f"garbage at speed {was} for {seconds:.0f} s ({tally.share * 100:.0f} % of the last {tally.seen} "
            "characters read well): hunting again",
        )

    def _move(self) -> Move:
        self._forget()
        self.rate = self.rates[(self.rates.index(self.rate) + 1) % len(self.rates)]
        return Move(self.rate)

    def _forget(self) -> None:
        self._data.clear()
        self._bad = 0
        self._since = None
        if self.state == "seeking":
            self._garbage = 0
