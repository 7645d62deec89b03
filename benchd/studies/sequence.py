"""A study's boots in their order, with what went before each: its rest without power, and whether the cover was off.

Numbered rules, the first that applies decides, for the rest before a boot:

1. What the person said of the trial's first boot (`benchd trial start --rested 20min`).
2. The time without power that the boot itself shows: its lines told when the power went and when it came.
3. After a reset there was none.
4. The boot before ended at most `SHORT_S` earlier: it was no longer than that.
5. Hardware was moved since, or things were taken out and put back: the power was off while that was done. The minutes
   of the study stand for the time it took, at most what there was between the boots.
6. Else nobody knows: a machine may have stood there switched on.

The cover counts as off before a boot when hardware was moved since the boot before, or when the person said so
(`--reseated`). A trial without a boot that counts hands both on to the next.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from benchd.inference.study import BootResult
from benchd.vocabulary.models import Boot

if TYPE_CHECKING:
    from benchd.studies.goal import Verdict
    from benchd.studies.loaded import TrialView

SHORT_S = 60.0
"""A machine that was seen alive this shortly before has not cooled down."""


def rest_before(boot: Boot, earlier: Boot | None, work_s: float | None = None) -> float | None:
    """Seconds without power before `boot`; None where nobody can tell. Rules 2 to 6.

    `work_s`: how long the work between the two took, where it was done with the power off.
    """
    if boot.off_s is not None:
        return boot.off_s
    if boot.start_reason == "reset":
        return 0.0
    if earlier is None:
        return None
    alive = datetime.fromisoformat(earlier.started) + timedelta(seconds=earlier.duration_s)
    gap = max(0.0, (datetime.fromisoformat(boot.started) - alive).total_seconds())
    return gap if gap <= SHORT_S else min(gap, work_s) if work_s is not None else None


def in_order(trials: Iterable[TrialView]) -> Iterator[tuple[TrialView, tuple[BootResult, ...]]]:
    """Each trial with its boots that count, in the order they were made."""
    from benchd.inference.candidates import RESEAT_MINUTES

    work_s: float | None = None
    earlier: dict[str, Boot] = {}
    for trial in trials:
        if trial.reseated or any(change.hardware for change in trial.changes):
            minutes = sum(change.minutes for change in trial.changes) + RESEAT_MINUTES * trial.reseated
            work_s = (work_s or 0.0) + 60 * minutes
        results = []
        rested = trial.rested_s
        for verdict, boot in _with_boots(trial.verdicts, trial.boots):
            seen = rest_before(boot, earlier.get(boot.machine), work_s) if boot is not None else None
            if verdict.ok is not None:
                results.append(BootResult(verdict.ok, seen if rested is None else rested, work_s is not None))
                work_s = None
            # Also after a boot that does not count the machine is warm, or has cooled down again.
            rested = None
            if boot is not None:
                earlier[boot.machine] = boot
        yield trial, tuple(results)


def _with_boots(verdicts: Sequence[Verdict], boots: Sequence[Boot]) -> Iterator[tuple[Verdict, Boot | None]]:
    """Verdicts with their boots, without earlier passes of a loop: those are no boots of their own."""
    known = {boot.id: boot for boot in boots}
    for verdict in verdicts:
        boot = known.get(verdict.boot) if verdict.boot is not None else None
        if boot is None or not boot.passes_of:
            yield verdict, boot
