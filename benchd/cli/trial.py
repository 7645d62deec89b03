"""`benchd trial`: start one by what changed, end it, note, enter results, look at trials."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchd.cli.bootsundo import boot_named, trial_named
from benchd.cli.common import ArchiveOption, ConfigOption, JsonOption
from benchd.cli.output import clean, emit_json, say
from benchd.cli.studytext import prediction_lines, trial_lines, trial_table, wrapped
from benchd.cli.studytext import result_words as _result_words
from benchd.cli.trialundo import add_undo
from benchd.errors import UsageError

if TYPE_CHECKING:
    from benchd.store import Hand, Result, Store
    from benchd.studies.loaded import LoadedStudy
    from benchd.studies.service import Started
    from benchd.studies.undo import BootBefore

sub = typer.Typer(no_args_is_help=True, help="Trials: one setup, and the boots made with it.")

Machine = Annotated[str | None, typer.Option(help="The machine, as in the settings.")]
TrialOption = Annotated[str | None, typer.Option("--trial", help="A trial's id; default: the running one.")]


def register(app: typer.Typer) -> None:
    """Add the `trial` commands."""
    add_undo(sub)
    app.add_typer(sub, name="trial")


@sub.command()
def start(
    changes: Annotated[
        list[str] | None,
        typer.Argument(help="What changed; @FILE for a ROM image, LEVEL@FILE to name it.", metavar="FACTOR=LEVEL..."),
    ] = None,
    study: Annotated[str | None, typer.Option(help="The study; default: that of the last trial.")] = None,
    machine: Machine = None,
    image: Annotated[list[str] | None, typer.Option(help="A ROM image by its file.", metavar="FACTOR=FILE")] = None,
    note: Annotated[str, typer.Option(help="A remark to keep with the trial.")] = "",
    new: Annotated[bool, typer.Option("--new", help="Levels that the study does not have are added to it.")] = False,
    anyway: Annotated[bool, typer.Option("--anyway", help="Also a setup that the study excludes.")] = False,
    reseated: Annotated[
        bool, typer.Option("--reseated", help="The cover was off: what is plugged was taken out and put back.")
    ] = False,
    rested: Annotated[
        str | None, typer.Option(help="The power is off so long before the first boot, as in 20min.", metavar="TIME")
    ] = None,
    end_running: Annotated[
        bool, typer.Option("--end-running", help="End the trial that runs there, without being asked.")
    ] = False,
    boot: Annotated[
        bool | None,
        typer.Option(
            "--take-boot/--leave-boot",
            help="A boot that began up to 60 s before is this trial's, or is not; else you are asked, or it is left.",
            show_default=False,
        ),
    ] = None,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Start a trial by naming what changed since the last.

    Boots seen from now on belong to it. Where a trial runs on the machine you are asked whether it ends (a script says
    --end-running); where a boot began shortly before, whether it is this trial's.

    Exit codes: 0 fine, 1 an image or the store failed, 2 unknown factor or level, an excluded setup, a trial runs.
    """
    from benchd.cli.study import the_study
    from benchd.cli.studystore import hand, pairs, study_store, tables_of
    from benchd.studies.loaded import open_study
    from benchd.studies.names import check_machine
    from benchd.studies.service import plan_trial, the_rest, with_image
    from benchd.studies.service import start as start_trial
    from benchd.studies.undo import boot_before

    rested_s = the_rest(rested) if rested is not None else None
    wanted, images = pairs(changes or []), pairs(image or [], "factor=FILE")
    tables = tables_of(config)
    machines = list(tables)
    me = hand()
    with study_store(config, write=True) as store:
        known = open_study(store, the_study(store, study, machine))
        files = _image_files(known, wanted, images)
        where = machine or _usual_machine(store, known, machines)
        if not anyway and tables:
            check_machine(store, where, tables)
        for name in files:
            known.study.factor(name)
        plan_trial(store, known, wanted, machine=where, new_levels=new)  # a slip is told before anything is asked
        _may_end(store, where, end_running, json)
        for name, (path, label) in files.items():
            known, wanted[name] = with_image(store, known, name, Path(path), label, me.at)
        known, plan = plan_trial(
            store, known, wanted, machine=where, new_levels=new, reseated=reseated, rested_s=rested_s
        )
        before = boot_before(store, where, me.at)
        begun = start_trial(store, known, plan, me.at, machine=where, note=note, anyway=anyway, hand=me)
        told = _boot_told(store, before, begun.trial.id, boot, json, me)
    if json:
        emit_json(begun.to_json())
        return
    for line in _started_lines(begun, plan.remarks(), machines):
        say(line)
    for line in told:
        say(line)


def _may_end(store: Store, machine: str, end_running: bool, json: bool) -> None:
    """Ask whether the trial that runs on the machine shall end. Raises UsageError where it shall not."""
    from benchd.cli.output import local
    from benchd.cli.studystore import asked
    from benchd.inference.wording import counted

    ran = store.current_trial(machine)
    if ran is None or end_running:
        return
    number = counted(len(store.boots(trial=ran.id)), "boot")
    what = f"trial {ran.called} of study {ran.study} runs on {machine} since {local(ran.started)} ({number})"
    answer = None if json else asked(clean(f"{what[0].upper()}{what[1:]}. End it, and begin the new one?", 400))
    if answer is None:
        raise UsageError(f"{what}: --end-running ends it, or end it first with `benchd trial end {ran.id}`")
    if not answer:
        raise UsageError(f"trial {ran.id} goes on; nothing was begun")


def _boot_told(
    store: Store, before: BootBefore | None, trial: str, wanted: bool | None, json: bool, me: Hand
) -> list[str]:
    """Let a boot that began shortly before be the trial's where the person says so; say what became of it."""
    from benchd.cli.studystore import asked
    from benchd.studies.undo import move

    if before is None:
        return []
    if wanted is None and not json:
        wanted = asked(f"{before.words}: is it this trial's?")
    if wanted:
        move(store, before.boot, trial, me)
        return [f"Boot {before.boot} is this trial's."]
    if wanted is False:  # said, so that it holds: word of the trial may reach a running boot as well
        move(store, before.boot, before.trial, me)
    return [f"{before.words}: it stays there. If it is this trial's: benchd boots move {before.boot} {trial}"]


def _image_files(
    known: LoadedStudy, wanted: dict[str, str], images: Mapping[str, str]
) -> dict[str, tuple[str, str | None]]:
    """The image files named, by factor: path, and the level's name where one is given. Taken out of `wanted`."""
    files: dict[str, tuple[str, str | None]] = {name: (path, None) for name, path in images.items()}
    for name, level in list(wanted.items()):
        part = known.document.factor_named(name)
        called, at, path = level.partition("@")
        is_file = part is not None and bool(at) and level not in part.levels
        if name in files:
            other = f"--image {files[name][0]}" if is_file else f"the image {files[name][0]}"
            raise UsageError(f"'{name}' is named twice: {level} and {other}")
        if is_file:
            files[name] = (path, called or None)
            del wanted[name]
    return files


def _usual_machine(store: Store, known: LoadedStudy, machines: Sequence[str]) -> str:
    """The study's machine, else that of its last trial, else the only one. Raises UsageError when that is none."""
    from benchd.studies.loaded import IMPORTED

    earlier = [one.machine for one in store.trials(study=known.name) if one.machine != IMPORTED]
    usual = [*earlier[-1:], *(machines if len(machines) == 1 else [])]
    where = known.document.machine or next(iter(usual), None)
    if where is None:
        raise UsageError(f"which machine? give --machine; the settings have {', '.join(machines) or 'none'}")
    return where


def _started_lines(begun: Started, remarks: Sequence[str], machines: Sequence[str]) -> Iterator[str]:
    trial = begun.trial
    yield f"Trial {trial.id} of study {clean(trial.study)} runs on {clean(trial.machine)}."
    for change in begun.changes:
        yield f"  {clean(change.words())}  ({change.minutes:g} min)"
    if not begun.changes:
        setup = ", ".join(f"{factor}={level}" for factor, level in trial.setup.items())
        yield from wrapped(f"the same setup as {begun.compared_with}: {setup}", "  ")
    for text in [*remarks, *begun.notes]:
        yield from wrapped(text)
    if machines and trial.machine not in machines:
        yield f"The settings have no machine '{clean(trial.machine)}': no boots will attach by themselves."
    if begun.prediction is not None:
        yield from prediction_lines(begun.prediction)


@sub.command()
def end(
    trial: Annotated[str | None, typer.Argument(help="A trial's id; default: the running one.")] = None,
    machine: Machine = None,
    config: ConfigOption = None,
) -> None:
    """End a trial: later boots do not belong to it. Exit codes: 0 fine, 1 the store failed, 2 no such trial."""
    from benchd.cli.studystore import hand, study_store
    from benchd.studies.service import the_running

    me = hand()
    with study_store(config, write=True) as store:
        named = trial_named(store, trial) if trial else the_running(store, machine).id
        found = store.end_trial(named, me.at, me)
    say(f"Trial {found.id} of study {clean(found.study)} ended; `benchd trial resume {found.id}` lets it run again.")


@sub.command()
def note(
    text: Annotated[str, typer.Argument(help="What to keep.")],
    trial: TrialOption = None,
    machine: Machine = None,
    config: ConfigOption = None,
) -> None:
    """Add a line to a trial's note. Exit codes: 0 fine, 1 the store failed, 2 no such trial."""
    from benchd.cli.studystore import hand, study_store
    from benchd.studies.service import the_running

    if not text.strip() or len(text) > 10_000:
        raise UsageError(f"a note has 1 to 10000 characters, not {len(text.strip())}")
    with study_store(config, write=True) as store:
        named = trial_named(store, trial) if trial else the_running(store, machine).id
        found = store.note_trial(named, text.strip(), hand())
    say(f"Noted on trial {found.id}.")


@sub.command("list")
def list_(
    study: Annotated[str | None, typer.Option(help="Only this study.")] = None,
    machine: Machine = None,
    archive: ArchiveOption = None,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """List trials, oldest first, with results. Exit codes: 0 fine, 1 the store failed, 2 no such study."""
    from benchd.cli.studystore import study_store
    from benchd.studies.loaded import gather, open_study

    with study_store(config, archive=archive) as store:
        names = [study] if study is not None else list(dict.fromkeys(one.study for one in store.trials()))
        views = [view for name in names for view in gather(store, open_study(store, name))]
        order = [one.id for one in store.trials()]
    views = sorted((view for view in views if machine in (None, view.machine)), key=lambda view: order.index(view.id))
    if json:
        emit_json([view.to_json() for view in views])
        return
    for line in trial_table(views) if views else ["No trials yet: `benchd trial start --study STUDY` begins one."]:
        say(line)


@sub.command()
def show(
    trial: Annotated[str, typer.Argument(help="A trial's id; `last` for the newest.")],
    archive: ArchiveOption = None,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Show a trial: setup, boots with verdicts, checks.

    Also notes, and what was predicted against what was seen.

    Exit codes: 0 fine, 1 the store failed, 2 no such trial.
    """
    from benchd.cli.studystore import study_store
    from benchd.studies.comparing import NamedBoots, events_of, predicted
    from benchd.studies.loaded import gather, open_study

    with study_store(config, archive=archive) as store:
        trial = trial_named(store, trial)
        known = open_study(store, store.trial(trial).study)
        view = next(one for one in gather(store, known) if one.id == trial)
        told: list[str] = []
        if view.predictions:
            group = NamedBoots(trial, view.counting, trial)
            told = predicted(store, group, events_of(store, view.counting)[0] if view.counting else {})
    if json:
        emit_json(view.to_json() | {"agreement": told})
        return
    for line in trial_lines(known, view, told):
        say(line)


@sub.command()
def current(machine: Machine = None, config: ConfigOption = None, json: JsonOption = False) -> None:
    """Show what runs on each machine. Exit codes: 0 fine (also when nothing runs), 1 the store failed, 2 no store."""
    from benchd.cli.studystore import machine_names, study_store
    from benchd.studies.service import running

    with study_store(config) as store:
        found = running(store, machine_names(config))
    if machine is not None:
        found = {name: trial for name, trial in found.items() if name == machine}
    if json:
        emit_json({name: trial.model_dump(mode="json") for name, trial in found.items()})
        return
    if not found:
        say("No trial is running.")
    for name, trial in found.items():
        setup = ", ".join(f"{factor}={level}" for factor, level in trial.setup.items())
        say(f"{clean(name)}: trial {clean(trial.called)} of study {clean(trial.study)}, {clean(setup, 1000)}")


def _before(store: Store, new: Result) -> list[Result]:
    """The results of the same check that were entered earlier for the same boot or, without one, the same trial."""
    there = store.results(boot=new.boot) if new.boot is not None else store.results(trial=new.trial)
    return [one for one in there if (one.check, one.boot) == (new.check, new.boot) and one.id != new.id]


@sub.command()
def result(
    check: Annotated[str | None, typer.Argument(help="A check's name, or `goal` for the study's goal.")] = None,
    outcome: Annotated[str | None, typer.Argument(help="pass or fail (ok is fine too).", metavar="pass|fail")] = None,
    boot: Annotated[str | None, typer.Option(help="A boot's id, or the beginning of it; `last`.")] = None,
    trial: TrialOption = None,
    machine: Machine = None,
    note: Annotated[str, typer.Option(help="A remark to keep with the result.")] = "",
    csv: Annotated[
        Path | None, typer.Option("--csv", help="Results a test program left: columns check,result[,boot].")
    ] = None,
    take_back: Annotated[int | None, typer.Option("--take-back", help="Take back the result with this number.")] = None,
    put_back: Annotated[int | None, typer.Option("--put-back", help="Put back one that was taken back.")] = None,
    new: Annotated[bool, typer.Option("--new", help="Checks that nobody named before are meant so.")] = False,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Enter a result by hand, or from a CSV file.

    For the newest boot of the running trial, or as named. A check that neither the rule table nor the study's results
    have needs --new: a slip of the pen would bend the evidence.

    Exit codes: 0 fine, 1 a file or the store failed, 2 no such boot or trial, or a wrong table.
    """
    from benchd.cli.studystore import hand, study_store, tables_of
    from benchd.files import read_text
    from benchd.studies.csvfile import passed_word, read_checks
    from benchd.studies.service import doubt, enter, enter_table

    one_way = sum(one is not None for one in (check, csv, take_back, put_back))
    if one_way != 1 or (check is not None) != (outcome is not None):
        raise UsageError("give CHECK and pass or fail, or --csv FILE, or --take-back NUMBER, or --put-back NUMBER")
    me, tables = hand(), tables_of(config)
    with study_store(config, write=True) as store:
        boot = boot_named(store, boot) if boot == "last" else boot
        trial = trial_named(store, trial) if trial is not None else None
        if take_back is not None:
            gone = store.take_back(take_back, me)
            say(f"Result {take_back} ({clean(_result_words(gone))}) is taken back; --put-back {take_back} undoes that.")
            return
        if put_back is not None:
            say(f"Result {put_back} ({clean(_result_words(store.put_back(put_back, me)))}) counts again.")
            return
        if csv is not None:
            rows = read_checks(read_text(csv, missing=UsageError), str(csv))
            found = enter_table(
                store, rows, me.at, file=str(csv), boot=boot, trial=trial, machine=machine, hand=me, tables=tables,
                new=new,
            )  # fmt: skip
        else:
            assert check is not None and outcome is not None
            found = [
                enter(
                    store,
                    check,
                    passed_word(outcome),
                    me.at,
                    boot=boot,
                    trial=trial,
                    machine=machine,
                    note=note,
                    hand=me,
                    tables=tables,
                    new=new,
                )
            ]
        before = _before(store, found[0]) if check is not None else []
        doubts = {one.id: told for one in found if (told := doubt(store, one)) is not None}
    _tell_results(found, before, doubts, json)


def _tell_results(found: list[Result], before: list[Result], doubts: dict[int | None, str], json: bool) -> None:
    """Say what was entered, what stood for the same before, and what speaks against it."""
    if json:
        emit_json([one.model_dump(mode="json") | {"warning": doubts.get(one.id)} for one in found])
        return
    for one in found[:50]:
        say(clean(f"{one.id}: {_result_words(one)}"))
    for one in before:
        say(clean(f"Entered for the same before: {one.id} ({_result_words(one)}); --take-back {one.id} takes it back."))
    for number, text in doubts.items():
        for line in wrapped(f"WARNING: {text} To undo it: benchd trial result --take-back {number}"):
            say(line)
    if len(found) > 50:
        say(f"... {len(found)} results in all")
