"""What silence means: the next instant at which it will be judged, and how.

A deadline is a pure function of the boot's state, so that it falls at the same instant however often time is
looked at. `in_force` is the one place that says which limit holds; in order of precedence:

1. A known stall point whose `after` was the last code or the last text (the later of the two): its `quiet`.
2. A known stall point `in` the stage that the boot is in: its `quiet`.
3. Unknown: silence beyond the stage's limit; where the stage has none, beyond the table's `quiet`.

A stage over its limit that still shows life is slow, not stalled; `tracker.py` tells of it at that sign of life. Text
that only repeats (dots, a counter) is life up to the stage's limit and silence from there on: `BootState.alive_ns`.
Silence while nobody looked (`BootState.watched_ns`) is no silence.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from benchd.boots.limits import Limit, limit_for
from benchd.boots.state import BootState
from benchd.rules.schema import RuleTable, StageRule, StallRule
from benchd.vocabulary.models import FindingKind
from benchd.vocabulary.quick import quick
from benchd.vocabulary.times import NS

FINISH_NS = NS // 2
"""Wait after the final stage before "finished without" is judged: console lines may still be unfinished."""
SETTLE_NS = 5 * NS
"""A stall, loop or lost link that stood this long is told as how the boot ended, for now."""
OFF_NS = 2 * NS
"""A target that shows life this soon after "power off" only dropped its DTR."""

What = Literal["known", "unknown", "quiet", "waited", "settle", "off", "report"]
SILENCE: dict[str, tuple[FindingKind, str, str]] = {
    "quiet": (
        "quiet",
        "quiet-after-power-on",
        "Nothing at all after power-on: no POST code and no text. Before any code runs, the supply, "
        "the clock, the reset line, the CPU and the BIOS ROM must work.",
    ),
    "unknown": (
        "stall",
        "unknown",
        "Silent for longer than allowed here, and no rule of the table knows this place.",
    ),
}
"""What silence is called where no rule knows the place: kind, rule, meaning."""


@quick
@dataclass(frozen=True, slots=True)
class Deadline:
    """At `t_ns`, judge `what`. `stall` is the rule for a known stall point, `limit` what was exceeded."""

    t_ns: int
    what: What
    limit: Limit | None = None
    stall: StallRule | None = None

    @property
    def rule(self) -> str:
        """The name of what silence will mean: a rule of the table, or `silence`."""
        return self.stall.name if self.stall is not None else "silence"


def _ns(seconds: float) -> int:
    return round(seconds * NS)


def _table_limit(table: RuleTable, key: str) -> Limit:
    """Return `[boot] quiet` or `power_quiet`, and whether the table or benchd says so."""
    return Limit(getattr(table.boot, key), "explicit" if key in table.boot.model_fields_set else "default")


def known_stall(boot: BootState, table: RuleTable) -> StallRule | None:
    """Return the known stall point that silence would now mean, if there is one."""
    if boot.after:
        latest = max(seen for _, seen in boot.after)
        rules = [table.stall[i] for i, seen in boot.after if seen == latest]
        return min(rules, key=lambda rule: rule.quiet)
    stage = boot.stage
    if stage is None:
        return None
    if not stage.looked:  # a table is not changed within a boot, and may have thousands
        stage.stall, stage.looked = stall_in(table, stage.rule), True
    return stage.stall


def stall_in(table: RuleTable, stage: StageRule) -> StallRule | None:
    """Return the known stall point `in` a stage, the most impatient one."""
    inside = [s for s in table.stall if s.in_ == stage.name]
    return min(inside, key=lambda rule: rule.quiet, default=None)


def in_force(table: RuleTable, stall: StallRule | None, limit: Limit | None) -> Limit:
    """Return the limit that silence is judged by: at a known stall point, else the stage's, else the table's."""
    if stall is not None:
        return Limit(stall.quiet, "explicit")
    return limit if limit is not None else _table_limit(table, "quiet")


def stage_limit(table: RuleTable, stage: StageRule, learned: Limit | None) -> Limit:
    """Return the limit in force in a stage, before anything is seen in it that leads to another stall point."""
    return in_force(table, stall_in(table, stage), limit_for(stage, learned))


def least_quiet(table: RuleTable) -> float:
    """Return the least silence (s) that any stall point of a table, or silence where none is known, waits for."""
    return min([rule.quiet for rule in table.stall] + [table.boot.quiet])


def soonest(boot: BootState, least_s: float) -> int:
    """Return an instant (ns) before which `silence` does not fall in a boot that has shown life, whatever its `after`.

    `least_s` is its table's `least_quiet`.
    """
    limit = None if boot.stage is None else boot.stage.limit
    return boot.alive_ns + _ns(least_s if limit is None else min(least_s, limit.seconds))


def silence(boot: BootState, table: RuleTable) -> Deadline:
    """Return the deadline of silence for a running boot that is not stalled yet."""
    if boot.codes == 0 and boot.lines == 0:
        power = _table_limit(table, "power_quiet")
        return Deadline(max(boot.start_ns, boot.watched_ns) + _ns(power.seconds), "quiet", power)
    stage, stall = boot.stage, known_stall(boot, table)
    limit = in_force(table, stall, stage.limit if stage is not None else None)
    quiet_ns = max(boot.alive_ns, boot.watched_ns)
    if stall is not None:
        return Deadline(quiet_ns + _ns(limit.seconds), "known", limit, stall)
    if stage is None or stage.limit is None:
        return Deadline(quiet_ns + _ns(limit.seconds), "unknown", limit)
    pause = min(limit.seconds, table.boot.quiet)
    return Deadline(max(stage.t_ns + _ns(limit.seconds), quiet_ns + _ns(pause)), "unknown", limit)
