"""`benchd study`: questions with factors and a goal: new, import, export, edit, list, show."""

from __future__ import annotations

import os
import shlex
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchd.cli.common import ArchiveOption, ConfigOption, JsonOption
from benchd.cli.output import clean, emit_json, say
from benchd.cli.studyundo import add_undo
from benchd.errors import BenchError, ExternalError, UsageError, system_words

if TYPE_CHECKING:
    from benchd.store import Store
    from benchd.studies.document import StudyDocument
    from benchd.studies.loaded import LoadedStudy

sub = typer.Typer(no_args_is_help=True, help="Studies: one question, its factors, its goal.")

TEMPLATE = """\
# One question. Every key: firmware-notes/studies.md.
question = "why does ... ?"
# machine = "at286"            # as in the settings
boot_minutes = 4               # one power-up without any change

[goal]
kind = "stage-reached"         # stage-reached, finding-absent, check-passed, stage-faster, result-ok
target = "storage-rom"

[[factor]]
name = "rom-base"
kind = "jumper"                # card, machine, jumper, bios-setting, image, slot, adapter, cable, test, other
levels = ["C800", "D800"]
minutes = 6

[[factor]]
name = "network-card"
kind = "card"
levels = ["out", "in"]

# [[exclude]]
# when = { rom-base = "C800", network-card = "in" }
# reason = "why this cannot be or must not be tried"

# [reference]                  # a setup known to be good, if there is one
# rom-base = "D800"
# network-card = "out"
"""

Name = Annotated[str, typer.Argument(help="The study's name.", metavar="STUDY")]
From = Annotated[Path | None, typer.Option("--from", help="Take the document from this TOML file.")]


def register(app: typer.Typer) -> None:
    """Add the `study` commands."""
    add_undo(sub)
    app.add_typer(sub, name="study")


@sub.command()
def new(name: Name, source: From = None, config: ConfigOption = None) -> None:
    """Make a study from a TOML file, or in $EDITOR.

    The editor opens a template. The machine, and the stage, finding or check of the goal, must be known to the settings
    and to the machine's rule table.

    Exit codes: 0 fine, 1 a file or the store failed, 2 the document is wrong or unchanged, or the name is taken.
    """
    from benchd.cli.studystore import hand, study_store, tables_of
    from benchd.studies.service import resolve_images, save_checked

    with study_store(config, write=True) as store:
        if name in {one.name for one in store.studies()}:
            raise UsageError(f"there is a study '{name}' already: `benchd study edit {name}` changes it")
        if source is not None:
            document, text = _read(source)
            base, file = source.parent, str(source)
        else:
            _needs_terminal(f"benchd study new {name}")
            text, file = _in_editor(TEMPLATE, name)
            if text == TEMPLATE:
                raise UsageError("nothing was changed; no study made")
            document, base = _parsed(text, file), Path()
        document = resolve_images(store, document, base)
        try:
            known, unchecked = save_checked(
                store, name, document, hand(), text=text, file=file, tables=tables_of(config)
            )
        except BenchError:
            if source is None:
                _keep(text, file)
            raise
    _say_saved(known, unchecked)


@sub.command("import")
def import_(
    file: Annotated[Path, typer.Argument(help="Table: each row a boot.", metavar="FILE.csv")],
    name: Annotated[str, typer.Option("--name", help="The study's name.")],
    goal_column: Annotated[str, typer.Option("--goal-column", help="Column with ok, fail or nothing.")] = "result",
    beside: Annotated[
        Path | None,
        typer.Option("--with", help="TOML file to merge; default: NAME.toml or FILE.toml next to the table."),
    ] = None,
    add: Annotated[bool, typer.Option("--add", help="Add the rows to a study that is there.")] = False,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Make a study of a CSV table.

    Each row is a boot, each other column a factor.

    Exit codes: 0 fine, 1 a file or the store failed, 2 the table or the TOML file is wrong.
    """
    from benchd.cli.studystore import hand, study_store, tables_of
    from benchd.files import read_text
    from benchd.inference.wording import counted
    from benchd.studies.csvfile import import_table, read_table
    from benchd.studies.loaded import gather
    from benchd.studies.service import resolve_images

    table = read_table(read_text(file, missing=UsageError), str(file), goal_column)
    if beside is None:
        places = dict.fromkeys((file.with_name(f"{name}.toml") if "/" not in name else file, file.with_suffix(".toml")))
        beside = next((place for place in places if place.suffix == ".toml" and place.is_file()), None)
    with study_store(config, write=True) as store:
        document, text = None, ""
        if beside is not None:
            document, text = _read(beside)
            document = resolve_images(store, document, beside.parent)
        known, unchecked = import_table(
            store, name, table, hand(), beside=document, text=text, file=str(beside or file), add=add,
            tables=tables_of(config),
        )  # fmt: skip
        views = gather(store, known)
    if json:
        emit_json(known.to_json() | {"rows": len(table.rows), "trials": len(views)})
        return
    _say_saved(known, unchecked)
    told = sum(row.result is not None for row in table.rows)
    say(
        f"{counted(len(table.rows), 'row')}, {told} with a result, in {counted(len(views), 'trial')}."
        + (f" Merged: {clean(str(beside))}" if beside else "")
    )


@sub.command()
def export(
    name: Name,
    goal_column: Annotated[str, typer.Option("--goal-column", help="Name of the result's column.")] = "result",
    out: Annotated[Path | None, typer.Option("--out", help="Write to this file; default: standard output.")] = None,
    toml: Annotated[bool, typer.Option("--toml", help="The document as TOML instead of the boots as CSV.")] = False,
    archive: ArchiveOption = None,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Print a study as CSV, or its document with --toml.

    In the CSV each row is a boot.

    Exit codes: 0 fine, 1 the file or the store failed, 2 no such study.
    """
    import sys

    from benchd.cli.studystore import study_store
    from benchd.studies.csvfile import export_table, left_out_remarks
    from benchd.studies.document import to_toml
    from benchd.studies.loaded import gather, open_study

    with study_store(config, archive=archive) as store:
        known = open_study(store, name)
        views = gather(store, known)
    if json:
        emit_json(known.to_json() | {"trials": [view.to_json() for view in views]})
        return
    text = to_toml(known.document, left_out_remarks(views)) if toml else export_table(known, views, goal_column)
    if out is None:
        sys.stdout.write(text)
        return
    try:
        out.write_text(text, encoding="utf-8")
    except OSError as error:
        raise ExternalError(f"{out}: cannot be written: {system_words(error)}") from None


@sub.command()
def edit(
    name: Name,
    source: From = None,
    whole: Annotated[
        bool, typer.Option("--whole", help="With --from: the file is all of it; else what it states is put in.")
    ] = False,
    config: ConfigOption = None,
) -> None:
    """Change a study's document in $EDITOR or from a file.

    A TOML file puts in what it states: costs, exclusions, factors.

    Exit codes: 0 fine, 1 a file, the editor or the store failed, 2 the document is wrong or no such study.
    """
    from benchd.cli.studystore import hand, study_store, tables_of
    from benchd.studies.document import to_toml
    from benchd.studies.loaded import open_study
    from benchd.studies.service import resolve_images, save_checked

    me, tables = hand(), tables_of(config)

    with study_store(config, write=True) as store:
        known = open_study(store, name)
        if source is not None:
            document, text = _read(source)
            document = resolve_images(store, document, source.parent)
            if not whole:
                document = known.document.merged(document)
            known, unchecked = save_checked(
                store, name, document, me, text=text, file=str(source), tables=tables, before=known.document
            )
        else:
            _needs_terminal(f"benchd study edit {name}")
            before = to_toml(known.document)
            text, file = _in_editor(before, name)
            if text == before:
                say("Nothing changed.")
                return
            document = resolve_images(store, _parsed(text, file), Path())
            try:
                known, unchecked = save_checked(
                    store, name, document, me, text=text, file=file, tables=tables, before=known.document
                )
            except BenchError:
                _keep(text, file)
                raise
    _say_saved(known, unchecked)


@sub.command("list")
def list_(archive: ArchiveOption = None, config: ConfigOption = None, json: JsonOption = False) -> None:
    """List the studies, the one edited last first. Exit codes: 0 fine, 1 the store failed, 2 no store."""
    from benchd.cli.output import columns, local
    from benchd.cli.studystore import study_store
    from benchd.cli.studytext import outside_lines
    from benchd.studies.loaded import summaries

    with study_store(config, archive=archive) as store:
        found = summaries(store)
        outside = store.results(outside=True)
    if json:
        emit_json([one.to_json() for one in found])
        return
    if not found:
        say("No studies yet: `benchd study new NAME` makes one, `benchd study import FILE.csv --name NAME` too.")
    rows = [["study", "goal", "factors", "trials", "running", "edited"]]
    rows += [
        [one.name, one.goal, str(one.factors), str(one.trials), one.running or "-", local(one.edited)] for one in found
    ]
    for line in columns([[clean(cell, 60) for cell in row] for row in rows]) if found else []:
        say(line)
    for line in outside_lines(outside):
        say(line)


@sub.command()
def show(name: Name, archive: ArchiveOption = None, config: ConfigOption = None, json: JsonOption = False) -> None:
    """Show a study: question, goal, factors, trials.

    With costs, exclusions, reference and results.

    Exit codes: 0 fine, 1 the store failed, 2 no such study.
    """
    from benchd.cli.studystore import study_store
    from benchd.cli.studytext import study_lines
    from benchd.studies.loaded import gather, open_study

    with study_store(config, archive=archive) as store:
        known = open_study(store, name)
        views = gather(store, known)
    if json:
        emit_json(known.to_json() | {"trials": [view.to_json() for view in views]})
        return
    for line in study_lines(known, views):
        say(line)


def _read(path: Path) -> tuple[StudyDocument, str]:
    from benchd.files import read_text
    from benchd.studies.document import read_part

    text = read_text(path, missing=UsageError)
    return read_part(text, str(path)), text


def _parsed(text: str, file: str) -> StudyDocument:
    from benchd.studies.document import read_part

    try:
        return read_part(text, file)
    except BenchError:
        _keep(text, file)
        raise


def _keep(text: str, file: str) -> None:
    Path(file).write_text(text, encoding="utf-8")
    say(f"Your text is kept in {file}: mend it, then give it with --from (for `edit` also --whole).")


def _needs_terminal(command: str) -> None:
    """Refuse to open an editor where nobody sits, unless one is set that may need no terminal. Raises UsageError."""
    if not (os.environ.get("VISUAL") or os.environ.get("EDITOR") or sys.stdin.isatty()):
        raise UsageError(f"there is no terminal for an editor: write a file, and give it with `{command} --from FILE`")


def _in_editor(text: str, name: str) -> tuple[str, str]:
    """Let the person edit `text`; return the new text and the name of a file it can be kept in."""
    from benchd.files import read_text

    named = os.environ.get("VISUAL") or os.environ.get("EDITOR") or "vi"
    try:
        words = shlex.split(named) or ["vi"]
    except ValueError as error:
        raise UsageError(f"the editor {named!r} cannot be started: {error}; set $EDITOR") from None
    handle, path = tempfile.mkstemp(prefix="study-", suffix=".toml")
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(text)
        try:
            done = subprocess.run([*words, path], check=False)
        except OSError as error:
            raise ExternalError(
                f"the editor {words[0]!r} cannot be started: {system_words(error)}; set $EDITOR"
            ) from None
        if done.returncode:
            raise ExternalError(f"the editor {words[0]!r} ended with {done.returncode}; study '{name}' is unchanged")
        return read_text(Path(path), missing=UsageError), path
    finally:
        Path(path).unlink(missing_ok=True)


def _say_saved(known: LoadedStudy, unchecked: Sequence[str] = ()) -> None:
    from benchd.cli.studytext import wrapped
    from benchd.inference.wording import counted

    factors = known.study.factors
    say(
        f"Study {clean(known.name)}: goal {clean(known.study.goal.words())}, {counted(len(factors), 'factor')}, "
        f"{counted(known.study.size(), 'setup')}, {counted(len(known.study.exclusions), 'exclusion')}."
    )
    for remark in unchecked:
        for line in wrapped(remark):
            say(line)


def the_study(store: Store, name: str | None, machine: str | None = None) -> str:
    """The study that is meant when none is named: that of the machine's last trial, else the only one.

    Raises UsageError when that is not one.
    """
    if name is not None:
        return store.study(name).name
    trials = store.trials(machine=machine) if machine is not None else store.trials()
    if trials:
        return trials[-1].study
    studies = [one.name for one in store.studies()]
    if len(studies) == 1:
        return studies[0]
    raise UsageError(
        "which study? name it with --study; " + (f"there are {', '.join(studies)}" if studies else "there is none yet")
    )
