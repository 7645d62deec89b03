"""Studies and trials over HTTP: the same service as the command line's, and what gloved hands enter."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated, Any

from fastapi import APIRouter, HTTPException, Query
from pydantic import Field

from benchd.errors import UsageError
from benchd.inference.forms import Told
from benchd.inference.study import Change
from benchd.rules import RuleTable
from benchd.store import Store
from benchd.store.study_models import REST_MOST_S, Hand, Result, Trial
from benchd.studies.document import document_from, read_part, to_toml
from benchd.studies.goal import GOAL
from benchd.studies.loaded import LoadedStudy, Summary, TrialView, first_setup, gather, open_study, summaries
from benchd.studies.responses import WhyForm
from benchd.studies.service import Started, check_allowed, doubt, enter, plan_trial, resolve_images, save_checked, start
from benchd.studies.undo import BootBefore, boot_before, move
from benchd.studies.weighing import Next
from benchd.studies.weighing import next_trials as rank
from benchd.studies.weighing import why as weigh
from benchd.vocabulary.models import Model
from benchd.vocabulary.nearest import meant
from benchd.web.bodies import Body
from benchd.web.problems import Refused, StillRuns

if TYPE_CHECKING:
    from benchd.web.bench import ServedBench

Text = Annotated[str, Field(max_length=200)]
LIST_MOST = 1000


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
    end_running: Text | None = Field(None, description="the trial that runs there and is to end with this")
    boot: Text | None = Field(None, description="a boot that began shortly before, and is the new trial's")
    name: Annotated[str, Field(max_length=60)] = ""


class EnterResult(Body):
    """A check's result by hand: for a boot, else for the newest boot of the trial, else for the trial."""

    check: Annotated[str, Field(min_length=1, max_length=200)]
    passed: bool
    trial: Text | None = None
    boot: Text | None = None
    machine: Text | None = None
    note: Annotated[str, Field(max_length=4000)] = ""
    new: bool = Field(False, description="a check that nobody named before is meant")


class Entered(Result):
    """A result as it was entered."""

    warning: str | None = Field(None, description="what speaks against it: the boot had not got to the goal's stage")


class NewStudy(Body):
    """A study by its name, and either the TOML text that `benchd study new --from` takes, or the same as JSON."""

    name: Annotated[str, Field(min_length=1, max_length=200)]
    toml: Annotated[str, Field(max_length=200_000)] = ""
    document: dict[str, Any] | None = None


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
    taken_back: list[Result] = Field(description="results of the study that were taken back, and can be put back")


class Planned(Model):
    """What starting a trial would mean, or has meant: `started` as `benchd trial start --json` gives it."""

    setup: dict[str, str]
    changes: list[Change]
    compared_with: str
    remarks: list[str]
    excluded: str | None
    started: Started | None
    running: Trial | None = Field(None, description="what runs on the machine now, and would end or has ended")
    boot_before: BootBefore | None = Field(None, description="a boot that began shortly before, and may be the trial's")


class StudyLine(Told[Summary]):
    """One study in a list."""


class MadeStudy(Model):
    """A study that was made. `unchecked`: what could not be held against a rule table, in sentences."""

    study: StudyLine
    unchecked: list[str]


class NextPage(Told[Next]):
    """Where the bench stands and what to try. `next` as `benchd next --json` gives it."""


def study_routes(daemon: ServedBench) -> APIRouter:
    """Return the routes under /api/studies, /api/trials and /api/results."""
    routes = APIRouter(prefix="/api")
    store = daemon.store

    @routes.get("/studies")
    def studies() -> list[StudyLine]:
        """Return all studies, a line each, the one edited last first."""
        return [StudyLine(summary) for summary in summaries(store)]

    @routes.post("/studies")
    def new_study(body: NewStudy) -> MadeStudy:
        """Make a study of a TOML text, or of a document."""
        with asked(422):
            if body.name in {one.name for one in store.studies()}:
                raise UsageError(f"there is a study '{body.name}' already: choose another name")
            if (body.document is None) == (not body.toml):
                raise UsageError("give either `toml` or `document`")
            text = body.toml or to_toml(document_from(body.document or {}))
            document = resolve_images(store, read_part(text, "study"), daemon.loaded.base)
            hand = page_hand()
            known, unchecked = save_checked(store, body.name, document, hand, text=text, tables=tables_of(daemon))
        line = next(one for one in summaries(store) if one.name == known.name)
        return MadeStudy(study=StudyLine(line), unchecked=unchecked)

    @routes.get("/studies/{name}")
    def study(name: str) -> StudyPage:
        """Return a study with its trials, boots judged by its goal."""
        with asked():
            return _page(daemon, open_study(store, name))

    @routes.get("/studies/{name}/why")
    def why(name: str, check: Text | None = None) -> WhyForm:
        """Weigh the causes, as `benchd why --json`."""
        with asked():
            return WhyForm(weigh(store, name, check=check))

    @routes.get("/studies/{name}/next")
    def next_trials(name: str, limit: Annotated[int, Query(ge=1, le=20)] = 3) -> NextPage:
        """Rank the next trials; `next` is the list of `benchd next --json`."""
        with asked():
            return NextPage(rank(store, name, limit=limit))

    @routes.get("/trials")
    def trials(study: Text | None = None, machine: Text | None = None) -> list[Trial]:
        """Return trials in the order they were started, the newest thousand."""
        with asked():
            return store.trials(study=study, machine=machine)[-LIST_MOST:]

    @routes.get("/trials/{trial_id}")
    def trial(trial_id: str) -> Trial:
        """Return one trial."""
        with asked():
            return store.trial(trial_id)

    @routes.post("/trials")
    def start_trial(body: StartTrial) -> Planned:
        """Start a trial; 409 while another runs there. Hardware changes come back with a caution."""
        with asked(422):
            known = open_study(store, body.study)
            machine = body.machine or _machine_of(daemon, known)
            if machine is None:
                raise UsageError(f"which machine? the settings have {', '.join(daemon.runs) or 'none'}")
            if machine not in daemon.runs:
                raise UsageError(f"no machine is called {machine!r} in the settings; {meant(machine, daemon.runs)}")
            hand, ran = page_hand(), store.current_trial(machine)
            known, plan = plan_trial(
                store, known, body.changes, machine=machine, reseated=body.reseated, rested_s=body.rested_s
            )
            begun, before = None, boot_before(store, machine, hand.at)
            if not body.plan_only:
                check_allowed(plan, body.anyway)
                if ran is not None and body.end_running != ran.id:
                    raise Refused(409, _still_runs(store, ran))
                begun = start(
                    store, known, plan, hand.at, machine=machine, note=body.note, anyway=body.anyway, hand=hand,
                    name=body.name,
                )  # fmt: skip
                if body.boot is not None:
                    move(store, body.boot, begun.trial.id, hand)
                before = boot_before(store, machine, hand.at, but=begun.trial.id)
        return Planned(
            setup=dict(plan.setup),
            changes=list(plan.changes),
            compared_with=plan.before_from,
            remarks=[*plan.remarks(), *(begun.notes if begun else ())],
            excluded=plan.excluded,
            started=begun,
            running=ran,
            boot_before=before,
        )

    @routes.post("/trials/{trial_id}/end")
    def end_trial(trial_id: str) -> Trial:
        """End a trial: boots seen later do not belong to it."""
        with asked():
            hand = page_hand()
            return store.end_trial(trial_id, hand.at, hand)

    @routes.post("/trials/{trial_id}/notes")
    def note_trial(trial_id: str, body: AddNote) -> Trial:
        """Add a line to a trial's note."""
        with asked():
            return store.note_trial(trial_id, body.text.strip(), page_hand())

    @routes.post("/results")
    def enter_result(body: EnterResult) -> Entered:
        """Enter a check's result by hand."""
        with asked(422):
            hand = page_hand()
            found = enter(
                store,
                body.check,
                body.passed,
                hand.at,
                boot=body.boot,
                trial=body.trial,
                machine=body.machine,
                note=body.note,
                hand=hand,
                tables=tables_of(daemon),
                new=body.new,
            )
            return Entered(**found.model_dump(), warning=doubt(store, found))

    @routes.delete("/results/{result_id}", status_code=204)
    def take_back(result_id: int) -> None:
        """Take a result back that was entered by mistake."""
        with asked():
            store.take_back(result_id, page_hand())

    return routes


@contextmanager
def asked(status: int = 404) -> Iterator[None]:
    """What the caller got wrong comes back as this status with the sentence that says it."""
    try:
        yield
    except UsageError as error:
        raise HTTPException(status, str(error)) from None


def page_hand() -> Hand:
    """Who asks over HTTP, now."""
    return Hand(datetime.now(UTC).isoformat(timespec="seconds"), "page")


def tables_of(daemon: ServedBench) -> dict[str, RuleTable | None]:
    """The rule table of each machine."""
    return {name: run.table for name, run in daemon.runs.items()}


def _still_runs(store: Store, ran: Trial) -> StillRuns:
    boots, results = len(store.boots(trial=ran.id)), len(store.results(trial=ran.id))
    detail = f"trial {ran.called} of study {ran.study} runs on {ran.machine}: end it first, or with the new one"
    return StillRuns(detail=detail, running=ran, boots=boots, results=results)


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
        taken_back=daemon.store.results(study=known.name, taken_back=True)[-LIST_MOST:],
    )
