"""Observations: what decoding makes of the records, and all that boots are judged by.

Every observation has `t_ns` (when it happened, monotonic nanoseconds), `u_ns` (half-width of the uncertainty)
and `at_ns` (when it became known: the order in which observations are judged; never before `t_ns`).
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from typing import Literal, TypeAlias

from benchd.vocabulary.measured import Measured
from benchd.vocabulary.quick import quick
from benchd.vocabulary.records import Annotation


@quick
@dataclass(frozen=True, slots=True)
class Seen:
    """What observations share that become known when they happen."""

    link: str
    t_ns: int
    u_ns: int

    @property
    def at_ns(self) -> int:
        return self.t_ns


Seen.at_ns = vars(Seen)["t_ns"]  # type: ignore[method-assign]  # the field itself, which is read without a call


@quick
@dataclass(frozen=True, slots=True)
class Code(Seen):
    """One POST code. `value` is 0..FFh, or 0..FFFFh where `wide`. `port` is the I/O port if known."""

    value: int
    port: int | None = None
    wide: bool = False


@quick
@dataclass(frozen=True, slots=True)
class Text:
    """A console line, whole or so far.

    `line` counts lines of the link from 0: a later Text with the same number replaces an earlier one
    (`partial`: the line was not ended yet). `marks` are (index of a character, its arrival), ascending; the
    characters between two marks follow at line speed (`char_ns` each). `t_ns` is the first character's.
    From the character `report` on it is lines of a reporter program, and no text for rules (None: there are none).
    """

    link: str
    t_ns: int
    u_ns: int
    at_ns: int
    line: int
    text: str
    partial: bool = False
    marks: tuple[tuple[int, int], ...] = ()
    char_ns: int = 0
    report: int | None = None

    @property
    def last_ns(self) -> int:
        """The arrival (ns) of the character that came last, which need not be the last one of the line."""
        last, marks, t_ns = len(self.text) - 1 if self.text else 0, self.marks, self.t_ns
        if len(marks) == 1 and marks[0] == (0, t_ns):
            return t_ns + last * self.char_ns
        return max([t_ns, self.time_at(last), *(at_ns for _, at_ns in marks)])

    def time_at(self, index: int) -> int:
        """Return the arrival (ns) of the character at `index`."""
        if not self.marks:
            return self.t_ns
        i = bisect_right(self.marks, index, key=lambda mark: mark[0]) - 1
        if i < 0:
            return self.t_ns
        at, t_ns = self.marks[i]
        return t_ns + (index - at) * self.char_ns


@quick
@dataclass(frozen=True, slots=True)
class Reset(Seen):
    """The card saw the reset line, or counted its own restart."""


@quick
@dataclass(frozen=True, slots=True)
class Power(Seen):
    """The target's power went on or off, as its modem lines tell."""

    on: bool


@quick
@dataclass(frozen=True, slots=True)
class Lost(Seen):
    """Something was lost or refused: `count` codes (or bytes), with a named reason."""

    reason: str
    count: int = 1


@quick
@dataclass(frozen=True, slots=True)
class Break(Seen):
    """The line was held in break."""


@quick
@dataclass(frozen=True, slots=True)
class Reported(Seen):
    """A reporter program's report has grown by a line: `measured` is all of it so far, `number` counts reports."""

    number: int
    measured: Measured
    ended: bool


@quick
@dataclass(frozen=True, slots=True)
class LinkChange(Seen):
    """A link came up or went down."""

    up: bool
    reason: str


@quick
@dataclass(frozen=True, slots=True)
class Misfit(Seen):
    """What comes over a link does not fit its settings: how that shows, and what to change, best first."""

    what: Literal["wrong-speed", "swapped-links"]
    shows: str
    advice: tuple[str, ...]


Decoded: TypeAlias = Code | Text | Reported | Reset | Power | Lost | Break | LinkChange
"""What a link's decoder says."""
Observation: TypeAlias = Decoded | Misfit | Annotation
