"""What every machine on every bench does now, from what benches keep at the broker. In memory only."""

from __future__ import annotations

from benchd.archive.intake import Taken
from benchd.archive.names import there, there_or_none
from benchd.archive.reading import StatusTold
from benchd.sinks.mqtt.payloads import MachineAlert, MachineState
from benchd.web.responses import WallAlert, WallMachine

MACHINES_MOST = 20_000
"""Machines shown at once: whoever may write to the broker must not fill the memory."""


class Wall:
    """The newest state and alert of each machine, and each bench's status."""

    def __init__(self) -> None:
        self._states: dict[tuple[str, str], MachineState] = {}
        self._alerts: dict[tuple[str, str], MachineAlert] = {}
        self._benches: dict[str, StatusTold] = {}

    def feed(self, taken: Taken) -> None:
        for status in taken.statuses:
            self._benches[status.bench] = status
        for one in taken.live:
            key = (one.bench, one.machine)
            kept: dict[tuple[str, str], MachineState] | dict[tuple[str, str], MachineAlert]
            kept = self._states if isinstance(one.now, MachineState) else self._alerts
            if key in kept or len(kept) < MACHINES_MOST:
                kept[key] = one.now  # type: ignore[assignment]  # each kind has its own

    def machines(self) -> list[WallMachine]:
        """All machines: those that are stuck first, then those that boot, then by bench and name."""
        found = [self._machine(*key) for key in {**self._states, **self._alerts}]
        order = {True: 0, False: 1}
        return sorted(
            found,
            key=lambda one: (order[bool(one.alerts) or one.stuck], one.outcome != "running", one.bench, one.machine),
        )

    def _machine(self, bench: str, machine: str) -> WallMachine:
        state, alert = self._states.get((bench, machine)), self._alerts.get((bench, machine))
        status = self._benches.get(bench)
        known = state or alert
        now = {} if state is None else state.model_dump(include={"outcome", "stage", "code", "stuck"})
        if state is not None:
            now |= {
                "boot": there_or_none(state.boot, bench),
                "trial": there_or_none(state.trial, bench),
                "links_down": sorted(name for name, up in state.links.items() if not up),
            }
        return WallMachine(
            bench=bench,
            machine=machine,
            name=there(machine, bench),
            online=None if status is None else status.status.online,
            reason="" if status is None else status.status.reason,
            at=known.at if known else "",
            **now,
            alerts=[
                WallAlert(
                    kind=one.kind, rule=one.rule, since=one.since, stage=one.stage, code=one.code, means=one.means,
                )
                for one in (alert.standing if alert else [])
            ],
        )  # fmt: skip
