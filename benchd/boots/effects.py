"""What the rules that fired do to a boot: stages, faults, checks, codes that repeat, stages over their limit."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from benchd.boots.loops import repeated
from benchd.boots.machine import BootMachine
from benchd.boots.state import BootState
from benchd.rules.match import Hit
from benchd.vocabulary.events import StageEntered
from benchd.vocabulary.models import Check
from benchd.vocabulary.times import NS


def apply(machine: BootMachine, hits: Sequence[Hit], when: Callable[[Hit], int], u_ns: int) -> None:
    """Let the stages, faults and checks among `hits` take effect; `when` gives a hit's time (ns)."""
    boot = machine.boot
    if boot is None:
        return
    for hit in hits:
        t_ns = when(hit)
        if hit.role == "stage" and machine.phase != "over":
            _enter(machine, boot, hit.index, t_ns, u_ns)
        elif hit.role == "fault":
            rule = machine.table.fault[hit.index]
            machine.raise_finding(boot.note("fault", rule.name, t_ns, help_=rule), t_ns)
        elif hit.role in ("pass", "fail"):
            name = machine.table.check[hit.index].name
            passed = hit.role == "pass"
            boot.checks[name] = Check(name=name, passed=passed, t=round(boot.seconds(t_ns), 6))
            machine.changed(t_ns)


def _enter(machine: BootMachine, boot: BootState, index: int, t_ns: int, u_ns: int) -> None:
    step = machine.ladder.enter(boot, index, t_ns, u_ns)
    if step is None:
        return
    rule, entered_ns = step.entered.rule, step.entered.t_ns
    machine.stage_entered(rule.name, entered_ns, rule.final)
    machine.out.append(
        StageEntered(
            machine=machine.machine,
            t_ns=entered_ns,
            boot=boot.id,
            stage=rule.name,
            index=index,
            t=round(boot.seconds(entered_ns), 6),
            u=round((u_ns + boot.start_u_ns) / NS, 6),
            previous=step.previous.rule.name if step.previous else None,
            previous_s=step.previous_s,
        )
    )
    for finding in step.findings:
        machine.raise_finding(finding, t_ns)
    machine.changed(t_ns)


def tell_slow(machine: BootMachine, t_ns: int) -> None:
    """A sign of life: if the stage is over its limit by now, it is slow."""
    boot = machine.boot
    stage = boot.stage if boot is not None and machine.phase in ("running", "looping") else None
    if boot is None or stage is None or stage.limit is None or stage.slow:
        return
    length, limit = (t_ns - stage.t_ns) / NS, stage.limit
    if length <= limit.seconds:
        return
    stage.slow = True
    detail = f"still alive after {length:.3g} s, limit {limit.seconds:.3g} s ({limit.kind})"
    name, means = stage.rule.name, stage.rule.means
    machine.raise_finding(boot.note("slow", name, t_ns, limit=limit, means=means, detail=detail), t_ns)


def tell_loops(machine: BootMachine, boot: BootState, t_ns: int) -> None:
    """Codes that repeat within a boot, as a rule of the table has them."""
    for rule in machine.table.loop:
        if repeated(boot.recent, rule):
            codes = " ".join(str(c) for c in rule.codes)
            detail = f"{codes}, {rule.times} times"
            machine.raise_finding(boot.note("loop", rule.name, t_ns, help_=rule, detail=detail), t_ns)
