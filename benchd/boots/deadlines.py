"""What silence means: the next instant at which it will be judged, and how.

A deadline is a pure function of the boot's state, so that it falls at the same instant however often time is
looked at. In order of precedence for the boot that is running:

1. A known stall point whose `after` was the last code or the last text (the later of the two): its `quiet`.
2. A known stall point `in` the stage that the boot is in: its `quiet`.
3. Unknown: silence beyond the stage's limit; where the stage has none, beyond the table's `quiet`.

A stage over its limit that still shows life is slow, not stalled; `tracker.py` tells of it at that sign of life.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from benchd.boots.limits import Limit
from benchd.boots.state import BootState
from benchd.rules.schema import RuleTable, StallRule
from benchd.vocabulary.times import NS

FINISH_NS = NS // 2
"""Wait after the final stage before "finished without" is judged: console lines may still be unfinished."""
SETTLE_NS = 5 * NS
"""A stall, loop or lost link that stood this long is counted as how the boot ended."""
OFF_NS = 2 * NS
"""A target that shows life this soon after "power off" only dropped its DTR."""

What = Literal["known", "unknown", "quiet", "finish", "settle", "off"]


@dataclass(frozen=True, slots=True)
class Deadline:
    """At `t_ns`, judge `what`. `stall` is the rule for a known stall point, `limit` what was exceeded."""

    t_ns: int
    what: What
    limit: Limit | None = None
    stall: StallRule | None = None


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
    inside = [s for s in table.stall if stage is not None and s.in_ == stage.rule.name]
    return min(inside, key=lambda rule: rule.quiet, default=None)


def silence(boot: BootState, table: RuleTable) -> list[Deadline]:
    """Return the deadlines of a running boot that is not standing still yet."""
    if boot.codes == 0 and boot.lines == 0:
        power = _table_limit(table, "power_quiet")
        return [Deadline(boot.start_ns + _ns(power.seconds), "quiet", power)]
    out = []
    stage = boot.stage
    limit = stage.limit if stage is not None else None
    known = known_stall(boot, table)
    if known is not None:
        out.append(Deadline(boot.last_ns + _ns(known.quiet), "known", Limit(known.quiet, "explicit"), known))
    elif stage is not None and limit is not None:
        pause = min(limit.seconds, table.boot.quiet)
        t_ns = max(stage.t_ns + _ns(limit.seconds), boot.last_ns + _ns(pause))
        out.append(Deadline(t_ns, "unknown", limit))
    else:
        quiet = _table_limit(table, "quiet")
        out.append(Deadline(boot.last_ns + _ns(quiet.seconds), "unknown", quiet))
    return out
