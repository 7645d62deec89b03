"""What `benchd run` says: one line at a boot's start and end, at a stall and its recovery, at a change of trial."""

from __future__ import annotations

import logging
from collections import deque
from collections.abc import Mapping

from benchd.vocabulary.events import BootOver, BootStarted, Event, FindingCleared, FindingRaised, LinkChanged
from benchd.vocabulary.models import Boot, Finding, GoalNow
from benchd.vocabulary.times import NS

log = logging.getLogger(__name__)
boots = logging.getLogger("benchd.boots")
"""What `benchd run --quiet` leaves out."""

MOST, WITHIN_NS = 12, 10 * NS
"""So many lines of starts and ends of a machine in this time: a machine that loops must not flood the terminal."""


class Telling:
    """Says events in lines of the log. `judges` tells whether a machine's table knows how a boot ends."""

    def __init__(self) -> None:
        self._said: dict[str, deque[int]] = {}
        self._left: dict[str, int] = {}

    def event(self, event: Event, judges: bool) -> None:
        """Say an event, if it is one that is said."""
        match event:
            case LinkChanged():
                level = logging.INFO if event.up else logging.WARNING
                log.log(level, "%s %s: %s", event.machine, event.link, event.reason)
            case BootStarted() if not event.recovered:
                self._line(event.machine, event.t_ns, f"a boot begins ({event.boot.start_reason}){_of(event.boot)}")
            case BootOver() if event.boot.passes_of is None:
                self._line(event.machine, event.t_ns, _ended(event.boot) if judges else _recorded(event.boot))
            case FindingRaised() if event.alert:
                boots.warning("%s: %s at %.1f s", event.machine, _found(event.finding), event.finding.t)
            case FindingCleared():
                found, stood = event.finding, event.stood_s
                boots.info("%s: %s: %s is over after %.1f s", event.machine, found.kind, found.rule, stood)

    def _line(self, machine: str, t_ns: int, text: str) -> None:
        said = self._said.setdefault(machine, deque())
        while said and said[0] < t_ns - WITHIN_NS:
            said.popleft()
        if len(said) >= MOST:
            self._left[machine] = self._left.get(machine, 0) + 1
            return
        said.append(t_ns)
        if left := self._left.pop(machine, 0):
            boots.info("%s: %d more starts and ends of boots were not said one by one", machine, left)
        boots.info("%s: %s", machine, text)

    def trial(self, machine: str, facts: Mapping[str, str | None]) -> None:
        """Say which trial a machine's boots belong to from now on, and that one may have been forgotten.

        `facts` as of `TrialFollower`.
        """
        if facts["trial"] is None:
            boots.info("%s: no trial runs any more; boots seen now belong to none", machine)
        elif facts["trial_left"] is not None:
            boots.warning("%s: %s", machine, facts["trial_left"])
        else:
            boots.info("%s: trial %s of study '%s' runs", machine, facts["trial"], facts["trial_study"])

    def goal(self, machine: str, goal: GoalNow) -> None:
        """Say whether a boot reached what its trial is for."""
        how = goal.entered or ("reached" if goal.ok else "NOT REACHED")
        boots.info("%s: goal %s%s", machine, how, f": {goal.why}" if goal.why else "")


def _of(boot: Boot) -> str:
    return f", trial {boot.trial}" if boot.trial else ""


def _recorded(boot: Boot) -> str:
    return f"boot recorded: {boot.codes} codes, {boot.lines} lines, {boot.duration_s:.1f} s"


def _ended(boot: Boot) -> str:
    where = f" in {boot.last_stage}" if boot.last_stage else ""
    code = f", last code {boot.last_code}" if boot.last_code else ""
    return f"boot {boot.outcome}{where} after {boot.duration_s:.1f} s{code}{_of(boot)}"


def _found(found: Finding) -> str:
    """A finding as a line begins."""
    if found.kind == "skipped":
        return f"SKIPPED: finished, but {found.stage} was never reached,"
    where = f" in {found.stage}" if found.stage else ""
    return f"{found.kind.upper()}: {found.rule}{where}"
