"""Studies in the store, with their documents; and their trials with everything that was seen of them.

    save(store, name, document, now)        store a checked document; refuses one that old trials do not fit
    open_study(store, name) -> LoadedStudy        the stored study, its document, and the pure `Study`
    summaries(store) -> list[Summary]       all studies with counts
    gather(store, known) -> list[TrialView] trials with boots, verdicts, checks, predictions, what changed
    pure_trials(views) -> tuple[Trial, ...] what `trials` reasons about

All results have `to_json`. Times are ISO 8601 with zone and come in as arguments.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from pydantic import ValidationError

from benchd.errors import UsageError
from benchd.inference.study import Change, Study
from benchd.inference.study import Trial as PureTrial
from benchd.store import Prediction, Result, Store, Trial
from benchd.store import Study as StoredStudy
from benchd.studies.document import StudyDocument, check_whole
from benchd.studies.goal import GOAL, Verdict, check_results, judge
from benchd.vocabulary.models import Boot

IMPORTED = "(imported)"
"""The machine of trials that came from a file: no boot of theirs is in the store."""


@dataclass(frozen=True, slots=True)
class LoadedStudy:
    """A stored study: its record, its document, and the study as `trials` sees it."""

    record: StoredStudy
    document: StudyDocument
    study: Study

    @property
    def name(self) -> str:
        return self.record.name

    def to_json(self) -> dict[str, Any]:
        return {
            "name": self.name,
            "created": self.record.created,
            "edited": self.record.edited,
            "document": self.document.to_json(),
            "goal": self.study.goal.words(),
        }


@dataclass(frozen=True, slots=True)
class Summary:
    """One line about a study."""

    name: str
    question: str
    goal: str
    factors: int
    trials: int
    running: str | None
    edited: str

    def to_json(self) -> dict[str, Any]:
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(frozen=True, slots=True)
class TrialView:
    """A trial with what was seen of it. `setup` is complete; `assumed` names factors that it did not state.

    `repeats` is the first trial with the same setup; `changes` are those since the trial before.
    """

    trial: Trial
    setup: Mapping[str, str]
    assumed: tuple[str, ...]
    boots: tuple[Boot, ...]
    results: tuple[Result, ...]
    verdicts: tuple[Verdict, ...]
    checks: Mapping[str, tuple[int, int]]
    predictions: tuple[Prediction, ...]
    changes: tuple[Change, ...]
    repeats: str | None
    excluded: str | None = field(default=None)

    @property
    def ok(self) -> int:
        return sum(verdict.ok is True for verdict in self.verdicts)

    @property
    def counted(self) -> int:
        return sum(verdict.ok is not None for verdict in self.verdicts)

    def pure(self) -> PureTrial:
        return PureTrial(self.trial.id, self.setup, self.ok, self.counted, self.checks)

    def to_json(self) -> dict[str, Any]:
        return {
            "id": self.trial.id,
            "study": self.trial.study,
            "machine": self.trial.machine,
            "started": self.trial.started,
            "ended": self.trial.ended,
            "note": self.trial.note,
            "setup": dict(self.setup),
            "assumed": list(self.assumed),
            "changes": [change.to_json() for change in self.changes],
            "repeats": self.repeats,
            "excluded": self.excluded,
            "ok": self.ok,
            "fail": self.counted - self.ok,
            "not_counted": len(self.verdicts) - self.counted,
            "boots": [verdict.to_json() for verdict in self.verdicts],
            "checks": {name: {"passed": k, "done": n} for name, (k, n) in self.checks.items()},
            "predictions": [one.document for one in self.predictions],
        }


def open_study(store: Store, name: str) -> LoadedStudy:
    """A stored study. Raises UsageError when there is none, or a document of a newer benchd."""
    record = store.study(name)
    try:
        document = StudyDocument.model_validate(record.document)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise UsageError(f"study '{name}': its stored document does not read: {where}: {first['msg']}") from None
    return LoadedStudy(record, document, document.pure(name))


def save(
    store: Store, name: str, document: StudyDocument, now: str, *, text: str = "", file: str = "study"
) -> LoadedStudy:
    """Store a document under `name`. Raises FileProblems for parts that do not fit, UsageError for trials.

    A level that a trial used cannot be taken out: the trial would mean nothing any more.
    """
    document = check_whole(document, text, file)
    pure = document.pure(name)
    names = {one.name for one in store.studies()}
    created = store.study(name).created if name in names else now
    for trial in store.trials(study=name) if name in names else []:
        for factor, level in trial.setup.items():
            one = document.factor_named(factor)
            if one is None or level not in one.levels:
                what = f"level '{level}' of factor '{factor}'" if one else f"factor '{factor}'"
                raise UsageError(f"study '{name}': trial {trial.id} has {what}; keep it in the document")
    record = StoredStudy(name=name, document=document.to_json(), created=created, edited=now)
    store.save_study(record)
    return LoadedStudy(record, document, pure)


def summaries(store: Store) -> list[Summary]:
    """All studies, the one edited last first."""
    out = []
    for record in store.studies():
        known = open_study(store, record.name)
        trials = store.trials(study=record.name)
        running = next((t.id for t in trials if t.ended is None), None)
        out.append(
            Summary(
                record.name,
                known.study.question,
                known.study.goal.words(),
                len(known.study.factors),
                len(trials),
                running,
                record.edited,
            )
        )
    return out


def first_setup(study: Study) -> dict[str, str]:
    """Where a study begins when nothing was tried: the reference, else the first setup that is allowed."""
    if study.reference is not None:
        return dict(study.reference)
    found = next(study.setups(), None)
    if found is None:
        raise UsageError(f"study '{study.name}': the exclusions forbid every setup; remove one")
    return found


def complete(study: Study, setup: Mapping[str, str]) -> tuple[dict[str, str], tuple[str, ...]]:
    """`setup` with factors that were added to the study later at their first (or reference) level."""
    base = study.reference or {factor.name: factor.levels[0] for factor in study.factors}
    missing = tuple(factor.name for factor in study.factors if factor.name not in setup)
    return {f.name: setup.get(f.name, base[f.name]) for f in study.factors}, missing


def gather(store: Store, known: LoadedStudy, *, predictions: bool = True) -> list[TrialView]:
    """Every trial of the study, oldest first, with boots judged by the goal."""
    study = known.study
    results: dict[str | None, list[Result]] = defaultdict(list)
    for result in store.results(study=study.name):
        results[result.trial].append(result)
    out: list[TrialView] = []
    first: dict[tuple[tuple[str, str], ...], str] = {}
    before: dict[str, str] | None = None
    for trial in store.trials(study=study.name):
        setup, assumed = complete(study, trial.setup)
        boots = () if trial.machine == IMPORTED else tuple(store.boots(trial=trial.id, newest_first=False))
        own = tuple(results[trial.id])
        verdicts, checks = judged(study, boots, own)
        key = tuple(sorted(setup.items()))
        told = predictions and known.document.map is not None
        out.append(
            TrialView(
                trial=trial,
                setup=setup,
                assumed=assumed,
                boots=boots,
                results=own,
                verdicts=verdicts,
                checks=checks,
                predictions=tuple(store.predictions(trial.id)) if told else (),
                changes=study.changes(before, setup) if before is not None else (),
                repeats=first.get(key),
                excluded=study.excluded(setup),
            )
        )
        first.setdefault(key, trial.id)
        before = setup
    return out


def judged(
    study: Study, boots: Sequence[Boot], results: Sequence[Result]
) -> tuple[tuple[Verdict, ...], dict[str, tuple[int, int]]]:
    """Verdicts of one trial's boots and of goals entered without a boot; checks as (passed, done)."""
    known = {boot.id for boot in boots}
    of_boot: dict[str, list[Result]] = defaultdict(list)
    loose = []
    for result in results:
        if result.boot is not None:
            of_boot[result.boot].append(result)
        else:
            loose.append(result)
    verdicts = [judge(study.goal, boot, of_boot[boot.id]) for boot in boots]
    counts: dict[str, list[bool]] = defaultdict(list)
    for boot in boots:
        if not boot.passes_of:
            for name, passed in check_results(boot, of_boot[boot.id]).items():
                counts[name].append(passed)
    for name, own in of_boot.items():
        if name in known:
            continue
        # The boot's record is gone (captures can be deleted); what a person entered is not.
        entered = {one.check: one for one in own}
        for check, one in entered.items():
            if check == GOAL:
                verdicts.append(Verdict(name, one.passed, "entered; the boot is not in the store", one.source))
            else:
                counts[check].append(one.passed)
    for one in loose:
        if one.check == GOAL or (study.goal.kind == "check-passed" and one.check == study.goal.target):
            verdicts.append(Verdict(None, one.passed, one.note or "entered without a boot", one.source))
        if one.check != GOAL:
            counts[one.check].append(one.passed)
    return tuple(verdicts), {name: (sum(found), len(found)) for name, found in counts.items()}


def pure_trials(views: Sequence[TrialView]) -> tuple[PureTrial, ...]:
    """The trials as `trials` reasons about them."""
    return tuple(view.pure() for view in views)
