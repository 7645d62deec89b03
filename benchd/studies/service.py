"""What a person does at the bench: start a trial by what changed, enter results, know images by their bytes."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchd.errors import BenchError, UsageError
from benchd.inference.forms import Form
from benchd.inference.study import MAX_NAME, Change, Goal
from benchd.store import Hand, Result, Store, StoredImage, Trial
from benchd.studies.document import StudyDocument, pure_kind
from benchd.studies.goal import GOAL, needed_links, short_of
from benchd.studies.loaded import IMPORTED, LoadedStudy, complete, first_setup, images_of, open_study, save
from benchd.studies.names import Tables, check_checks, check_goal
from benchd.studies.scan_prediction import can_predict, predict_scan
from benchd.studies.tables import table_of
from benchd.vocabulary.times import duration_words, parse_duration

NO_TABLES: Tables = {}


@dataclass(frozen=True, slots=True)
class Plan:
    """What starting a trial would mean. `before` is the setup it is compared with, and where that came from.

    `given` are the levels that the person named; `new` levels that the study does not have yet.
    """

    setup: Mapping[str, str]
    changes: tuple[Change, ...]
    before_from: str
    repeats: tuple[str, ...]
    excluded: str | None
    new: tuple[tuple[str, str], ...]
    reseated: bool = False
    rested_s: float | None = None
    caution: str | None = None

    @property
    def hardware(self) -> bool:
        return self.reseated or any(change.hardware for change in self.changes)

    def remarks(self) -> list[str]:
        """What a person should be told before starting, in sentences."""
        out = []
        if self.repeats:
            out.append(f"This setup was tried before, in {', '.join(self.repeats)}: a repeat.")
        if len(self.changes) > 1:
            out.append(
                f"{len(self.changes)} things change at once ({', '.join(c.factor for c in self.changes)}): "
                "if the result differs, this trial alone cannot say which did it."
            )
        if self.reseated:
            out.append("What is plugged was taken out and put back: a bad contact may be good now, or bad.")
        if self.rested_s is not None:
            out.append(f"Before its first boot the machine rests without power for {duration_words(self.rested_s)}.")
        out += [f"New level of {factor}: {level}." for factor, level in self.new]
        if self.caution is not None:
            out.append(f"CAUTION: {self.caution}")
        return out


@dataclass(frozen=True, slots=True)
class Started(Form):
    """A trial that has begun, with what was said about it and the ROM scan foretold for it (or None)."""

    trial: Trial
    changes: tuple[Change, ...]
    compared_with: str
    repeats: tuple[str, ...]
    caution: str | None
    prediction: Mapping[str, Any] | None
    notes: tuple[str, ...]


def the_rest(text: str) -> float:
    """Read a rest as written, in seconds. Raises UsageError."""
    if re.fullmatch(r"\s*[0-9.]+\s*", text):
        number = text.strip()
        raise UsageError(f"the rest without power: {number} of what? Write {number}s or {number}min")
    try:
        return parse_duration(text)
    except ValueError as error:
        raise UsageError(f"the rest without power: {error}") from None


def read_image_file(path: Path) -> StoredImage:
    """What is known of a ROM image file: name, size, SHA-256 of the file's bytes, where it was read."""
    from benchd.files import read_bytes

    data = read_bytes(path)
    return StoredImage(
        sha256=hashlib.sha256(data).hexdigest(), name=path.name[:200], size=len(data), path=str(path.resolve())
    )


def save_checked(
    store: Store,
    name: str,
    document: StudyDocument,
    hand: Hand,
    *,
    text: str = "",
    file: str = "study",
    tables: Tables = NO_TABLES,
    before: StudyDocument | None = None,
) -> tuple[LoadedStudy, list[str]]:
    """Store a document whose machine and goal are names that the bench knows; with what could not be checked.

    Raises UsageError for a machine or goal that nobody knows; not where they are as in the document `before`.
    """
    goal = document.goal
    unchecked = []
    if before is None or (before.machine, before.goal) != (document.machine, goal):
        pure = Goal(goal.kind, goal.target, goal.limit)
        unchecked = check_goal(store, pure, document.machine, tables)
    return save(store, name, document, hand.at, text=text, file=file, hand=hand), unchecked


def add_image(store: Store, path: Path) -> StoredImage:
    """Store what is known of a ROM image file. Raises ExternalError when it cannot be read."""
    image = read_image_file(path)
    store.add_image(image)
    return image


def image_level(image: StoredImage) -> str:
    """The level that an image becomes: its file name and the beginning of its SHA-256."""
    return f"{image.name[: MAX_NAME - 9]} {image.sha256[:8]}"


def resolve_images(store: Store, document: StudyDocument, base: Path) -> StudyDocument:
    """The document with file names in `images` replaced by SHA-256, and `map` as a full path."""
    factors = []
    for factor in document.factor:
        images = {}
        for level, named in factor.images.items():
            known = len(named) == 64 and set(named) <= set("0123456789abcdef")
            images[level] = named if known else add_image(store, (base / named).expanduser()).sha256
        factors.append(factor.model_copy(update={"images": images}) if images else factor)
    update: dict[str, Any] = {"factor": factors} if "factor" in document.model_fields_set else {}
    if document.map is not None:
        update["map"] = str((base / document.map).expanduser().resolve())
    return document.model_copy(update=update)


def with_image(
    store: Store, known: LoadedStudy, factor: str, path: Path, level: str | None, now: str
) -> tuple[LoadedStudy, str]:
    """The study with an image file as a level of `factor`, and that level: bytes known already keep theirs."""
    part = known.document.factor_named(factor)
    if part is None:
        known.study.factor(factor)
        raise AssertionError
    if pure_kind(part) != "image":
        raise UsageError(f"factor '{factor}' is no ROM image (kind {pure_kind(part)}); name a level instead of a file")
    image = read_image_file(path)
    same = next((one for one, sha in part.images.items() if sha == image.sha256), None)
    name = level or same or image_level(image)
    before = part.images.get(name)
    if before is not None and before != image.sha256:
        raise UsageError(
            f"level '{name}' of factor '{factor}' is the image {before[:12]}, not {image.sha256[:12]} as in "
            f"{path}: give the new image a level of its own"
        )
    store.add_image(image)
    document = known.document if name in part.levels else known.document.with_level(factor, name)
    factors = [
        one.model_copy(update={"images": {**one.images, name: image.sha256}}) if one.name == factor else one
        for one in document.factor
    ]
    return save(store, known.name, document.model_copy(update={"factor": factors}), now), name


def plan_trial(
    store: Store,
    known: LoadedStudy,
    changes: Mapping[str, str],
    *,
    machine: str | None = None,
    new_levels: bool = False,
    reseated: bool = False,
    rested_s: float | None = None,
) -> tuple[LoadedStudy, Plan]:
    """Work out the setup from what changed. Raises UsageError for unknown factors and levels.

    Compared with the last trial of the study (on `machine` if there is one there), else the reference, else
    the first allowed setup. With `new_levels` unknown levels are added to the study (when it is started).
    `reseated`: the cover is off before it and what is plugged is plugged anew, whatever changes; `rested_s`: it
    rests for so long without power first.
    """
    study, document = known.study, known.document
    new = []
    for factor, level in changes.items():
        own = study.factor(factor)
        if level not in own.levels:
            if not new_levels:
                raise UsageError(
                    f"factor '{factor}' has no level '{level}'; it has {', '.join(own.levels)}. "
                    "A level that the study does not know yet: add --new"
                )
            new.append((factor, level))
            document = document.with_level(factor, level)
    if new:
        known = LoadedStudy(known.stored, document, document.pure(known.name))
        study = known.study
    earlier = store.trials(study=study.name)
    on_machine = [trial for trial in earlier if trial.machine == machine]
    last = next(reversed(on_machine or earlier), None)
    if last is not None:
        before, came = complete(study, last.setup)[0], last.id
    else:
        before, came = first_setup(study), "the reference setup" if study.reference else "the first levels"
    setup = {**before, **changes}
    study.check_setup(setup)
    same = [trial.id for trial in earlier if complete(study, trial.setup)[0] == setup]
    made = study.changes(before, setup)
    return known, Plan(
        setup,
        made,
        came,
        tuple(same),
        study.excluded(setup),
        tuple(new),
        reseated,
        rested_s,
        study.caution(made, reseated),
    )


def check_allowed(plan: Plan, anyway: bool) -> None:
    """Raise UsageError for a setup that the study excludes, unless it is tried `anyway`."""
    if plan.excluded is not None and not anyway:
        raise UsageError(f"the study excludes this setup: {plan.excluded}. To try it all the same: --anyway")


def start(
    store: Store,
    known: LoadedStudy,
    plan: Plan,
    now: str,
    *,
    machine: str,
    note: str = "",
    anyway: bool = False,
    hand: Hand | None = None,
    name: str = "",
) -> Started:
    """Begin the trial of `plan`; the one that runs on `machine` ends. Raises UsageError for excluded setups."""
    if machine == IMPORTED:
        raise UsageError(f"'{IMPORTED}' is the name for trials from files; give the machine another one")
    notes = []
    check_allowed(plan, anyway)
    if plan.excluded is not None:
        notes.append(f"Tried although excluded: {plan.excluded}.")
    full = "\n".join([*notes, *([note] if note else [])])
    ended = store.current_trial(machine)
    if ended is not None and ended.study != known.name:
        notes.append(f"Trial {ended.id} of study {ended.study} ends with this: one trial runs on a machine at a time.")
    elif ended is not None and not store.boots(trial=ended.id, limit=1) and not store.results(trial=ended.id):
        notes.append(f"Trial {ended.id} ends without a boot or a result.")
    if plan.new:
        known = save(store, known.name, known.document, now)
    trial = store.start_trial(
        study=known.name,
        machine=machine,
        setup=plan.setup,
        changed={change.factor: change.after for change in plan.changes},
        started=now,
        note=full,
        reseated=plan.reseated,
        rested_s=plan.rested_s,
        name=name,
        hand=hand,
    )
    prediction = None
    if can_predict(known.document):
        try:
            prediction = predict_scan(known.document, plan.setup, images_of(store, known.document)).to_json()
            store.add_prediction(trial.id, prediction, now)
        except BenchError as error:
            notes.append(f"No prediction of the ROM scan: {error}")
    return Started(trial, plan.changes, plan.before_from, plan.repeats, plan.caution, prediction, tuple(notes))


def running(store: Store, machines: Sequence[str] = ()) -> dict[str, Trial]:
    """The trial that runs on each machine; also on machines that the settings do not name."""
    found = {trial.machine: trial for trial in store.trials() if trial.ended is None and trial.machine != IMPORTED}
    return {name: found[name] for name in [*machines, *sorted(found.keys() - set(machines))] if name in found}


def the_running(store: Store, machine: str | None) -> Trial:
    """The one trial that is meant when none is named. Raises UsageError when none or several run."""
    found = running(store)
    if machine is not None:
        if machine in found:
            return found[machine]
        raise UsageError(f"no trial runs on '{machine}': `benchd trial start` begins one")
    if len(found) == 1:
        return next(iter(found.values()))
    if not found:
        raise UsageError(
            "no trial is running: name one, such as T3 (`benchd trial list`), or begin one with `benchd trial start`"
        )
    raise UsageError(f"trials run on {', '.join(found)}: say which with --machine")


def enter(
    store: Store,
    check: str,
    passed: bool,
    now: str,
    *,
    boot: str | None = None,
    trial: str | None = None,
    machine: str | None = None,
    note: str = "",
    hand: Hand | None = None,
    tables: Tables = NO_TABLES,
    new: bool = False,
) -> Result:
    """Enter a result by hand: for a boot, else for the newest boot of the trial, else for the trial itself.

    Without `boot` and `trial` the running trial is meant. Raises UsageError for a check that neither the study, nor
    its results, nor the machine's table in `tables` know, unless it is `new`.
    """
    if not 1 <= len(check) <= 200:
        raise UsageError(f"a check's name has 1 to 200 characters, not {len(check)}")
    of_trial, of_boot = _meant(store, boot, trial, machine)
    check_checks(store, [check], trial=of_trial, boot=of_boot, tables=tables, new=new)
    result = Result(trial=of_trial, boot=of_boot, check=check, passed=passed, note=note, entered=now)
    return store.add_result(result, hand)


def doubt(store: Store, result: Result) -> str | None:
    """What speaks against a goal that was entered as passed: its boot had not got there. None: nothing is known."""
    if result.check != GOAL or not result.passed or result.boot is None or result.trial is None:
        return None
    goal = open_study(store, store.trial(result.trial).study).study.goal
    boot = store.boot(result.boot)
    found = short_of(goal, boot, needed_links(goal, table_of(store, boot)) if boot.blind else None)
    return f"{found[0].upper()}{found[1:]}. The result counts all the same." if found else None


def _meant(store: Store, boot: str | None, trial: str | None, machine: str | None) -> tuple[str | None, str | None]:
    """The ids of the trial and the boot that a result is for."""
    if boot is not None:
        found = store.boot(boot)
        if trial is not None and found.trial not in (None, trial):
            raise UsageError(f"boot {found.id} belongs to trial {found.trial}, not {trial}")
        return trial or found.trial, found.id
    of_trial = store.trial(trial).id if trial is not None else the_running(store, machine).id
    newest = (one.id for one in store.boots(trial=of_trial, limit=20) if not one.passes_of)
    return of_trial, next(newest, None)


def enter_table(
    store: Store,
    rows: Sequence[tuple[str, bool, str | None, int]],
    now: str,
    *,
    file: str,
    boot: str | None = None,
    trial: str | None = None,
    machine: str | None = None,
    hand: Hand | None = None,
    tables: Tables = NO_TABLES,
    new: bool = False,
) -> list[Result]:
    """Enter all results of a file, or none. A row without boot is meant as in `enter`."""
    out = []
    meant: dict[str | None, tuple[str | None, str | None]] = {}
    for check, passed, named, line in rows:
        if named not in meant:
            try:
                meant[named] = _meant(store, named or boot, None if named else trial, machine)
            except UsageError as error:
                raise UsageError(f"{file}:{line}: {error}" if named else str(error)) from None
        of_trial, of_boot = meant[named]
        out.append(Result(trial=of_trial, boot=of_boot, check=check, passed=passed, source="csv", entered=now))
    for place in dict.fromkeys(meant.values()):
        checks = [one.check for one in out if (one.trial, one.boot) == place]
        check_checks(store, checks, trial=place[0], boot=place[1], tables=tables, new=new)
    return store.add_results(out, hand)
