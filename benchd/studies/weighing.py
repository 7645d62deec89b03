"""Causes and next trials of a stored study: the store's trials put before `trials.causes` and `next_trial`.

why(store, name, check=None) -> Why          causes weighed, checks across setups, remarks
next_trials(store, name, ...) -> Next        what to try next, or that it is time to stop
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from benchd.errors import UsageError
from benchd.inference.study import Trial
from benchd.inference.wording import counted
from benchd.store import Store
from benchd.studies.loaded import LoadedStudy, TrialView, gather, open_study, pure_trials
from benchd.studies.scan_prediction import collisions, evidence_of
from benchd.studies.service import images_of

if TYPE_CHECKING:
    from benchd.inference.causes import Weighing
    from benchd.inference.checks import CheckReport
    from benchd.inference.next_trial import Proposal


@dataclass(frozen=True, slots=True)
class Why:
    """What `benchd why` shows. `remarks`: assumed levels, boots not counted, levels never tried."""

    known: LoadedStudy
    views: tuple[TrialView, ...]
    weighing: Weighing
    checks: tuple[CheckReport, ...]
    remarks: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """The contract of `benchd why --json`."""
        return self.weighing.to_json() | {
            "study": self.known.name,
            "question": self.known.study.question,
            "goal": self.known.study.goal.words(),
            "trials": len(self.views),
            "checks": [report.to_json() for report in self.checks],
            "remarks": list(self.remarks),
        }


@dataclass(frozen=True, slots=True)
class Next:
    """What `benchd next` shows: the proposals, and where the bench stands."""

    known: LoadedStudy
    current: dict[str, str]
    current_from: str
    proposal: Proposal
    remarks: tuple[str, ...]

    def to_json(self) -> list[dict[str, Any]]:
        """The contract of `benchd next --json`: a list, the best first."""
        return [dict(one) for one in self.proposal.to_json()]

    def with_context(self) -> dict[str, Any]:
        """The same list under `next`, with whether to stop, the advice and the current setup (for the page)."""
        return {
            "study": self.known.name,
            "current": self.current,
            "current_from": self.current_from,
            "stop": self.proposal.stop,
            "advice": self.proposal.advice,
            "left_out": list(self.proposal.left_out),
            "remarks": list(self.remarks),
            "next": self.to_json(),
        }


def why(store: Store, name: str, *, check: str | None = None) -> Why:
    """Weigh the causes of a study; with `check`, of that check's failing instead of the goal's.

    Raises UsageError for an unknown study, or a check that no trial has.
    """
    from benchd.inference.causes import weigh
    from benchd.inference.checks import compare_checks, trials_for_check

    known = open_study(store, name)
    views = gather(store, known)
    trials = pure_trials(views)
    reports = compare_checks(known.study, trials)
    weighed = trials
    if check is not None:
        weighed = trials_for_check(trials, check)
        if not weighed:
            names = ", ".join(report.check for report in reports) or "none"
            raise UsageError(f"study '{name}': no trial has a check '{check}'; there are {names}")
    evidence = evidence_of(known.document, known.study, views)
    weighing = weigh(known.study, weighed, evidence=evidence)
    return Why(known, tuple(views), weighing, reports, tuple(remarks(known, views, weighed)))


def remarks(known: LoadedStudy, views: Sequence[TrialView], trials: Sequence[Trial]) -> list[str]:
    """What a person should know about the trials besides their results, in sentences."""
    out = []
    lost = sum(len(view.verdicts) - view.counted for view in views)
    if lost:
        out.append(
            f"{counted(lost, 'boot')} {'is' if lost == 1 else 'are'} not counted for the goal "
            "(running, cut short, link lost, or no result entered)."
        )
    assumed = sorted({name for view in views for name in view.assumed})
    if assumed:
        out.append(f"Trials from before {', '.join(assumed)} became a factor count as its reference or first level.")
    # A check counts as a trial too: what it was entered for was tried, whatever became of the goal.
    tried = [view for view in views if view.counted or view.checks]
    fixed = [
        factor.name
        for factor in known.study.factors
        if len(factor.levels) > 1 and tried and len({view.setup[factor.name] for view in tried}) == 1
    ]
    if fixed:
        out.append(f"Never changed so far: {', '.join(fixed)}.")
    booted: Counter[tuple[tuple[str, str], ...]] = Counter()
    for trial in trials:
        booted[tuple(sorted(trial.setup.items()))] += trial.boots
    if max(booted.values(), default=0) == 1:
        out.append("Every setup was booted once only: repeat a result before acting on it.")
    against = [view.trial.id for view in tried if view.excluded]
    if against:
        out.append(f"Tried although the study excludes it: {', '.join(against)}.")
    return out


def next_trials(store: Store, name: str, *, limit: int = 5, with_collisions: bool = False) -> Next:
    """Rank the next trials from where the bench stands: the running trial, else the last one, else the reference.

    Setups for which the map foretells a collision are left out unless `with_collisions`.
    """
    from benchd.inference.next_trial import propose
    from benchd.studies.loaded import first_setup

    known = open_study(store, name)
    views = gather(store, known)
    if views:
        current, came = dict(views[-1].setup), views[-1].trial.id
    else:
        current = first_setup(known.study)
        came = "the reference setup" if known.study.reference else "the first levels"
    leave_out, notes = (
        ((), []) if with_collisions else collisions(known.document, known.study, images_of(store, known.document))
    )
    proposal = propose(
        known.study,
        pure_trials(views),
        current,
        limit=limit,
        leave_out=leave_out,
        evidence=evidence_of(known.document, known.study, views),
    )
    return Next(known, current, came, proposal, tuple(notes))
