"""A small story of events, told by the sinks' tests. Times in seconds on a clock of the test's own."""

from __future__ import annotations

from benchd.vocabulary.events import (
    BootOver,
    BootStarted,
    CodeSeen,
    FindingCleared,
    FindingRaised,
    LinkChanged,
    StageEntered,
)
from benchd.vocabulary.models import Boot, Finding, Stage

S = 1_000_000_000


class Teller:
    """Makes events of one machine; `ns` shifts the whole story on the clock."""

    def __init__(self, machine: str = "at286", ns: int = 0, trial: str | None = None) -> None:
        self.machine, self.ns, self.trial = machine, ns, trial

    def at(self, t: float) -> int:
        return self.ns + int(t * S)

    def boot(self, id_: str = "b1", outcome: str = "running", **more: object) -> Boot:
        base = {"id": id_, "machine": self.machine, "trial": self.trial, "outcome": outcome}
        return Boot.model_validate(base | {"started": "2026-01-02T03:04:05+00:00"} | more)

    def started(self, t: float = 0.0, id_: str = "b1") -> BootStarted:
        return BootStarted(self.machine, self.at(t), self.boot(id_))

    def ended(self, t: float, outcome: str = "finished", id_: str = "b1", **more: object) -> BootOver:
        return BootOver(self.machine, self.at(t), self.boot(id_, outcome, duration_s=t, **more))

    def code(self, t: float, code: str, id_: str | None = "b1", port: int | None = 0x80) -> CodeSeen:
        return CodeSeen(self.machine, self.at(t), 1000, "post", id_, t, code, port, True)

    def stage(
        self, t: float, name: str, index: int = 0, previous: str | None = None, took: float | None = None
    ) -> StageEntered:
        return StageEntered(self.machine, self.at(t), "b1", name, index, t, 0.001, previous, took)

    def finding(self, kind: str = "stall", rule: str = "rom-never-returns", **more: object) -> Finding:
        base = {"kind": kind, "rule": rule, "stage": "rom-scan", "code": "40", "t": 12.0}
        base |= {"limit_s": 5.0, "limit_kind": "explicit", "means": "a ROM does not return"}
        return Finding.model_validate(base | {"try": ["take the card out", "move its base"]} | more)

    def raised(
        self, t: float, kind: str = "stall", rule: str = "rom-never-returns", id_: str = "b1", **more: object
    ) -> FindingRaised:
        return FindingRaised(self.machine, self.at(t), id_, self.finding(kind, rule, t=t, **more), True)

    def cleared(self, t: float, stood_s: float, kind: str = "stall", rule: str = "rom-never-returns") -> FindingCleared:
        done = self.finding(kind, rule, t=t - stood_s, cleared_t=t)
        return FindingCleared(self.machine, self.at(t), "b1", done, stood_s)

    def link(self, t: float, up: bool, link: str = "post", reason: str = "unplugged") -> LinkChanged:
        return LinkChanged(self.machine, self.at(t), link, up, reason)

    def good_boot(self) -> list[object]:
        """A boot that finishes: memory 0.5..3.5 s, hand-over to 4.0 s."""
        stages = [Stage(name="memory", t=0.5, u=0.001), Stage(name="hand-over", t=3.5, u=0.001)]
        return [
            self.started(),
            self.code(0.5, "20"),
            self.stage(0.5, "memory"),
            self.code(3.0, "2F"),
            self.stage(3.5, "hand-over", 1, "memory", 3.0),
            self.ended(4.0, "finished", stages=[s.model_dump() for s in stages], last_stage="hand-over"),
        ]
