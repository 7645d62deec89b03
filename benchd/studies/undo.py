"""What a person puts right at the bench: a boot in the wrong trial, one that shall not count, a study in the way."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from benchd.errors import UsageError
from benchd.inference.forms import Form
from benchd.inference.wording import counted
from benchd.store import Hand, LogEntry, Store, Trial
from benchd.studies.loaded import IMPORTED, gather, open_study
from benchd.vocabulary.models import Boot

DELETED = "deleted"
"""In the data folder: exports of studies that were deleted."""
BEFORE_S = 60.0
"""A boot that began this short before its trial was begun may be the trial's: the hand was quicker at the switch."""
FORGOTTEN_S = 6 * 3600.0
"""A trial of an earlier day that has run so long looks forgotten; an evening may go past midnight."""


@dataclass(frozen=True, slots=True)
class BootBefore(Form):
    """A boot that began shortly before a trial: `began_s` seconds before. `trial` is the one it counts for so far."""

    boot: str
    began_s: float
    trial: str | None
    words: str


@dataclass(frozen=True, slots=True)
class Deletion(Form):
    """What goes with a study that is deleted."""

    study: str
    trials: int
    boots: int
    results: int

    def words(self) -> str:
        return (
            f"Study '{self.study}' has {counted(self.trials, 'trial')} with {counted(self.boots, 'boot')} and "
            f"{counted(self.results, 'result')} by hand"
        )


def boot_before(store: Store, machine: str, started: str, but: str | None = None) -> BootBefore | None:
    """The newest boot of the machine, if it began up to `BEFORE_S` before `started` and belongs to another trial.

    `but`: the trial that was started then, which the boot may belong to already.
    """
    moment = datetime.fromisoformat(started)
    # Times of trials are in whole seconds, those of boots are not.
    since = moment - timedelta(seconds=BEFORE_S)
    found = [boot for boot in store.boots(machine=machine, since=since, limit=8) if boot.passes_of is None]
    newest = next(
        (boot for boot in found if datetime.fromisoformat(boot.started) <= moment + timedelta(seconds=1)), None
    )
    if newest is None or (but is not None and newest.trial == but):
        return None
    ago = max(0.0, (moment - datetime.fromisoformat(newest.started)).total_seconds())
    seconds = f"{ago:.0f} s ago" if ago >= 1 else "just now"
    words = f"A boot began {seconds} ({newest.id}, {f'trial {newest.trial}' if newest.trial else 'of no trial'})"
    return BootBefore(newest.id, ago, newest.trial, words)


def move(store: Store, boot: str, trial: str | None, hand: Hand) -> Boot:
    """Let a boot belong to another trial of its machine, None: to none. Raises UsageError."""
    known = store.boot(boot)
    if trial is not None:
        to = store.trial(trial)
        if to.machine == IMPORTED:
            raise UsageError(f"trial {trial} came from a file: it has results but no boots")
        if to.machine != known.machine:
            raise UsageError(
                f"boot {known.id} is of machine '{known.machine}', trial {trial} of '{to.machine}': "
                "a boot belongs to a trial of its own machine"
            )
    return store.move_boot(known.id, trial, hand)


def resume(store: Store, trial: str, hand: Hand) -> tuple[Trial, list[Boot]]:
    """Let a trial run again that was ended by mistake; return it, and the boots of its machine since, oldest first.

    These stay where they are. Raises UsageError where it did not end, came from a file, or another one runs there.
    """
    ended = store.trial(trial)
    if ended.machine == IMPORTED:
        raise UsageError(f"trial {trial} came from a file: it has results but no boots")
    found = store.resume_trial(trial, hand)
    since = datetime.fromisoformat(str(ended.ended))
    boots = store.boots(machine=found.machine, since=since, newest_first=False)
    return found, [boot for boot in boots if boot.trial != trial and boot.passes_of is None]


def forgotten(trial: Trial, now: datetime) -> str | None:
    """A sentence where a running trial was begun on an earlier day and looks forgotten, else None."""
    began = datetime.fromisoformat(trial.started).astimezone(now.tzinfo)
    days = (now.date() - began.date()).days
    if trial.ended is not None or days < 1 or (now - began).total_seconds() < FORGOTTEN_S:
        return None
    day = "yesterday" if days == 1 else f"{days} days ago"
    return (
        f"Trial {trial.called} of study {trial.study} runs since {day}, {began:%Y-%m-%d %H:%M}: boots of today go into "
        f"it. `benchd trial end {trial.id}` ends it."
    )


def whole_study(store: Store, name: str) -> dict[str, Any]:
    """Everything of a study as JSON: document, trials with verdicts, results with their numbers, the log."""
    known = open_study(store, name)
    return known.to_json() | {
        "trials": [view.to_json() for view in gather(store, known)],
        "results": [one.model_dump(mode="json") for one in store.results(study=name)],
        "taken_back": [one.model_dump(mode="json") for one in store.results(study=name, taken_back=True)],
        "log": [entry.model_dump(mode="json") for entry in store.log(study=name)],
    }


def deletion(store: Store, name: str) -> Deletion:
    """What would go with a study. Raises UsageError for an unknown one."""
    trials = store.trials(study=name)
    boots = sum(len(store.boots(trial=trial.id)) for trial in trials)
    return Deletion(name, len(trials), boots, len(store.results(study=name)))


def delete_study(store: Store, name: str, out: Path, hand: Hand) -> Path:
    """Write all of a study into the new file `out`, then delete it. Raises ExternalError, UsageError."""
    from benchd.files import write_new

    text = json.dumps(whole_study(store, name), indent=1, ensure_ascii=False) + "\n"
    write_new(out, text.encode("utf-8", "backslashreplace"), False, [])
    store.delete_study(name, hand)
    return out


def export_name(name: str, at: str) -> str:
    """The file name for the export of a study that is deleted at a time: no two are the same within a second."""
    from benchd.studies.report import file_stem

    digits = "".join(filter(str.isdigit, at[:19]))
    return f"{file_stem(name)}-deleted-{digits}.json"


def log_words(entry: LogEntry) -> str:
    """What was done, as a sentence without its time."""
    place = f"trial {entry.trial}" if entry.trial else f"boot {entry.boot}" if entry.boot else f"study {entry.study}"
    before, after = entry.before or "none", entry.after or "none"
    match entry.kind:
        case "boot-moved" | "boot-left-out" | "boot-counted" | "boot-noted" | "boot-labelled":
            return _boot_words(entry, before, after)
        case "result-entered":
            return f"result {entry.result} entered for {_result_place(entry)}: {after}"
        case "result-taken-back":
            return f"result {entry.result} of {_result_place(entry)} taken back: {before}"
        case "result-put-back":
            return f"result {entry.result} of {_result_place(entry)} put back: {after}"
        case "trial-named":
            return f"{place} named: {before} -> {after}"
        case "trial-resumed":
            return f"{place} resumed (had ended {before})"
        case "trial-started" | "trial-noted":
            return f"{place} {entry.kind.removeprefix('trial-')}: {after}"
        case _:
            return f"{place} {entry.kind.partition('-')[2]}"


def _boot_words(entry: LogEntry, before: str, after: str) -> str:
    match entry.kind:
        case "boot-moved":
            return f"boot {entry.boot} moved: trial {before} -> {after}"
        case "boot-left-out":
            old = f" (before: {entry.before})" if entry.before else ""
            return f"boot {entry.boot} left out: {after}{old}"
        case "boot-counted":
            return f"boot {entry.boot} counts again (was left out: {before})"
        case _:
            what = "note" if entry.kind == "boot-noted" else "labels"
            return f"boot {entry.boot}, {what}: {before} -> {after}"


def _result_place(entry: LogEntry) -> str:
    return f"boot {entry.boot}" if entry.boot else f"trial {entry.trial}"
