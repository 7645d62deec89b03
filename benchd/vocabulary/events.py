"""Events: what the boots room says. Sinks and store take these and nothing else.

`boot` is the id of the boot; times are seconds from its start, `t_ns` the same instant on the monotonic clock.
`recovered` says that the event is not news: an earlier run of the daemon told it, and what it says stands still.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

from benchd.vocabulary.models import Boot, Finding
from benchd.vocabulary.quick import quick


@dataclass(frozen=True, slots=True)
class BootStarted:
    machine: str
    t_ns: int
    boot: Boot
    recovered: bool = False


@quick
@dataclass(frozen=True, slots=True)
class CodeSeen:
    """A code, inside a boot or (boot None) outside any."""

    machine: str
    t_ns: int
    u_ns: int
    link: str
    boot: str | None
    t: float | None
    code: str
    port: int | None
    known: bool


@quick
@dataclass(frozen=True, slots=True)
class LineSeen:
    """A console line, raw text: clean it before showing. `line` repeats when a line was updated.

    `report` says that it is, or ends with, lines of a reporter program.
    """

    machine: str
    t_ns: int
    u_ns: int
    link: str
    boot: str | None
    t: float | None
    line: int
    text: str
    partial: bool
    report: bool = False

    @property
    def passing(self) -> bool:
        """Whether it is a line that is not whole yet, or one of a reporter program: nothing that the BIOS says."""
        return self.partial or self.report


@dataclass(frozen=True, slots=True)
class StageEntered:
    """`index` is the stage's place on the ladder; `previous_s` how long the stage before it took."""

    machine: str
    t_ns: int
    boot: str
    stage: str
    index: int
    t: float
    u: float
    previous: str | None
    previous_s: float | None
    recovered: bool = False


@dataclass(frozen=True, slots=True)
class FindingRaised:
    machine: str
    t_ns: int
    boot: str
    finding: Finding
    alert: bool
    recovered: bool = False


@dataclass(frozen=True, slots=True)
class FindingCleared:
    """A provisional finding (a stall) stopped being true after `stood_s` seconds."""

    machine: str
    t_ns: int
    boot: str
    finding: Finding
    stood_s: float


@dataclass(frozen=True, slots=True)
class BootChanged:
    """The boot's record as it is now; sent at each stage, finding and outcome change."""

    machine: str
    t_ns: int
    boot: Boot


@dataclass(frozen=True, slots=True)
class BootSettled:
    """How the boot ended as it looks now, may be revised: a stall, loop or lost link that stood for some seconds, or
    a boot that the next one's start cut short and that may prove to be a pass of a loop."""

    machine: str
    t_ns: int
    boot: Boot


@dataclass(frozen=True, slots=True)
class BootOver:
    """The boot is over: its outcome and end are final. Sent once for each boot; what a test program or a fault text
    says afterwards still changes its checks and findings (BootChanged)."""

    machine: str
    t_ns: int
    boot: Boot


@dataclass(frozen=True, slots=True)
class LinkChanged:
    machine: str
    t_ns: int
    link: str
    up: bool
    reason: str


@dataclass(frozen=True, slots=True)
class LossSeen:
    """Bytes or codes were lost or refused on a link, by a named reason."""

    machine: str
    t_ns: int
    link: str
    reason: str
    count: int


@dataclass(frozen=True, slots=True)
class AlarmSilenced:
    """A person wants to hear nothing of (machine, `kind`, `rule`) until `until_ns`; one that has passed: again."""

    machine: str
    t_ns: int
    kind: str
    rule: str
    until_ns: int


BootEvent: TypeAlias = BootStarted | BootChanged | BootSettled | BootOver
"""Those that carry a boot's record."""
BOOT_EVENTS = (BootStarted, BootChanged, BootSettled, BootOver)
Event: TypeAlias = (
    BootStarted
    | CodeSeen
    | LineSeen
    | StageEntered
    | FindingRaised
    | FindingCleared
    | BootChanged
    | BootSettled
    | BootOver
    | LinkChanged
    | LossSeen
    | AlarmSilenced
)
