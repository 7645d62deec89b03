"""Names that a person types into a study: machines, goals' targets, checks. One that nobody knows bends the evidence.

A goal whose stage no table has fails every good boot; a result for check `gaol` says nothing of the goal. Such names
are refused, with those that are nearest. What cannot be checked (there are no settings yet) is said.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import get_args

from benchd.errors import UsageError
from benchd.inference.study import Goal
from benchd.rules import RuleTable
from benchd.store import Store
from benchd.studies.goal import GOAL
from benchd.vocabulary.models import FindingKind
from benchd.vocabulary.nearest import meant, nearest

Tables = Mapping[str, RuleTable | None]
"""By machine of the settings its rule table; None where that does not read. Without settings there are none."""
OUR_RULES = ("silence", "floating-bus")
"""Names under which findings are raised that no table names."""
CODE_RULE = "code-"


def check_machine(store: Store, machine: str, tables: Tables) -> list[str]:
    """Refuse a machine that neither the settings nor the store have. Returns what could not be checked."""
    if not tables:
        return [f"There are no settings with machines: whether '{machine}' is one could not be checked."]
    known = [*tables, *(name for name in store.machines() if name not in tables)]
    if machine not in known:
        raise UsageError(f"no machine is called '{machine}' in the settings or the store; {meant(machine, known)}")
    return []


def check_goal(store: Store, goal: Goal, machine: str | None, tables: Tables) -> list[str]:
    """Refuse a goal that no boot of `machine` (None: of any) could reach or miss, by the machine's rule table.

    Returns sentences on what could not be checked.
    """
    unchecked = check_machine(store, machine, tables) if machine is not None else []
    if goal.kind == "result-ok":
        return unchecked
    what = f"{WHAT[goal.kind]} '{goal.target}'"
    judging = _judging(machine, tables)
    if not judging:
        why = (
            "there are no settings with machines yet" if not tables else "no rule table of its machine reads or judges"
        )
        return [*unchecked, f"Whether the goal's {what} exists could not be checked: {why}."]
    names = list(dict.fromkeys(name for table in judging for name in targets(goal.kind, table)))
    if goal.target in names or (goal.kind == "finding-absent" and goal.target.startswith(CODE_RULE)):
        return unchecked
    tables_named = ", ".join(dict.fromkeys(table.table.name for table in judging))
    if goal.kind == "check-passed" and not nearest(goal.target, names, 1):
        return [
            *unchecked,
            f"No rule of table {tables_named} reads {what} from the console: enter its results by hand.",
        ]
    raise UsageError(f"goal: the rule table {tables_named} has no {what}; {meant(goal.target, names)}")


def _judging(machine: str | None, tables: Tables) -> list[RuleTable]:
    """The rule tables that judge boots of `machine`; of all where it is None or not in the settings."""
    own = [tables[machine]] if machine is not None and machine in tables else tables.values()
    return [table for table in own if table is not None and table.table.judges]


WHAT = {
    "stage-reached": "stage",
    "stage-faster": "stage",
    "finding-absent": "finding",
    "check-passed": "check",
    "result-ok": "result",
}


def targets(kind: str, table: RuleTable) -> list[str]:
    """What a goal of this kind may name in a table."""
    stages = [stage.name for stage in table.stage]
    if kind == "check-passed":
        return checks_of(table)
    if kind != "finding-absent":
        return stages
    rules = [rule.name for part in (table.stall, table.loop, table.order, table.fault) for rule in part]
    return [*get_args(FindingKind), *stages, *rules, *OUR_RULES]


def checks_of(table: RuleTable | None) -> list[str]:
    return [] if table is None else [check.name for check in table.check]


def check_checks(
    store: Store, checks: Iterable[str], *, trial: str | None, boot: str | None, tables: Tables, new: bool
) -> None:
    """Refuse results for checks that nobody knows, unless they are meant to be `new`.

    Known are the goal, those of the machine's rule table, and those that boots or results of the study have.
    """
    if new:
        return
    known = known_checks(store, trial, boot, tables)
    odd = [check for check in dict.fromkeys(checks) if check not in known]
    if odd:
        more = f" (and {len(odd) - 1} more)" if len(odd) > 1 else ""
        raise UsageError(f"no check is called '{odd[0]}'{more} so far; {meant(odd[0], known)}; for a new one: --new")


def known_checks(store: Store, trial: str | None, boot: str | None, tables: Tables) -> list[str]:
    """Names of checks that a result for a trial or boot may have, the goal's first."""
    from benchd.studies.loaded import open_study

    found = [GOAL]
    machine = store.boot(boot).machine if boot is not None else None
    if trial is not None:
        known = store.trial(trial)
        machine = machine or known.machine
        goal = open_study(store, known.study).study.goal
        found += [goal.target] if goal.kind == "check-passed" else []
        found += [one.check for one in store.results(study=known.study)]
        found += [check.name for one in store.boots(trial=trial) for check in one.checks]
    else:
        found += [one.check for one in store.results(outside=True)]
    found += checks_of(tables.get(machine or ""))
    return list(dict.fromkeys(found))
