"""`benchd trial rename`, `delete`, `restore` and `log`: what is put right of trials, and the history of all that."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from benchd.cli.common import ConfigOption, JsonOption
from benchd.cli.output import clean, emit_json, local, say

if TYPE_CHECKING:
    from benchd.store import Store

TrialName = Annotated[str, typer.Argument(help="A trial's id.", metavar="TRIAL")]


def add_undo(group: typer.Typer) -> None:
    """Add the commands."""
    group.command("rename")(rename)
    group.command("delete")(delete)
    group.command("restore")(restore)
    group.command("log")(log)


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
        found = store.name_trial(trial, name, hand())
    say(f"Trial {found.id} is called {clean(found.name) or found.id}.")


def delete(trial: TrialName, config: ConfigOption = None) -> None:
    """Delete a trial that has no boots.

    With the results entered for it. `benchd trial restore` brings it back.

    Exit codes: 0 fine, 1 the store failed, 2 no such trial, or it has boots.
    """
    from benchd.cli.studystore import hand, study_store
    from benchd.inference.wording import counted

    with study_store(config, write=True) as store:
        results = len(store.results(trial=store.trial(trial).id))
        store.delete_trial(trial, hand())
    more = f", with {counted(results, 'result')}" if results else ""
    say(f"Trial {trial} is deleted{more}; `benchd trial restore {trial}` brings it back.")


def restore(trial: TrialName, config: ConfigOption = None) -> None:
    """Bring a deleted trial back. Exit codes: 0 fine, 1 the store failed, 2 no such trial, or it is not deleted."""
    from benchd.cli.studystore import hand, study_store

    with study_store(config, write=True) as store:
        store.restore_trial(trial, hand())
    say(f"Trial {trial} is back; it does not run.")


def log(
    study: Annotated[str | None, typer.Option(help="Only this study.")] = None,
    trial: Annotated[str | None, typer.Option(help="Only this trial.")] = None,
    boot: Annotated[str | None, typer.Option(help="Only this boot: its id, or the beginning of it.")] = None,
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
        whole = store.boot(boot).id if boot is not None else None
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
