"""Causes and next trials of a stored study: the store's trials put before `inference.causes` and `next_trial`."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, fields

from benchd.errors import UsageError
from benchd.inference.answers import CheckReport, Proposal, Weighing
from benchd.inference.forms import Count, Form, Hidden
from benchd.inference.study import TrialCounts
from benchd.inference.wording import counted
from benchd.store import Store
from benchd.studies.goal import NOT_COUNTED
from benchd.studies.loaded import LoadedStudy, TrialView, first_setup, gather, open_study
from benchd.studies.saying import Doubt, conclusion, doubts
from benchd.studies.scan_prediction import collisions, evidence_of
from benchd.studies.sequence import in_order
from benchd.studies.service import images_of

UNSEEN_MOST = 8
"""So many boots that were not well watched are told one by one."""


@dataclass(frozen=True, slots=True)
class Why(Weighing):
    """What the trials of a study say of causes.

    `conclusion`: whether the cause is settled, and if not what is missing. `doubts`: what besides the settings could
    explain the results. `remarks`: assumed levels, boots not counted, levels never tried.
    """

    study: str
    question: str
    goal: str
    trials: Count
    checks: tuple[CheckReport, ...]
    remarks: tuple[str, ...]
    conclusion: str
    doubts: tuple[Doubt, ...]
    views: Hidden[tuple[TrialView, ...]]
    known: Hidden[LoadedStudy]


@dataclass(frozen=True, slots=True)
class Next(Proposal):
    """What to try next, and where the bench stands. `benchd next --json` prints the list under `next`."""

    study: str
    current: dict[str, str]
    current_from: str
    remarks: tuple[str, ...]


def _values(value: Form) -> dict[str, object]:
    return {one.name: getattr(value, one.name) for one in fields(value)}  # type: ignore[arg-type]


def why(store: Store, name: str, *, check: str | None = None) -> Why:
    """Weigh the causes of a study; with `check`, of that check's failing instead of the goal's.

    Raises UsageError for an unknown study, or a check that no trial has.
    """
    from benchd.inference.causes import weigh
    from benchd.inference.checks import compare_checks, trials_for_check

    known = open_study(store, name)
    views = gather(store, known)
    trials = counted_trials(views)
    reports = compare_checks(known.study, trials)
    weighed: Sequence[TrialCounts] = trials
    if check is not None:
        weighed = trials_for_check(trials, check)
        if not weighed:
            names = ", ".join(report.check for report in reports) or "none"
            raise UsageError(f"study '{name}': no trial has a check '{check}'; there are {names}")
    weighing = weigh(known.study, weighed, evidence=evidence_of(known.document, views))
    return Why(
        **_values(weighing),  # type: ignore[arg-type]
        study=known.name,
        question=known.study.question,
        goal=known.study.goal.words(),
        trials=len(views),
        checks=reports,
        remarks=tuple(remarks(known, views, weighed)),
        conclusion=conclusion(weighing),
        doubts=doubts(weighing),
        views=tuple(views),
        known=known,
    )


def counted_trials(views: Sequence[TrialView]) -> list[TrialCounts]:
    """The trials as causes are weighed by them, every boot in its place."""
    return [view.counts(results) for view, results in in_order(views)]


def remarks(known: LoadedStudy, views: Sequence[TrialView], trials: Sequence[TrialCounts]) -> list[str]:
    """What a person should know about the trials besides their results, in sentences."""
    # A check counts as a trial too: what it was entered for was tried, whatever became of the goal.
    tried = [view for view in views if view.counted or view.checks]
    assumed = sorted({name for view in views for name in view.assumed})
    fixed = _never_changed(known, tried)
    booted: Counter[tuple[tuple[str, str], ...]] = Counter()
    for trial in trials:
        booted[tuple(sorted(trial.setup.items()))] += trial.boots
    against = [view.id for view in tried if view.excluded]
    told = (
        (assumed, f"Trials from before {', '.join(assumed)} became a factor count as its reference or first level."),
        (fixed, f"Never changed so far: {', '.join(fixed)}."),
        (
            max(booted.values(), default=0) == 1,
            "Every setup was booted once only: repeat a result before acting on it.",
        ),
        (against, f"Tried although the study excludes it: {', '.join(against)}."),
    )
    return [*_measured(views), *_not_counted(views), *(text for applies, text in told if applies)]


def _measured(views: Sequence[TrialView]) -> list[str]:
    """Trials whose machine told that it was set up otherwise than was said, and what became of that."""
    out = []
    for view in views:
        for one in view.differs:
            counts = "it is not weighed" if one.level is None else f"it is weighed as {one.factor} {one.level}"
            out.append(f"{view.id}: {one.means.removesuffix('.')} (measured, boot {one.boot}): {counts}.")
    return out


def _not_counted(views: Sequence[TrialView]) -> list[str]:
    """Boots that say nothing of the goal: those that were not well watched each with its reason, the rest counted."""
    lost = [(view.id, verdict) for view in views for verdict in view.verdicts if verdict.ok is None]
    unseen = [(trial, verdict) for trial, verdict in lost if verdict.why.startswith(NOT_COUNTED)]
    out = [f"Boot {verdict.boot} of {trial} is {verdict.why}." for trial, verdict in unseen[:UNSEEN_MOST]]
    if len(unseen) > UNSEEN_MOST:
        out.append(f"{counted(len(unseen) - UNSEEN_MOST, 'more boot')} like these not counted.")
    rest = len(lost) - len(unseen)
    if rest:
        are = "is" if rest == 1 else "are"
        why = "(running, cut short, link lost, or no result entered)"
        out.append(f"{counted(rest, 'boot')} {are} not counted for the goal {why}.")
    return out


def _never_changed(known: LoadedStudy, tried: Sequence[TrialView]) -> list[str]:
    return [
        factor.name
        for factor in known.study.factors
        if len(factor.levels) > 1 and len({view.real_setup[factor.name] for view in tried}) == 1
    ]


def next_trials(store: Store, name: str, *, limit: int = 5, with_collisions: bool = False) -> Next:
    """Rank the next trials from where the bench stands: the running trial, else the last one, else the reference.

    Setups for which the map foretells a collision are left out unless `with_collisions`.
    """
    from benchd.inference.next_trial import propose

    known = open_study(store, name)
    views = gather(store, known)
    if views:
        current, came = views[-1].real_setup, views[-1].id
    else:
        current = first_setup(known.study)
        came = "the reference setup" if known.study.reference else "the first levels"
    leave_out, notes = (
        ((), []) if with_collisions else collisions(known.document, known.study, images_of(store, known.document))
    )
    proposal = propose(
        known.study,
        counted_trials(views),
        current,
        limit=limit,
        leave_out=leave_out,
        evidence=evidence_of(known.document, views),
    )
    return Next(
        **_values(proposal),  # type: ignore[arg-type]
        study=known.name,
        current=current,
        current_from=came,
        remarks=tuple(notes),
    )
