"""The goal of a machine's running trial, and whether its newest boot reached it: what is read across the room."""

from __future__ import annotations

from benchd.inference.study import Goal
from benchd.store import Store, Trial
from benchd.studies.goal import cut_at_one_place, entered_words, judge, needed_links
from benchd.studies.loaded import open_study
from benchd.studies.tables import table_of
from benchd.vocabulary.models import Boot, GoalNow


def goal_now(store: Store, trial: Trial, boot: Boot | None) -> GoalNow:
    """Judge `boot` by the goal of `trial`'s study, as its listings do. `boot` None: the trial has none yet.

    A stage that a running boot has reached is told at once; whether the boot counts is known when it is over.
    Raises UsageError where the study is not there, or its document is of a newer benchd.
    """
    goal = open_study(store, trial.study).study.goal
    out = GoalNow(trial=trial.id, study=trial.study, short=in_short(goal), goal=goal.words())
    if boot is None:
        return out.model_copy(update={"why": "no boot of this trial yet"})
    row = store.boots(trial=trial.id, newest_first=False) if boot.outcome == "cut-short" else []
    verdict = judge(
        goal,
        boot,
        store.results(boot=boot.id),
        needs=needed_links(goal, table_of(store, boot)) if boot.blind else None,
        restarts=cut_at_one_place(row).get(boot.id, 0),
    )
    ok, why = verdict.ok, verdict.why
    entered = entered_words(ok, verdict.source) if ok is not None and verdict.source != "boot" else None
    if entered is not None:
        why = why.removeprefix(entered).lstrip(":; ")
    if boot.outcome == "running" and ok is None and goal.kind == "stage-reached":
        at = next((stage.t for stage in boot.stages if stage.name == goal.target), None)
        ok, why = (True, f"{goal.target} reached at {at:.2f} s") if at is not None else (None, why)
    over = boot.outcome == "finished" or boot.ended is not None
    return out.model_copy(update={"boot": boot.id, "ok": ok, "why": why, "entered": entered, "over": over})


def in_short(goal: Goal) -> str:
    """Return a goal in as few words as are read across the room: the stage's name, most often."""
    match goal.kind:
        case "finding-absent":
            return f"no {goal.target}"
        case "stage-faster":
            return f"{goal.target} in {goal.limit_s:g} s"
    return goal.target or "good result"
