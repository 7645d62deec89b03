"""Putting right over HTTP what was entered wrongly: boots, results, trials and studies; and the log of all that."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

from fastapi import APIRouter, Query
from pydantic import Field

from benchd.store.study_models import DeletedStudy, DeletedTrial, LogEntry, Result, Trial
from benchd.studies.loaded import summaries
from benchd.studies.undo import DELETED, delete_study, deletion, export_name, log_words, move
from benchd.vocabulary.models import Boot, Model
from benchd.web.bodies import Body
from benchd.web.problems import NotYet, Refused
from benchd.web.studies import LIST_MOST, StudyLine, Text, asked, page_hand

if TYPE_CHECKING:
    from benchd.web.bench import ServedBench


class MoveBoot(Body):
    """The trial that a boot belongs to; null: to none."""

    trial: Text | None


class LeaveOut(Body):
    """Why a boot is left out."""

    reason: Annotated[str, Field(max_length=400)]


class BootNote(Body):
    """What is written about a boot; empty: nothing."""

    text: Annotated[str, Field(max_length=10_000)]


class BootLabels(Body):
    """All labels that a boot has from now on."""

    labels: Annotated[list[Text], Field(max_length=20)]


class TrialName(Body):
    """What people call a trial; empty: it has its id only."""

    name: Annotated[str, Field(max_length=200)]


class DeleteStudy(Body):
    """Without `yes` nothing is deleted: the answer (409) tells what would be."""

    yes: bool = False


class StudyGone(Model):
    """A study that was deleted, and the file on the bench's computer that holds all of it."""

    study: str
    file: str


class LogLine(LogEntry):
    """One thing that a person did, in words too."""

    what: str


class DeletedPage(Model):
    """What was deleted and can be brought back."""

    studies: list[DeletedStudy]
    trials: list[DeletedTrial]


def log_lines(entries: list[LogEntry]) -> list[LogLine]:
    """The log with each change in words."""
    return [LogLine(**entry.model_dump(), what=log_words(entry)) for entry in entries]


def undo_routes(daemon: ServedBench) -> APIRouter:
    """Return the routes by which people take back, move, leave out, delete and bring back."""
    routes = APIRouter(prefix="/api")
    store = daemon.store

    @routes.post("/boots/{boot_id}/move")
    def move_boot(boot_id: str, body: MoveBoot) -> Boot:
        """Move a boot to another trial, or out of any."""
        with asked():
            return move(store, boot_id, body.trial, page_hand())

    @routes.post("/boots/{boot_id}/leave-out")
    def leave_out(boot_id: str, body: LeaveOut) -> Boot:
        """Leave a boot out, for a reason."""
        with asked():
            store.boot(boot_id)
        with asked(422):
            return store.leave_out(boot_id, body.reason, page_hand())

    @routes.post("/boots/{boot_id}/count")
    def count(boot_id: str) -> Boot:
        """Count a boot again that was left out."""
        with asked():
            return store.count_boot(boot_id, page_hand())

    @routes.post("/boots/{boot_id}/note")
    def note_boot(boot_id: str, body: BootNote) -> Boot:
        """Set the note of a boot."""
        with asked():
            return store.note_boot(boot_id, body.text, page_hand())

    @routes.post("/boots/{boot_id}/labels")
    def label_boot(boot_id: str, body: BootLabels) -> Boot:
        """Set the labels of a boot."""
        with asked():
            store.boot(boot_id)
        with asked(422):
            return store.label_boot(boot_id, body.labels, page_hand())

    @routes.post("/trials/{trial_id}/name")
    def name_trial(trial_id: str, body: TrialName) -> Trial:
        """Give a trial a name beside its id."""
        with asked():
            store.trial(trial_id)
        with asked(422):
            return store.name_trial(trial_id, body.name, page_hand())

    @routes.delete("/trials/{trial_id}", status_code=204)
    def delete_trial(trial_id: str) -> None:
        """Delete a trial that has no boots, with the results entered for it."""
        with asked():
            store.trial(trial_id)
        with asked(409):
            store.delete_trial(trial_id, page_hand())

    @routes.post("/trials/{trial_id}/restore")
    def restore_trial(trial_id: str) -> Trial:
        """Bring a deleted trial back, with its results."""
        with asked():
            store.restore_trial(trial_id, page_hand())
            return store.trial(trial_id)

    @routes.get("/results")
    def results(
        trial: Text | None = None,
        boot: Text | None = None,
        outside: Annotated[bool, Query(description="those for boots that belong to no trial")] = False,
        taken_back: Annotated[bool, Query(description="those that were taken back, instead")] = False,
    ) -> list[Result]:
        """Return results with their numbers, the newest thousand."""
        return store.results(trial=trial, boot=boot, outside=outside, taken_back=taken_back)[-LIST_MOST:]

    @routes.post("/results/{result_id}/put-back")
    def put_back(result_id: int) -> Result:
        """Put a result back that was taken back."""
        with asked():
            return store.put_back(result_id, page_hand())

    @routes.post("/studies/{name}/delete")
    def delete(name: str, body: DeleteStudy) -> StudyGone:
        """Delete a study, once all of it is written into a file in the data folder."""
        with asked():
            goes = deletion(store, name)
        if not body.yes:
            detail = f"{goes.words()}: say yes to delete it"
            raise Refused(409, NotYet(detail=detail, trials=goes.trials, boots=goes.boots, results=goes.results))
        hand = page_hand()
        folder = daemon.loaded.data / DELETED
        folder.mkdir(exist_ok=True)
        return StudyGone(study=name, file=str(delete_study(store, name, folder / export_name(name, hand.at), hand)))

    @routes.post("/studies/{name}/restore")
    def restore(name: str) -> StudyLine:
        """Bring back the study of that name that was deleted last."""
        with asked():
            store.restore_study(name, page_hand())
        return StudyLine(next(one for one in summaries(store) if one.name == name))

    @routes.get("/log")
    def log(
        study: Text | None = None,
        trial: Text | None = None,
        boot: Text | None = None,
        limit: Annotated[int, Query(ge=0)] = 200,
    ) -> list[LogLine]:
        """Return what people did, oldest first, the newest `limit`."""
        return log_lines(store.log(study=study, trial=trial, boot=boot, limit=min(limit, LIST_MOST)))

    @routes.get("/deleted")
    def deleted() -> DeletedPage:
        """Return the studies and trials that were deleted and can be brought back."""
        return DeletedPage(studies=store.deleted_studies(), trials=store.deleted_trials())

    return routes
