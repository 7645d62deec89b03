"""One boot while it is being watched: the facts, and how they become the published model."""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Literal

from benchd.boots.limits import Limit
from benchd.boots.repeats import Sayings
from benchd.rules.schema import Help, StageRule, StallRule
from benchd.vocabulary.measured import Measured, check_name
from benchd.vocabulary.models import Blind, Boot, Check, Finding, FindingKind, Outcome, Stage
from benchd.vocabulary.observations import Reported
from benchd.vocabulary.times import NS, Anchor

RECENT_CODES = 512
"""Codes kept of a running boot for loop rules and signatures; older ones are in the capture."""
MAX_BLIND = 50
"""Blind spans of one boot; a link that flaps all the time goes on in the last one."""
MAX_FINDINGS = 200
"""Findings of one boot; a machine that babbles must not grow the record without end."""


@dataclass(slots=True)
class Entered:
    """A stage reached: absolute time and half-width, and the index in the table."""

    rule: StageRule
    index: int
    t_ns: int
    u_ns: int
    limit: Limit | None
    slow: bool = False
    stall: StallRule | None = None
    """The known stall point in this stage, once it was `looked` for."""
    looked: bool = False


@dataclass(slots=True)
class BlindSpan:
    """What came on a link from `start_ns` to `end_ns` (None: until the boot's end) was not seen, or not all."""

    link: str
    start_ns: int
    end_ns: int | None
    why: Literal["down", "lossy", "not-watched"]


@dataclass(slots=True)
class BootState:
    """Mutable record of the boot that is under way. Times are absolute (ns) until published."""

    id: str
    machine: str
    table: str
    trial: str | None
    of_model: str | None
    start_ns: int
    start_u_ns: int
    start_reason: str
    anchored: bool
    """False while the boot was only joined in the middle, or begun by a first sign of life."""
    anchor: Anchor
    outcome: Outcome = "running"
    entered: list[Entered] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    checks: dict[str, Check] = field(default_factory=dict)
    codes: int = 0
    lines: int = 0
    texts: int = 0
    """Lines that are no report's: what a table may be judged by."""
    lost: int = 0
    last_code: str | None = None
    last_ns: int = 0
    """Last sign of life: what `quiet` is counted from."""
    said: Sayings = field(default_factory=Sayings)
    again_ns: int | None = None
    """The last sign of life before text that only repeats; None where the last one said something new."""
    ended_ns: int | None = None
    finish_ns: int | None = None
    fired_starts: set[int] = field(default_factory=set)
    recent: deque[int] = field(default_factory=lambda: deque(maxlen=RECENT_CODES))
    unknown: set[int] = field(default_factory=set)
    values: set[int] = field(default_factory=set)
    """Codes that came, by their low byte."""
    after: list[tuple[int, int]] = field(default_factory=list)
    """Stall rules whose `after` was the last code or last text: (index of rule, when seen)."""
    stalled: Finding | None = None
    """The provisional finding that stands now (stall or quiet), if any."""
    stalled_ns: int = 0
    watched_ns: int = 0
    """Up to here we looked away: silence before it says nothing."""
    blind: list[BlindSpan] = field(default_factory=list)
    passes_of: str | None = None
    off_ns: int | None = None
    """How long the power was off before it; None where that was not seen."""
    measured: Measured | None = None
    """The last report that came whole, else the one that began last."""
    reported: tuple[str, int] | None = None
    """Which report that is: its link, and its number there."""
    untold_ns: int | None = None
    """When the report last grew, while that has not been told."""

    def report(self, seen: Reported) -> bool:
        """Keep how far a report has come; return whether a test of it became a check or changed one."""
        key = (seen.link, seen.number)
        if key == self.reported or self.measured is None or seen.measured.complete or not self.measured.complete:
            self.measured, self.reported = seen.measured, key
        changed = False
        for test in seen.measured.tests:
            name, t = check_name(test.name), round(self.seconds(seen.t_ns), 6)
            before = self.checks.get(name)
            if before is None or before.passed != test.passed:
                self.checks[name] = Check(name=name, passed=test.passed, t=t)
                changed = True
        return changed

    def seconds(self, t_ns: int) -> float:
        """Return an instant as seconds from the start of this boot, never negative."""
        return max(0, t_ns - self.start_ns) / NS

    @property
    def stage(self) -> Entered | None:
        """The stage the boot is in: the one entered last, by time."""
        return self.entered[-1] if self.entered else None

    def enter(self, entered: Entered) -> Entered | None:
        """Put a stage in its place by time (a console line is known later than it began); return the one before."""
        place = bisect_right(self.entered, entered.t_ns, key=lambda e: e.t_ns)
        self.entered.insert(place, entered)
        return self.entered[place - 1] if place else None

    def move_start(self, t_ns: int, u_ns: int, reason: str) -> None:
        """The start mark of a boot that was joined before it: everything is counted from it now."""
        later = (t_ns - self.start_ns) / NS
        self.start_ns, self.start_u_ns, self.start_reason, self.anchored = t_ns, u_ns, reason, True
        for finding in list(self.findings):
            cleared = finding.cleared_t
            times = {"t": _moved(finding.t, later), "cleared_t": None if cleared is None else _moved(cleared, later)}
            moved = finding.model_copy(update=times)
            self.replace(finding, moved)
            if self.stalled is finding:
                self.stalled = moved
        for name, check in self.checks.items():
            self.checks[name] = check.model_copy(update={"t": _moved(check.t, later)})

    def says(self, text: str, news: bool, before_ns: int) -> None:
        """Take in what a line says. `news`: it is new, or a rule goes by it; `before_ns`: `last_ns` before it."""
        if news:
            self.said.add(text)
            self.again_ns = None
        elif self.again_ns is None:
            self.again_ns = before_ns

    @property
    def over_ns(self) -> int | None:
        """Where the stage's limit is over; None where it has none."""
        stage = self.stage
        return None if stage is None or stage.limit is None else stage.t_ns + round(stage.limit.seconds * NS)

    def stuck(self, t_ns: int) -> bool:
        """Whether the boot stands in a stage whose limit is over at `t_ns`: only news moves it on."""
        return self.stalled is not None and self.over_ns is not None and t_ns > self.over_ns

    @property
    def alive_ns(self) -> int:
        """Last sign of life; past the stage's limit text that only repeats is none."""
        if self.again_ns is None or self.over_ns is None:
            return self.last_ns
        return max(self.again_ns, min(self.last_ns, self.over_ns))

    def lose_sight(self, link: str, t_ns: int, why: Literal["down", "lossy", "not-watched"]) -> None:
        """What comes on a link from `t_ns` on is not seen, until `see_again`."""
        last = next((span for span in reversed(self.blind) if span.link == link), None)
        if last is not None and (last.end_ns is None or len(self.blind) >= MAX_BLIND):
            last.end_ns = None
        elif len(self.blind) < MAX_BLIND:
            self.blind.append(BlindSpan(link, t_ns, None, why))

    def see_again(self, link: str, t_ns: int) -> None:
        """The link is seen again from `t_ns` on."""
        for span in self.blind:
            if span.link == link and span.end_ns is None:
                span.end_ns = max(t_ns, span.start_ns)

    def miss(self, links: Iterable[str], t_ns: int, until_ns: int) -> None:
        """Some of what came on the links up to `until_ns` was lost."""
        for link in sorted(links):
            self.lose_sight(link, t_ns, "lossy")
            self.see_again(link, until_ns)

    def has(self, index: int) -> bool:
        return any(e.index == index for e in self.entered)

    def note(
        self,
        kind: FindingKind,
        rule: str,
        t_ns: int,
        *,
        limit: Limit | None = None,
        stage: str | None = None,
        help_: Help | None = None,
        means: str = "",
        detail: str | None = None,
    ) -> Finding | None:
        """Add a finding and return it, or None where the same rule already fired (or too many did).

        A stall is always returned, since it changes what the boot is; beyond the limit it is not kept.
        """
        repeatable = kind in ("stall", "quiet")
        if not repeatable and any(f.kind == kind and f.rule == rule for f in self.findings):
            return None
        full = len(self.findings) >= MAX_FINDINGS
        if full and not repeatable:
            return None
        current = self.stage.rule.name if self.stage else None
        if limit is not None:
            detail = "; ".join(filter(None, (detail, limit.words and f"limit {limit.words}"))) or None
        finding = Finding(
            kind=kind,
            rule=rule,
            stage=current if stage is None else stage,
            code=self.last_code,
            t=round(self.seconds(t_ns), 6),
            detail=detail,
            **_told_by(means, help_, limit),  # type: ignore[arg-type]
        )
        if not full:
            self.findings.append(finding)
        return finding

    def forget(self, kind: FindingKind) -> None:
        """Take back the findings of a kind: another one says it better."""
        self.findings = [finding for finding in self.findings if finding.kind != kind]

    def clear(self, finding: Finding, t_ns: int) -> Finding:
        """Mark a finding as no longer true from `t_ns` on and return it as it is now."""
        done = finding.model_copy(update={"cleared_t": round(self.seconds(t_ns), 6)})
        self.replace(finding, done)
        return done

    def replace(self, finding: Finding, updated: Finding) -> None:
        """Put `updated` where `finding` was, if it was kept."""
        for i, kept in enumerate(self.findings):
            if kept is finding:
                self.findings[i] = updated

    def model(self) -> Boot:
        """Return the published record of this boot as it is now."""
        anchor = self.anchor
        stages = [
            Stage(
                name=e.rule.name,
                t=round(self.seconds(e.t_ns), 6),
                u=round((e.u_ns + self.start_u_ns) / NS, 6),
            )
            for e in self.entered
        ]
        return Boot(
            id=self.id,
            machine=self.machine,
            trial=self.trial,
            model=self.of_model,
            table=self.table,
            started=anchor.iso(self.start_ns),
            start_reason=self.start_reason,
            ended=anchor.iso(self.ended_ns) if self.ended_ns is not None else None,
            outcome=self.outcome,
            last_stage=self.stage.rule.name if self.stage else None,
            last_code=self.last_code,
            duration_s=round(self.seconds(max(self.last_ns, self.start_ns)), 6),
            stages=stages,
            findings=list(self.findings),
            checks=list(self.checks.values()),
            codes=self.codes,
            lines=self.lines,
            lost=self.lost,
            anchored=self.anchored,
            blind=[
                Blind(
                    link=span.link,
                    t=round(self.seconds(span.start_ns), 6),
                    until=None if span.end_ns is None else round(self.seconds(span.end_ns), 6),
                    why=span.why,
                )
                for span in self.blind
            ],
            passes_of=self.passes_of,
            measured=self.measured,
            off_s=None if self.off_ns is None else round(self.off_ns / NS, 3),
        )


def _moved(t: float, later: float) -> float:
    return max(0.0, round(t - later, 6))


def boot_id(machine: str, anchor: Anchor, t_ns: int) -> str:
    """Return the id of a boot: the machine and the wall time of its start, so that a replay gives the same."""
    return f"{machine}-{anchor.wall(t_ns):%Y%m%d-%H%M%S}-{anchor.wall(t_ns).microsecond // 1000:03d}"


def shown(value: int) -> str:
    """Return a code as it is shown: two upper-case hex digits (the low byte of a 16-bit code)."""
    return f"{value & 0xFF:02X}"


def _told_by(means: str, help_: Help | None, limit: Limit | None) -> dict[str, object]:
    """Return the fields of a finding that its rule and its limit say."""
    told: dict[str, object] = {"means": means or None}
    if help_ is not None:
        told = {"means": help_.means or None, "try_": list(help_.try_), "caution": help_.caution or None}
    if limit is not None:
        told |= {"limit_s": limit.seconds, "limit_kind": limit.kind}
    return told
