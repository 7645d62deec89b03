"""`benchd trial resume`, `rename`, `delete`, `restore` and `log`: what is put right of trials, and its history."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from benchd.cli.bootsundo import boot_named, trial_named
from benchd.cli.common import ConfigOption, JsonOption
from benchd.cli.output import clean, emit_json, local, say

if TYPE_CHECKING:
    from benchd.store import Store

TrialName = Annotated[str, typer.Argument(help="A trial's id; `last` for the newest.", metavar="TRIAL")]
SHOWN = 12
"""Boots named one by one."""


def add_undo(group: typer.Typer) -> None:
    """Add the commands."""
    group.command("resume")(resume)
    group.command("rename")(rename)
    group.command("delete")(delete)
    group.command("restore")(restore)
    group.command("log")(log)


def resume(trial: TrialName, config: ConfigOption = None) -> None:
    """Let a trial run again that was ended by mistake.

    Boots made since then stay where they are; each is named, with the command that moves it.

    Exit codes: 0 fine, 1 the store failed, 2 no such trial, it did not end, or another one runs on its machine.
    """
    from benchd.cli.studystore import hand, study_store
    from benchd.inference.wording import counted
    from benchd.studies.undo import resume as resume_trial

    with study_store(config, write=True) as store:
        found, between = resume_trial(store, trial_named(store, trial), hand())
    say(f"Trial {found.id} of study {clean(found.study)} runs again on {clean(found.machine)}.")
    if between:
        say(
            f"{counted(len(between), 'boot')} began since it had ended, and {'stays' if len(between) == 1 else 'stay'}:"
        )
    for boot in between[:SHOWN]:
        where = f"in trial {boot.trial}" if boot.trial else "in no trial"
        say(clean(f"  {local(boot.started)}, {where}: benchd boots move {boot.id} {found.id}"))
    if len(between) > SHOWN:
        say(f"  and {len(between) - SHOWN} more: `benchd boots`")


def rename(
    trial: TrialName,
    name: Annotated[str, typer.Argument(help="What to call it; empty: its id only.")],
    config: ConfigOption = None,
) -> None:
    """Give a trial a name beside its id.

    The id stays: captures carry it.

    Exit codes: 0 fine, 1 the store failed, 2 no such trial, or what is no name.
    """
    from benchd.cli.studystore import hand, study_store

    with study_store(config, write=True) as store:
        found = store.name_trial(trial_named(store, trial), name, hand())
    say(f"Trial {found.id} is called {clean(found.name) or found.id}.")


def delete(trial: TrialName, config: ConfigOption = None) -> None:
    """Delete a trial that has no boots.

    With the results entered for it. `benchd trial restore` brings it back.

    Exit codes: 0 fine, 1 the store failed, 2 no such trial, or it has boots.
    """
    from benchd.cli.studystore import hand, study_store
    from benchd.inference.wording import counted

    with study_store(config, write=True) as store:
        trial = store.trial(trial_named(store, trial)).id
        results = len(store.results(trial=trial))
        store.delete_trial(trial, hand())
    more = f", with {counted(results, 'result')}" if results else ""
    say(f"Trial {trial} is deleted{more}; `benchd trial restore {trial}` brings it back.")


def restore(trial: TrialName, config: ConfigOption = None) -> None:
    """Bring a deleted trial back. Exit codes: 0 fine, 1 the store failed, 2 no such trial, or it is not deleted."""
    from benchd.cli.studystore import hand, study_store

    with study_store(config, write=True) as store:
        trial = trial_named(store, trial)
        store.restore_trial(trial, hand())
    say(f"Trial {trial} is back; it does not run.")


def log(
    study: Annotated[str | None, typer.Option(help="Only this study.")] = None,
    trial: Annotated[str | None, typer.Option(help="Only this trial; `last`.")] = None,
    boot: Annotated[str | None, typer.Option(help="Only this boot: its id, or the beginning of it; `last`.")] = None,
    limit: Annotated[int, typer.Option(min=1, help="At most this many, the newest.")] = 200,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Show what people did, oldest first.

    When, by which way, what, and what was there before and after; then results that count in no trial.

    Exit codes: 0 fine, 1 the store failed, 2 no such study, trial or boot.
    """
    from benchd.cli.studystore import study_store
    from benchd.cli.studytext import outside_lines, table
    from benchd.studies.undo import log_words

    with study_store(config) as store:
        whole = boot_named(store, boot) if boot is not None else None
        trial = trial_named(store, trial) if trial is not None else None
        found = store.log(study=study, trial=trial, boot=whole, limit=limit)
        if not found:
            _refuse_unknown(store, study, trial)
        outside = [one for one in store.results(outside=True) if whole in (None, one.boot)]
    if json:
        emit_json([entry.model_dump(mode="json") | {"what": log_words(entry)} for entry in found])
        return
    rows = [["time", "by", "what"], *([local(one.at), one.by, log_words(one)] for one in found)]
    for line in table(rows, 150) if found else ["Nothing was done yet."]:
        say(line)
    if study is None and trial is None:
        for line in outside_lines(outside):
            say(line)


def _refuse_unknown(store: Store, study: str | None, trial: str | None) -> None:
    """Nothing was done to what there is, or there is no such thing. Raises UsageError for that."""
    if study is not None:
        store.study(study)
    if trial is not None:
        store.trial(trial)
