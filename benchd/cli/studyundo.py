"""`benchd study delete` and `restore`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from benchd.cli.common import ConfigOption
from benchd.cli.output import clean, say
from benchd.errors import UsageError

StudyName = Annotated[str, typer.Argument(help="The study's name.", metavar="STUDY")]


def add_undo(group: typer.Typer) -> None:
    """Add the commands."""
    group.command("delete")(delete)
    group.command("restore")(restore)


def delete(
    name: StudyName,
    out: Annotated[
        Path | None, typer.Option("--out", help="Write all of it here first; default: a new file here.")
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
    config: ConfigOption = None,
) -> None:
    """Delete a study with its trials and results.

    All of it is written into a file first. Its boots stay, in no trial. You are asked (a script says --yes).
    `benchd study restore` brings it back.

    Exit codes: 0 fine, 1 the file or the store failed, 2 no such study, or not confirmed.
    """
    from benchd.cli.studystore import asked, hand, study_store
    from benchd.studies.undo import delete_study, deletion, export_name

    me = hand()
    with study_store(config, write=True) as store:
        goes = deletion(store, name)
        file = out or Path(export_name(name, me.at))
        answer = (
            True
            if yes
            else asked(f"{clean(goes.words(), 400)}. Write it to {clean(str(file), 400)} and delete it?", False)
        )
        if answer is None:
            raise UsageError(f"{goes.words()}: --yes deletes it")
        if not answer:
            raise UsageError("nothing was deleted")
        delete_study(store, name, file, me)
    say(clean(f"Study {name} is deleted; all of it is in {file}. `benchd study restore {name}` brings it back.", 1000))


def restore(name: StudyName, config: ConfigOption = None) -> None:
    """Bring back the study of that name that was deleted last.

    Exit codes: 0 fine, 1 the store failed, 2 none was deleted, or the name is in use again.
    """
    from benchd.cli.studystore import hand, study_store

    with study_store(config, write=True) as store:
        store.restore_study(name, hand())
        trials = len(store.trials(study=name))
    say(clean(f"Study {name} is back, with its {trials} trials; none of them runs."))
