"""`benchd boots move`, `leave-out`, `count`, `note`, `label`: what people decide about boots."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from benchd.cli.common import ConfigOption, JsonOption
from benchd.cli.output import clean, emit_json, say
from benchd.errors import UsageError

if TYPE_CHECKING:
    from benchd.store import Store
    from benchd.vocabulary.models import Boot

BootName = Annotated[str, typer.Argument(help="A boot's id, or the beginning of it; `last` for the newest.")]
NO_TRIAL = "none"


def add_undo(group: typer.Typer) -> None:
    """Add the commands."""
    group.command("move")(move)
    group.command("leave-out")(leave_out)
    group.command("count")(count)
    group.command("note")(note)
    group.command("label")(label)


def boot_named(store: Store, name: str) -> str:
    """The id of the boot that is meant. Raises UsageError."""
    if name != "last":
        return store.boot(name).id
    newest = store.boots(limit=1)
    if not newest:
        raise UsageError("no boots are stored yet")
    return newest[0].id


def trial_named(store: Store, name: str) -> str:
    """The id of the trial that is meant: as it is, in small letters, or `last` for the newest. Raises UsageError."""
    if name != "last":
        return name.upper() if name[:1] == "t" and name[1:].isdecimal() else name
    trials = store.trials()
    if not trials:
        raise UsageError("no trial was started yet")
    return trials[-1].id


def _say(boot: Boot, text: str, json: bool) -> None:
    if json:
        emit_json(boot.model_dump(mode="json", by_alias=True))
    else:
        say(clean(text, 1000))


def move(
    boot: BootName,
    trial: Annotated[str, typer.Argument(help=f"A trial's id, `last` for the newest, or `{NO_TRIAL}`.")],
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Move a boot to another trial.

    With all that was entered for it. `benchd trial log` shows where it was.

    Exit codes: 0 fine, 1 the store failed, 2 no such boot or trial, or the trial is of another machine.
    """
    from benchd.cli.studystore import hand, study_store
    from benchd.studies.undo import move as move_boot

    with study_store(config, write=True) as store:
        known = store.boot(boot_named(store, boot))
        found = move_boot(store, known.id, None if trial == NO_TRIAL else trial_named(store, trial), hand())
    was = known.trial or "no trial"
    to = f"trial {found.trial}" if found.trial else "no trial"
    _say(found, f"Boot {found.id} belongs to {to} (before: {was}).", json)


def leave_out(
    boot: BootName,
    reason: Annotated[str, typer.Argument(help="Why it shall not count, as in 'mains failed'.")],
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Leave a boot out.

    It counts nowhere, and wherever it would count that is said with the reason. `benchd boots count` undoes it.

    Exit codes: 0 fine, 1 the store failed, 2 no such boot, or no reason.
    """
    from benchd.cli.studystore import hand, study_store

    with study_store(config, write=True) as store:
        found = store.leave_out(boot_named(store, boot), reason, hand())
    _say(found, f"Boot {found.id} is left out: {found.left_out}. `benchd boots count {found.id}` undoes that.", json)


def count(boot: BootName, config: ConfigOption = None, json: JsonOption = False) -> None:
    """Count a boot again that was left out. Exit codes: 0 fine, 1 the store failed, 2 no such boot."""
    from benchd.cli.studystore import hand, study_store

    with study_store(config, write=True) as store:
        found = store.count_boot(boot_named(store, boot), hand())
    _say(found, f"Boot {found.id} counts.", json)


def note(
    boot: BootName,
    text: Annotated[str, typer.Argument(help="What to keep, in place of the note before; empty: nothing.")],
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Write a note on a boot, in place of the one before. Exit codes: 0 fine, 1 the store failed, 2 no such boot."""
    from benchd.cli.studystore import hand, study_store

    with study_store(config, write=True) as store:
        found = store.note_boot(boot_named(store, boot), text, hand())
    _say(found, f"Noted on boot {found.id}." if found.note else f"Boot {found.id} has no note.", json)


def label(
    boot: BootName,
    labels: Annotated[
        list[str] | None,
        typer.Argument(help="All labels that it has from now on; none: no labels.", metavar="LABEL..."),
    ] = None,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Put labels on a boot, in place of those before.

    Exit codes: 0 fine, 1 the store failed, 2 no such boot, or what is no label.
    """
    from benchd.cli.studystore import hand, study_store

    with study_store(config, write=True) as store:
        found = store.label_boot(boot_named(store, boot), labels or [], hand())
    _say(found, f"Labels of boot {found.id}: {', '.join(found.labels) or 'none'}.", json)
