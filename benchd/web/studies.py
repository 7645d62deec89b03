"""Studies and trials over HTTP: the same service as the command line's, and what gloved hands enter."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated, Any

from fastapi import APIRouter, HTTPException, Query
from pydantic import ConfigDict, Field, RootModel

from benchd.errors import UsageError
from benchd.inference.study import Change
from benchd.store.study_models import REST_MOST_S, Result, Trial
from benchd.studies.goal import GOAL
from benchd.studies.loaded import LoadedStudy, Summary, TrialView, first_setup, gather, open_study, summaries
from benchd.studies.responses import WhyForm
from benchd.studies.service import Started, enter, plan_trial, start
from benchd.studies.weighing import Next
from benchd.studies.weighing import next_trials as rank
from benchd.studies.weighing import why as weigh
from benchd.vocabulary.models import Model

if TYPE_CHECKING:
    from benchd.web.bench import ServedBench

Text = Annotated[str, Field(max_length=200)]
LIST_MOST = 1000


class Body(Model):
    """What a request brings. Built at once: the library that takes it apart knows no other way."""

    model_config = ConfigDict(defer_build=False)


class StartTrial(Body):
    """A trial named by what changed since the last one. `plan_only` begins nothing and tells what it would mean."""

    study: Text
    machine: Text | None = None
    changes: dict[Text, Text] = Field(default_factory=dict, max_length=64)
    note: Annotated[str, Field(max_length=4000)] = ""
    anyway: bool = Field(False, description="also a setup that the study excludes")
    reseated: bool = Field(False, description="the cover was off: what is plugged was taken out and put back")
    rested_s: float | None = Field(None, ge=0, le=REST_MOST_S, description="seconds of rest without power before it")
    plan_only: bool = False


class EnterResult(Body):
    """A check's result by hand: for a boot, else for the newest boot of the trial, else for the trial."""

    check: Annotated[str, Field(min_length=1, max_length=200)]
    passed: bool
    trial: Text | None = None
    boot: Text | None = None
    machine: Text | None = None
    note: Annotated[str, Field(max_length=4000)] = ""


class AddNote(Body):
    """A line for a trial's note."""

    text: Annotated[str, Field(min_length=1, max_length=4000)]


class PageFactor(Model):
    """A factor as the page needs it."""

    name: str
    kind: str
    levels: list[str]
    hardware: bool
    minutes: dict[str, float]


class StudyPage(Model):
    """A study with its trials. `study` and `trials` as `benchd study show` and `benchd trial list` give them."""

    study: dict[str, Any]
    factors: list[PageFactor]
    machine: str | None
    running: str | None
    current: dict[str, str]
    checks: list[str] = Field(description="names of checks to enter by hand, the goal's first")
    trials: list[TrialView]
    results: list[Result]


class Planned(Model):
    """What starting a trial would mean, or has meant: `started` as `benchd trial start --json` gives it."""

    setup: dict[str, str]
    changes: list[Change]
    compared_with: str
    remarks: list[str]
    excluded: str | None
    started: Started | None


class StudyLine(RootModel[Summary]):
    """One study in a list."""


class NextPage(RootModel[Next]):
    """Where the bench stands and what to try. `next` as `benchd next --json` gives it."""


def study_routes(daemon: ServedBench) -> APIRouter:
    """Return the routes under /api/studies, /api/trials and /api/results."""
    routes = APIRouter(prefix="/api")
    store = daemon.store

    @routes.get("/studies")
    def studies() -> list[StudyLine]:
        """Return all studies, a line each, the one edited last first."""
        return [StudyLine(summary) for summary in summaries(store)]

    @routes.get("/studies/{name}")
    def study(name: str) -> StudyPage:
        """Return a study with its trials, boots judged by its goal."""
        with _asked():
            return _page(daemon, open_study(store, name))

    @routes.get("/studies/{name}/why")
    def why(name: str, check: Text | None = None) -> WhyForm:
        """Weigh the causes, as `benchd why --json`."""
        with _asked():
            return WhyForm(weigh(store, name, check=check))

    @routes.get("/studies/{name}/next")
    def next_trials(name: str, limit: Annotated[int, Query(ge=1, le=20)] = 3) -> NextPage:
        """Rank the next trials; `next` is the list of `benchd next --json`."""
        with _asked():
            return NextPage(rank(store, name, limit=limit))

    @routes.get("/trials")
    def trials(study: Text | None = None, machine: Text | None = None) -> list[Trial]:
        """Return trials in the order they were started, the newest thousand."""
        with _asked():
            return store.trials(study=study, machine=machine)[-LIST_MOST:]

    @routes.get("/trials/{trial_id}")
    def trial(trial_id: str) -> Trial:
        """Return one trial."""
        with _asked():
            return store.trial(trial_id)

    @routes.post("/trials")
    def start_trial(body: StartTrial) -> Planned:
        """Start a trial; the one that runs on the machine ends. Hardware changes come back with a caution."""
        with _asked(422):
            known = open_study(store, body.study)
            machine = body.machine or _machine_of(daemon, known)
            if machine is None:
                raise UsageError(f"which machine? the settings have {', '.join(daemon.runs) or 'none'}")
            if machine not in daemon.runs:
                there = ", ".join(daemon.runs) or "none"
                raise UsageError(f"no machine is called {machine!r}; the settings have {there}")
            known, plan = plan_trial(
                store, known, body.changes, machine=machine, reseated=body.reseated, rested_s=body.rested_s
            )
            begun = None
            if not body.plan_only:
                begun = start(store, known, plan, _now(), machine=machine, note=body.note, anyway=body.anyway)
        return Planned(
            setup=dict(plan.setup),
            changes=list(plan.changes),
            compared_with=plan.before_from,
            remarks=[*plan.remarks(), *(begun.notes if begun else ())],
            excluded=plan.excluded,
            started=begun,
        )

    @routes.post("/trials/{trial_id}/end")
    def end_trial(trial_id: str) -> Trial:
        """End a trial: boots seen later do not belong to it."""
        with _asked():
            return store.end_trial(trial_id, _now())

    @routes.post("/trials/{trial_id}/notes")
    def note_trial(trial_id: str, body: AddNote) -> Trial:
        """Add a line to a trial's note."""
        with _asked():
            return store.note_trial(trial_id, body.text.strip())

    @routes.post("/results")
    def enter_result(body: EnterResult) -> Result:
        """Enter a check's result by hand."""
        with _asked(422):
            return enter(
                store,
                body.check,
                body.passed,
                _now(),
                boot=body.boot,
                trial=body.trial,
                machine=body.machine,
                note=body.note,
            )

    @routes.delete("/results/{result_id}", status_code=204)
    def take_back(result_id: int) -> None:
        """Take a result back that was entered by mistake."""
        with _asked():
            store.delete_result(result_id)

    return routes


@contextmanager
def _asked(status: int = 404) -> Iterator[None]:
    """What the caller got wrong comes back as this status with the sentence that says it."""
    try:
        yield
    except UsageError as error:
        raise HTTPException(status, str(error)) from None


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")


def _machine_of(daemon: ServedBench, known: LoadedStudy) -> str | None:
    names = list(daemon.runs)
    return known.document.machine or (names[0] if len(names) == 1 else None)


def _page(daemon: ServedBench, known: LoadedStudy) -> StudyPage:
    views = gather(daemon.store, known)
    goal = known.study.goal
    first = [goal.target] if goal.kind == "check-passed" else [GOAL]
    names = [*first, *(name for view in views for name in view.checks)]
    running = next((view.id for view in reversed(views) if view.ended is None), None)
    return StudyPage(
        study=known.to_json(),
        factors=[
            PageFactor(
                name=factor.name,
                kind=factor.kind,
                levels=list(factor.levels),
                hardware=factor.hardware,
                minutes={level: factor.cost(level) for level in factor.levels},
            )
            for factor in known.study.factors
        ],
        machine=_machine_of(daemon, known),
        running=running,
        current=dict(views[-1].setup) if views else first_setup(known.study),
        checks=list(dict.fromkeys(names)),
        trials=views,
        results=daemon.store.results(study=known.name)[-LIST_MOST:],
    )
