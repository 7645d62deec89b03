"""The published contract: what `--json`, MQTT, the store and the page show of a boot.

Times in a boot are seconds from its start; `started` and `ended` are ISO 8601 with zone, labels only.
"""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator

from benchd.vocabulary.measured import Measured
from benchd.vocabulary.quick import no_items

Outcome = Literal["finished", "stalled", "looped", "cut-short", "link-lost", "recorded", "running"]
FindingKind = Literal[
    "stall",
    "loop",
    "skipped",
    "late",
    "slow",
    "fault",
    "unknown-code",
    "quiet",
    "wrong-table",
    "wrong-speed",
    "swapped-links",
    "setup-differs",
]
LimitKind = Literal["explicit", "learned-normal", "distribution-free", "default"]


class Model(BaseModel):
    model_config = ConfigDict(defer_build=True, extra="forbid", frozen=True)


class Stage(Model):
    """A stage that the boot reached: `t` seconds from boot start, give or take `u` seconds."""

    name: str
    t: float
    u: float


class Finding(Model):
    """What a rule concluded. `t` is when, in seconds from boot start; `cleared_t` when it stopped being so."""

    kind: FindingKind
    rule: str
    stage: str | None = None
    code: str | None = Field(None, description="last code then, two upper-case hex digits")
    t: float
    limit_s: float | None = None
    limit_kind: LimitKind | None = None
    cleared_t: float | None = None
    means: str | None = None
    try_: list[str] = Field(default_factory=no_items, alias="try", serialization_alias="try")
    caution: str | None = None
    detail: str | None = None

    @field_validator("limit_kind", mode="before")
    @classmethod
    def _kind(cls, kind: Any) -> Any:
        """Records of before 0.2 say "learned-free"."""
        return "distribution-free" if kind == "learned-free" else kind

    model_config = ConfigDict(
        defer_build=True, extra="forbid", frozen=True, populate_by_name=True, serialize_by_alias=True
    )


class Check(Model):
    """A pass/fail result read from the console by a rule."""

    name: str
    passed: bool
    t: float


BLIND_WORDS = {"down": "was out", "lossy": "lost some of what came", "not-watched": "was not watched"}


class Blind(Model):
    """From `t` to `until` (seconds from boot start; None: to its end) a link was not seen, or not all of it."""

    link: str
    t: float
    until: float | None = None
    why: Literal["down", "lossy", "not-watched"]

    @property
    def words(self) -> str:
        """What was with the link, and when: `was out from 3.1 to 5.0 s`."""
        end = f" to {self.until:.1f} s" if self.until is not None else " s on"
        return f"{BLIND_WORDS[self.why]} from {self.t:.1f}{end}"


class GoalNow(Model):
    """Whether the newest boot of a machine's running trial reached its study's goal. `ok` None: not known (yet)."""

    trial: str
    study: str
    short: str = Field(description="the goal in a few words, as read across the room")
    goal: str = Field(description="the goal in words")
    boot: str | None = Field(None, description="the boot that is judged; None while the trial has none")
    ok: bool | None = None
    why: str = ""
    entered: str | None = Field(None, description="where no boot showed it: passed or failed, and who entered that")
    over: bool = Field(False, description="the boot is over: the verdict is not to change by itself")


class Boot(Model):
    """One boot, from power-on, reset or first sign of life to the next."""

    id: str
    machine: str
    trial: str | None = None
    table: str = ""
    started: str
    start_reason: str = ""
    ended: str | None = None
    outcome: Outcome
    last_stage: str | None = None
    last_code: str | None = None
    duration_s: float = Field(0.0, description="last thing seen, seconds from boot start")
    stages: list[Stage] = Field(default_factory=no_items)
    findings: list[Finding] = Field(default_factory=no_items)
    checks: list[Check] = Field(default_factory=no_items)
    codes: int = 0
    lines: int = 0
    lost: int = Field(0, description="codes or bytes known to be lost or refused")
    anchored: bool = Field(True, description="false while its start was not seen: joined in the middle")
    blind: list[Blind] = Field(default_factory=no_items)
    passes_of: str | None = Field(None, description="this boot is an earlier pass of that looping boot")
    measured: Measured | None = Field(None, description="what its own processor reads, by a reporter program")
    imported: bool = Field(
        False, description="recorded on another bench, and brought in", exclude_if=lambda imported: not imported
    )
    off_s: float | None = Field(
        None,
        description="seconds without power before it, where the power was seen to go",
        exclude_if=lambda seconds: seconds is None,
    )
    model: str | None = Field(
        None,
        description="what kind of machine it is (`machine.model`)",
        exclude_if=lambda model: model is None,
    )
    left_out: str | None = Field(
        None, description="why a person left it out: it counts nowhere", exclude_if=lambda reason: reason is None
    )
    note: str = Field("", description="what a person wrote about it", exclude_if=lambda note: not note)
    labels: list[str] = Field(
        default_factory=no_items, description="given by people", exclude_if=lambda labels: not labels
    )
