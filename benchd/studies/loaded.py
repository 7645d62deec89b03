"""Studies in the store, with their documents; and their trials with everything that was seen of them.

All results have `to_json`. Times are ISO 8601 with zone and come in as arguments.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import Field, ValidationError, computed_field

from benchd.checkwords import first_words
from benchd.errors import UsageError
from benchd.inference.forms import Count, Form, Hidden
from benchd.inference.study import BootResult, Change, Study, TrialCounts
from benchd.store import Hand, Result, Store, StoredImage, StoredStudy, Trial
from benchd.studies.document import StudyDocument, check_whole
from benchd.studies.goal import (
    GOAL,
    Verdict,
    check_results,
    cut_at_one_place,
    judge,
    left_out_words,
    needed_links,
)
from benchd.studies.tables import table_of
from benchd.vocabulary.measured import SetupDiffers
from benchd.vocabulary.models import Boot
from benchd.vocabulary.times import duration_words

IMPORTED = "(imported)"
"""The machine of trials that came from a file: no boot of theirs is in the store."""


@dataclass(frozen=True, slots=True)
class LoadedStudy:
    """A stored study: as it is stored, its document, and the study as `inference` sees it."""

    stored: StoredStudy
    document: StudyDocument
    study: Study

    @property
    def name(self) -> str:
        return self.stored.name

    def to_json(self) -> dict[str, Any]:
        return {
            "name": self.name,
            "created": self.stored.created,
            "edited": self.stored.edited,
            "document": self.document.to_json(),
            "goal": self.study.goal.words(),
        }


@dataclass(frozen=True, slots=True)
class Summary(Form):
    """One line about a study."""

    name: str
    question: str
    goal: str
    factors: int
    trials: int
    running: str | None
    edited: str


@dataclass(frozen=True, slots=True)
class Passed(Form):
    """Results of a check: passed of done."""

    passed: Count
    done: Count


class TrialView(Trial):
    """A trial with what was seen of it: setup, verdicts, checks, predictions of the ROM scan.

    `setup` is complete; `assumed` names factors that the trial did not state. `repeats` is the first trial with
    the same setup; `changes` are those since the trial before. `differs`: what its machine's report contradicts.
    `results` are those entered by hand or file, by which they are taken back: their numbers.
    """

    changed: Hidden[dict[str, str]]
    boots: Hidden[tuple[Boot, ...]]
    results: tuple[Result, ...]
    assumed: tuple[str, ...]
    changes: tuple[Change, ...]
    repeats: str | None
    excluded: str | None
    verdicts: Annotated[tuple[Verdict, ...], Field(serialization_alias="boots")]
    checks: dict[str, Passed]
    predictions: tuple[dict[str, Any], ...]
    differs: tuple[SetupDiffers, ...] = ()

    @computed_field  # type: ignore[prop-decorator]
    @property
    def ok(self) -> Count:
        return sum(verdict.ok is True for verdict in self.verdicts)

    @computed_field  # type: ignore[prop-decorator]
    @property
    def fail(self) -> Count:
        return sum(verdict.ok is False for verdict in self.verdicts)

    @computed_field  # type: ignore[prop-decorator]
    @property
    def not_counted(self) -> Count:
        return sum(verdict.ok is None for verdict in self.verdicts)

    @property
    def counting(self) -> tuple[Boot, ...]:
        """The boots that nobody left out."""
        return tuple(boot for boot in self.boots if boot.left_out is None)

    @property
    def left_out(self) -> list[Verdict]:
        """Boots and results that a person left out, with the reasons."""
        return [verdict for verdict in self.verdicts if verdict.left_out is not None]

    @property
    def done_before(self) -> list[str]:
        """What was done before it besides its changes, as the person said, in a few words each."""
        rested = [] if self.rested_s is None else [f"rested {duration_words(self.rested_s)}"]
        return [*(["reseated"] if self.reseated else []), *rested]

    @property
    def counted(self) -> int:
        return self.ok + self.fail

    def counts(self, results: tuple[BootResult, ...] = ()) -> TrialCounts:
        """What causes are weighed by: levels as measured where known, `results` as of `sequence.in_order`.

        A trial whose machine was set up as no level of its study says nothing of any.
        """
        if not self.is_weighed:
            return TrialCounts(self.id, self.setup, 0, 0)
        checks = {name: (one.passed, one.done) for name, one in self.checks.items()}
        return TrialCounts(self.id, self.real_setup, self.ok, self.counted, checks, results)

    @property
    def is_weighed(self) -> bool:
        """Whether its results say something of levels of the study: not where a measured one is none of them."""
        return all(one.level is not None for one in self.differs)

    @property
    def real_setup(self) -> dict[str, str]:
        """The setup with levels as measured where those are known to be others."""
        return self.setup | {one.factor: one.level for one in self.differs if one.level is not None}

    def to_json(self) -> dict[str, Any]:
        """The published JSON."""
        return self.model_dump(mode="json", by_alias=True)


def open_study(store: Store, name: str) -> LoadedStudy:
    """A stored study. Raises UsageError when there is none, or a document of a newer benchd."""
    stored = store.study(name)
    try:
        document = StudyDocument.model_validate(stored.document)
    except ValidationError as error:
        raise UsageError(f"study '{name}': its stored document does not read: {first_words(error)}") from None
    return LoadedStudy(stored, document, document.pure(name))


def save(
    store: Store,
    name: str,
    document: StudyDocument,
    now: str,
    *,
    text: str = "",
    file: str = "study",
    hand: Hand | None = None,
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
    stored = StoredStudy(name=name, document=document.to_json(), created=created, edited=now)
    store.save_study(stored, hand)
    return LoadedStudy(stored, document, pure)


def summaries(store: Store) -> list[Summary]:
    """All studies, the one edited last first."""
    out = []
    for stored in store.studies():
        known = open_study(store, stored.name)
        trials = store.trials(study=stored.name)
        running = next((t.id for t in trials if t.ended is None), None)
        study = known.study
        out.append(
            Summary(
                study.name, study.question, study.goal.words(), len(study.factors), len(trials), running, stored.edited
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
    for trial in store.trials(study=study.name):
        setup, assumed = complete(study, trial.setup)
        boots = () if trial.machine == IMPORTED else tuple(store.boots(trial=trial.id, newest_first=False))
        needs = {boot.id: needed_links(study.goal, table_of(store, boot)) for boot in boots if boot.blind}
        verdicts, checks = judged(study, boots, results[trial.id], needs)
        key = tuple(sorted(setup.items()))
        told = predictions and known.document.map is not None
        view = TrialView(
            **trial.model_dump() | {"setup": setup},
            boots=boots,
            results=tuple(results[trial.id]),
            assumed=assumed,
            changes=study.changes(out[-1].setup, setup) if out else (),
            repeats=first.get(key),
            excluded=study.excluded(setup),
            verdicts=verdicts,
            checks=checks,
            predictions=tuple(one.document for one in store.predictions(trial.id)) if told else (),
            differs=_differs(store, known, setup, boots),
        )
        out.append(view)
        first.setdefault(key, trial.id)
    return out


def _differs(
    store: Store, known: LoadedStudy, setup: Mapping[str, str], boots: Sequence[Boot]
) -> tuple[SetupDiffers, ...]:
    boots = [boot for boot in boots if boot.left_out is None]
    if known.document.map is None or all(boot.measured is None for boot in boots):
        return ()
    from benchd.studies.measuring import newest_differs

    return newest_differs(known.document, setup, images_of(store, known.document), boots)


def boot_differs(store: Store, boot: Boot) -> tuple[SetupDiffers, ...]:
    """What a boot's report contradicts of its trial's setup. Raises UsageError or ExternalError."""
    from benchd.studies.measuring import setup_differs

    if boot.trial is None or boot.measured is None:
        return ()
    trial = store.trial(boot.trial)
    known = open_study(store, trial.study)
    setup = complete(known.study, trial.setup)[0]
    return setup_differs(known.document, setup, images_of(store, known.document), boot)


def images_of(store: Store, document: StudyDocument) -> dict[str, StoredImage]:
    """The images of a study's levels, by "factor=level"; those that the store does not know are left out."""
    out = {}
    for factor in document.factor:
        for level, sha in factor.images.items():
            try:
                out[f"{factor.name}={level}"] = store.image(sha)
            except UsageError:
                continue
    return out


def judged(
    study: Study,
    boots: Sequence[Boot],
    results: Sequence[Result],
    needs: Mapping[str, Collection[str] | None] | None = None,
) -> tuple[tuple[Verdict, ...], dict[str, Passed]]:
    """Verdicts of one trial's boots and of goals entered without a boot; and each check's results counted.

    `needs`: by boot the kinds of link that the goal needs, of boots in which one was not heard.
    """
    of_boot: dict[str | None, list[Result]] = defaultdict(list)
    for result in results:
        of_boot[result.boot].append(result)
    loose = of_boot.pop(None, [])
    verdicts: list[Verdict] = []
    told: list[tuple[str, bool]] = []
    restarts = cut_at_one_place(boots)
    for boot in boots:
        own = of_boot.pop(boot.id, [])
        needed = (needs or {}).get(boot.id)
        verdicts.append(judge(study.goal, boot, own, needs=needed, restarts=restarts.get(boot.id, 0)))
        if not boot.passes_of and boot.left_out is None:
            told += check_results(boot, own).items()
    for name, own in of_boot.items():
        verdict, checks = _without_record(str(name), [one for one in own if one.left_out is None])
        verdicts += verdict
        told += checks
    goals = (GOAL, study.goal.target) if study.goal.kind == "check-passed" else (GOAL,)
    verdicts += [_without_boot(one) for one in loose if one.check in goals]
    told += [(one.check, one.passed) for one in loose if one.check != GOAL and one.left_out is None]
    return tuple(verdicts), _passed(told)


def _passed(told: Iterable[tuple[str, bool]]) -> dict[str, Passed]:
    counts: dict[str, list[bool]] = defaultdict(list)
    for check, passed in told:
        counts[check].append(passed)
    return {name: Passed(sum(found), len(found)) for name, found in counts.items()}


def _without_boot(one: Result) -> Verdict:
    if one.left_out is not None:
        return Verdict(None, None, left_out_words(one.left_out), one.source, one.left_out, one.passed)
    return Verdict(None, one.passed, one.note or "entered without a boot", one.source)


def _without_record(boot: str, results: Sequence[Result]) -> tuple[list[Verdict], list[tuple[str, bool]]]:
    """What a person entered outlives a boot's record (captures can be deleted): the last result counts."""
    entered = {one.check: one for one in results}
    goal = entered.pop(GOAL, None)
    verdicts = [Verdict(boot, goal.passed, "entered; the boot is not in the store", goal.source)] if goal else []
    return verdicts, [(check, one.passed) for check, one in entered.items()]
