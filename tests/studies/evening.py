"""The evening that tests of entering and undoing share."""

from __future__ import annotations

from benchd.store import Hand
from benchd.vocabulary.models import Boot, Check, Stage

AT = "2026-03-01T20:00:00+01:00"
ME = Hand(AT)
STUDY = """\
question = "why?"
machine = "at286"
[goal]
kind = "stage-reached"
target = "storage-rom"
[[factor]]
name = "rom-base"
kind = "jumper"
levels = ["C800", "D000"]
[[factor]]
name = "network-card"
kind = "card"
levels = ["out", "in"]
"""


def boot(name: str, trial: str | None, *, ok: bool = True, minute: int = 0, machine: str = "at286") -> Boot:
    stages = [Stage(name="memory", t=1.0, u=0.01), *([Stage(name="storage-rom", t=9.0, u=0.01)] if ok else [])]
    return Boot(
        id=name, machine=machine, trial=trial, table="demo-at286", outcome="finished", duration_s=12.0,
        started=f"2026-03-01T20:{minute:02d}:00+01:00", ended=f"2026-03-01T20:{minute:02d}:12+01:00",
        stages=stages, checks=[Check(name="storage-drive", passed=ok, t=11.0)],
    )  # fmt: skip
