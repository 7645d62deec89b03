"""What a framing tells the hunt for its line speed: how well bytes read, and how much of that decides."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import sqrt

STANDARD_RATES = (110, 150, 300, 600, 1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)
"""Rates that PCs of the ISA years use on a null modem or a card; with their usual crystal all are exact but 110.

110 and 150 are the lowest that the BIOS services of an 8088-class machine can set (interrupt 14h, common practice).
"""


@dataclass(frozen=True, slots=True)
class Tally:
    """`good` of `seen` characters read well; `distinct` byte values among them; `proofs` good check sums."""

    good: float = 0.0
    seen: int = 0
    distinct: int = 0
    proofs: int = 0

    @property
    def share(self) -> float:
        return self.good / self.seen if self.seen else 0.0

    @property
    def sure(self) -> float:
        """Lower end of the 95 % Wilson interval of the share (Wilson 1927), cautious for few."""
        return wilson_low(self.good, self.seen)


def wilson_low(good: float, seen: int, z: float = 1.959964) -> float:
    """Return the lower limit of the Wilson score interval for `good` of `seen`; 0 for none seen."""
    if seen <= 0:
        return 0.0
    p = good / seen
    centre = p + z * z / (2 * seen)
    spread = z * sqrt(p * (1 - p) / seen + z * z / (4 * seen * seen))
    return max(0.0, (centre - spread) / (1 + z * z / seen))


@dataclass(frozen=True, slots=True)
class HuntLimits:
    """When to decide: `lock` is the cautious share to pass, `reject` the share below which a rate is out.

    `few` characters are needed for a lock and `out` for a rejection; `many` force a decision. A locked rate
    is judged by windows of `window` characters, which are garbage below the share `garbage`.
    """

    out: int
    few: int
    many: int
    variety: int
    lock: float
    reject: float
    window: int
    garbage: float


@dataclass(frozen=True, slots=True)
class HuntScoring:
    """How the bytes of a framing are scored.

    `judge(data, bad)` tells how well `data` reads, `bad` characters of it having had a fault. With `proofs`,
    so many good check sums prove a rate and nothing else does. With `any_byte`, every byte is right in this
    framing: only faults can speak against a rate.
    """

    judge: Callable[[bytes, int], Tally]
    limits: HuntLimits
    proofs: int = 0
    any_byte: bool = False

    def proves(self, tally: Tally) -> bool:
        """Whether bytes so judged are of this framing, read at the right rate, and no chance."""
        if self.proofs:
            return tally.proofs >= self.proofs
        limits = self.limits
        return tally.seen >= limits.few and tally.distinct >= limits.variety and tally.sure >= limits.lock
