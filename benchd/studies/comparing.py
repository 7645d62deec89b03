"""Boots and trials from the store as groups that `inference.compare` takes; codes and lines from their captures."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import datetime
from itertools import islice
from pathlib import Path
from typing import Annotated

from pydantic import Field

from benchd.capture import letgo
from benchd.capture.packed import file_of
from benchd.errors import BenchError, UsageError
from benchd.inference.answers import Comparison
from benchd.inference.bootlog import MAX_EVENTS, BootGroup, BootLog, Event, evenly, stage_marks
from benchd.inference.forms import Count, Form
from benchd.inference.study import Change
from benchd.inference.wording import counted
from benchd.rom.changes import MeasuredChange, changed
from benchd.store import Store, StoredPrediction, Trial
from benchd.studies.goal import STOOD, blindness, check_results
from benchd.studies.loaded import IMPORTED, Passed, complete, open_study
from benchd.studies.logged import logged
from benchd.studies.scan_prediction import explain_boot
from benchd.vocabulary.models import Boot

READ_MOST = 24
"""Boots of a group whose captures are read for codes and lines; times and rates are counted over all."""
OUTCOME = {"cut-short": "cut short", "link-lost": "link lost", "recorded": "cut short", "running": "cut short"}
APART = 0.5
SHOWN = 0.05
"""Shares this far apart, or a p below this, are worth telling."""


@dataclass(frozen=True, slots=True)
class NamedBoots:
    """The boots that one name stands for. `trial` is its id where the name is a trial's."""

    name: str
    boots: tuple[Boot, ...]
    trial: str | None
    left_out: tuple[Boot, ...] = ()
    """Boots of the trial that a person left out: they are not compared, and that is said."""


@dataclass(frozen=True, slots=True)
class CheckSides(Form):
    """A check in both groups: passed of done, Fisher's p."""

    check: str
    a: Passed
    b: Passed
    p: float | None

    def apart(self) -> float:
        """How far the shares lie apart; 0 where a side has none."""
        a, b = self.a, self.b
        return abs(a.passed / a.done - b.passed / b.done) if a.done and b.done else 0.0

    @property
    def sure(self) -> bool:
        return self.p is not None and self.p < SHOWN


@dataclass(frozen=True, slots=True)
class Share(Form):
    """k of n boots."""

    k: Count
    n: Count


@dataclass(frozen=True, slots=True)
class Reached(Form):
    """A stage that one group reaches more often than the other, Fisher's p."""

    stage: str
    a: Share
    b: Share
    p: float | None

    def apart(self) -> float:
        return abs(self.a.k / self.a.n - self.b.k / self.b.n)

    def words(self, a_name: str, b_name: str) -> str:
        """As part of a sentence, the side that reaches it more often first."""
        sides = [(a_name, self.a), (b_name, self.b)]
        (more, most), (less, least) = sorted(sides, key=lambda side: -side[1].k / side[1].n)
        shares = f"in {most.k} of {most.n} boots of {more}, in {least.k} of {least.n} of {less}"
        return f"stage {self.stage} is reached {shares}"


@dataclass(frozen=True, slots=True)
class BootComparison(Comparison):
    """One group against the first, with what the studies know besides.

    `reached` names stages whose share differs by half or more, or shows a difference (Fisher, p below 0.05).
    `measured`: what the newest report of this group tells otherwise than that of the first.
    """

    checks: tuple[CheckSides, ...]
    reached: tuple[Reached, ...]
    changes: tuple[Change, ...]
    measured: tuple[MeasuredChange, ...]


@dataclass(frozen=True, slots=True)
class Compared(BootComparison):
    """The second group against the first; further groups against the first under `others`."""

    predictions: Mapping[str, list[str]]
    boots: Mapping[str, list[str]]
    others: Annotated[tuple[BootComparison, ...], Field(exclude_if=lambda others: not others)] = ()


def find_groups(store: Store, names: Sequence[str]) -> list[NamedBoots]:
    """The boots meant by each name. Raises UsageError for unknown names, doubled ones, and trials without boots."""
    trials = {trial.id: trial for trial in store.trials()}
    out: list[NamedBoots] = []
    for name in names:
        trial = trials.get(name) or trials.get(name.upper())
        if trial is None and name[:1] in "Tt" and name[1:].isdigit():
            trial = store.trial(name)
        group = _boots_of(store, trial) if trial is not None else _one_boot(store, name)
        if group.name in {other.name for other in out}:
            raise UsageError(f"{group.name} is named twice; compare different boots or trials")
        out.append(group)
    return out


def _boots_of(store: Store, trial: Trial) -> NamedBoots:
    if trial.machine == IMPORTED:
        raise UsageError(f"trial {trial.id} came from a file: it has results but no boots to compare")
    ended = [
        boot
        for boot in store.boots(trial=trial.id, newest_first=False)
        if boot.passes_of is None and boot.outcome != "running"
    ]
    boots = [boot for boot in ended if boot.left_out is None]
    if ended and not boots:
        raise UsageError(f"all boots of trial {trial.id} are left out; `benchd boots count BOOT` counts one again")
    if not boots:
        raise UsageError(f"trial {trial.id} has no boots that ended yet; boot the machine once")
    return NamedBoots(trial.id, tuple(boots), trial.id, tuple(boot for boot in ended if boot.left_out is not None))


def _one_boot(store: Store, name: str) -> NamedBoots:
    found = store.boots(limit=1) if name == "last" else [store.boot(name)]
    if not found:
        raise UsageError("no boots are stored yet")
    return NamedBoots(found[0].id, (found[0],), None)


def boot_log(boot: Boot, events: Sequence[Event] = ()) -> BootLog:
    """A boot as the comparison sees it. A finished one ends with its last stage, another when last watched.

    Of one that seems to have stood still while it was not well watched nobody knows how it would have ended.
    """
    finished = boot.outcome == "finished"
    unseen = boot.outcome in STOOD and blindness(boot) is not None
    entries = [(stage.name, stage.t) for stage in boot.stages]
    end = max(0.0, boot.duration_s)
    if finished:
        # What the system prints after the hand-over is no part of the boot.
        end = max((t for name, t in entries if name == boot.last_stage), default=end)
        end = max([end, *(t for _, t in entries)])
    elif boot.ended is not None:
        watched = datetime.fromisoformat(boot.ended) - datetime.fromisoformat(boot.started)
        end = max(end, watched.total_seconds())
    return BootLog(
        boot.id,
        "link lost" if unseen else OUTCOME.get(boot.outcome, boot.outcome),
        end,
        stage_marks(entries, end, finished),
        tuple(events),
    )


def read_events(wanted: Mapping[Path, Iterable[str]]) -> tuple[dict[str, list[Event]], list[str]]:
    """Codes and whole lines of the boots wanted from each capture, by boot; and what could not be read."""
    from benchd.watch.trace import TraceReader

    found: dict[str, list[Event]] = {}
    reader = TraceReader()
    problems: list[str] = []
    for path, names in wanted.items():
        for name in names:
            try:
                own = list(islice(filter(None, map(logged, reader.events(name, path))), MAX_EVENTS + 1))
            except BenchError as error:
                problems.append(str(error))
            else:
                found[name] = sorted(own, key=lambda event: event.t_s)
    return found, [*dict.fromkeys(problems + reader.problems)]


def events_of(store: Store, boots: Sequence[Boot]) -> tuple[dict[str, list[Event]], list[str]]:
    """Codes and lines of stored boots from their captures; stages stand in for a boot without capture."""
    by_path: dict[Path, list[str]] = defaultdict(list)
    missing = let_go = 0
    for boot in boots:
        known = store.capture_of(boot.id)
        if known is not None and file_of(Path(known)) is not None:
            by_path[Path(known)].append(boot.id)
        else:
            missing += 1
            let_go += known is not None and letgo.let_go(Path(known)) is not None
    found, problems = read_events(by_path) if not missing else ({}, [])
    if missing:
        let = f" ({let_go} were let go to make room)" if let_go else ""
        problems.append(
            f"{missing} captures are not there any more{let}: stages are compared instead of codes and lines"
        )
    if missing or not found:
        found = stage_events(boots)
    return found, problems


def stage_events(boots: Iterable[Boot]) -> dict[str, list[Event]]:
    """Stages in place of codes and lines."""
    return {boot.id: [Event("line", f"stage {s.name}", s.t) for s in boot.stages] for boot in boots}


def compare_groups(store: Store, groups: Sequence[NamedBoots], *, read: bool = True) -> Compared:
    """Compare every group with the first. `read` False leaves the captures alone: stages only."""
    chosen = [replace(group, boots=tuple(evenly(group.boots, READ_MOST))) for group in groups]
    looked_at = [boot for group in chosen for boot in group.boots]
    events, notes = events_of(store, looked_at) if read else (stage_events(looked_at), [])
    compared = _compare(groups, chosen, events, notes)
    notes += [*_unseen(groups), *_left_out(groups)]
    checks = [_checks(store, group) for group in groups]
    found = [
        _told(
            BootComparison(
                **{one.name: getattr(comparison, one.name) for one in fields(comparison)},
                checks=_check_sides(checks[0], own_checks),
                reached=_reached(groups[0], group),
                changes=_changed(store, groups[0], group),
                measured=_measured(groups[0], group),
            )
        )
        for comparison, group, own_checks in zip(compared, groups[1:], checks[1:], strict=True)
    ]
    first = {one.name: getattr(found[0], one.name) for one in fields(found[0])}
    return Compared(
        **first | {"notes": tuple(dict.fromkeys([*found[0].notes, *notes]))},
        predictions={group.name: told for group in groups if (told := predicted(store, group, events))},
        boots={group.name: [boot.id for boot in group.boots] for group in groups},
        others=tuple(found[1:]),
    )


def _compare(
    groups: Sequence[NamedBoots], chosen: Sequence[NamedBoots], events: Mapping[str, Sequence[Event]], notes: list[str]
) -> tuple[Comparison, ...]:
    """Times and rates over all boots, codes and lines over those chosen."""
    from benchd.inference.compare import compare

    parts = [BootGroup(g.name, tuple(boot_log(boot, events.get(boot.id, ())) for boot in g.boots)) for g in chosen]
    if all(len(part.boots) == len(group.boots) for part, group in zip(chosen, groups, strict=True)):
        return compare(parts)
    notes.append(f"codes and lines are compared over {READ_MOST} boots of each, evenly chosen")
    whole = [BootGroup(g.name, tuple(boot_log(boot) for boot in g.boots)) for g in groups]
    return tuple(
        replace(
            one,
            first_divergence=own.first_divergence,
            lasting_divergence=own.lasting_divergence,
            only=own.only,
        )
        for one, own in zip(compare(whole), compare(parts), strict=True)
    )


def _unseen(groups: Sequence[NamedBoots]) -> list[str]:
    """A note for each group with boots that were not well watched."""
    out = []
    for group in groups:
        reasons = [why for boot in group.boots if (why := blindness(boot)) is not None]
        if reasons:
            number = f"{counted(len(reasons), 'boot')} not well watched ({reasons[0]})"
            out.append(f"{group.name}: {number}, not counted for the stages that are reached")
    return out


def _left_out(groups: Sequence[NamedBoots]) -> list[str]:
    """A note for each boot that a person left out: of a trial it is not compared, named by itself it is."""
    out = [
        f"{group.name}: boot {boot.id} is left out ({boot.left_out}), not compared"
        for group in groups
        for boot in group.left_out
    ]
    own = [boot for group in groups if group.trial is None for boot in group.boots if boot.left_out is not None]
    return out + [
        f"boot {boot.id} is left out of its trial ({boot.left_out}); it was named, so it is compared" for boot in own
    ]


def _told(one: BootComparison) -> BootComparison:
    """The comparison with what matters most on a bench in its sentence.

    First a stage that only one side reaches; last the check that differs most.
    """
    sentence = one.sentence
    if one.reached:
        text = max(one.reached, key=Reached.apart).words(one.names.a, one.names.b)
        text = text[0].upper() + text[1:]
        if sentence.startswith("No difference"):
            sentence = f"{text}."
        else:
            named = sentence.startswith((one.names.a, one.names.b))
            sentence = f"{text}; {sentence if named else sentence[0].lower() + sentence[1:]}"
    differ = [check for check in one.checks if check.sure or check.apart() >= APART]
    if differ:
        most = max(differ, key=lambda check: (check.sure, check.apart()))
        tail = f" (p {most.p:.2g})" if most.sure else ", too few boots to count on it"
        sentence = f"{sentence.removesuffix('.')}; check {most.check} differs{tail}."
    return replace(one, sentence=sentence)


def _reached(a: NamedBoots, b: NamedBoots) -> tuple[Reached, ...]:
    from benchd.inference.timing import fisher, wilson

    (left, n), (right, m) = (_stages_seen(group) for group in (a, b))
    if not n or not m:
        return ()
    out = []
    for name in dict.fromkeys([*left, *right]):
        p = fisher(wilson(left[name], n), wilson(right[name], m))
        one = Reached(name, Share(left[name], n), Share(right[name], m), p)
        if one.apart() >= APART or (p is not None and p < SHOWN):
            out.append(one)
    return tuple(out)


def _stages_seen(group: NamedBoots) -> tuple[Counter[str], int]:
    """How many boots reached each stage, and how many were watched well enough to tell."""
    boots = [boot for boot in group.boots if blindness(boot) is None]
    return Counter(name for boot in boots for name in dict.fromkeys(stage.name for stage in boot.stages)), len(boots)


def _checks(store: Store, group: NamedBoots) -> dict[str, Passed]:
    counts: dict[str, list[bool]] = defaultdict(list)
    entered = store.results(trial=group.trial) if group.trial else []
    for boot in group.boots:
        own = [r for r in entered if r.boot == boot.id] if group.trial else store.results(boot=boot.id)
        for name, passed in check_results(boot, own).items():
            counts[name].append(passed)
    for one in entered:
        if one.boot is None:
            counts[one.check].append(one.passed)
    return {name: Passed(sum(found), len(found)) for name, found in counts.items()}


def _check_sides(a: Mapping[str, Passed], b: Mapping[str, Passed]) -> tuple[CheckSides, ...]:
    from benchd.inference.timing import fisher, wilson

    out = []
    for name in dict.fromkeys([*a, *b]):
        left, right = a.get(name, Passed(0, 0)), b.get(name, Passed(0, 0))
        p = fisher(wilson(left.passed, left.done), wilson(right.passed, right.done))
        out.append(CheckSides(name, left, right, p))
    return tuple(out)


def _measured(a: NamedBoots, b: NamedBoots) -> tuple[MeasuredChange, ...]:
    """What the machine tells of itself otherwise; nothing where one side has no report."""
    left, right = (
        next((boot.measured for boot in reversed(group.boots) if boot.measured is not None), None) for group in (a, b)
    )
    return changed(left, right) if left is not None and right is not None else ()


def _changed(store: Store, a: NamedBoots, b: NamedBoots) -> tuple[Change, ...]:
    """What differs between two setups of one study; nothing where that is not known."""
    ids = [group.trial or next((boot.trial for boot in group.boots if boot.trial), None) for group in (a, b)]
    if None in ids:
        return ()
    left, right = (store.trial(one) for one in ids if one is not None)
    if left.study != right.study:
        return ()
    study = open_study(store, left.study).study
    return study.changes(complete(study, left.setup)[0], complete(study, right.setup)[0])


def predicted(store: Store, group: NamedBoots, events: Mapping[str, Sequence[Event]] | None = None) -> list[str]:
    """What was foretold for the group's trial, held against its boots: each sentence, and in how many boots."""
    stored = {trial: store.predictions(trial) for trial in {boot.trial for boot in group.boots if boot.trial}}
    boots = [(boot, stored[boot.trial][-1]) for boot in group.boots if boot.trial and stored[boot.trial]]
    counts: Counter[str] = Counter()
    for boot, prediction in boots:
        counts.update(_explained(prediction, boot, (events or {}).get(boot.id, ())))
    return [text if n == len(boots) else f"{text} ({n} of {len(boots)} boots)" for text, n in counts.items()]


def _explained(prediction: StoredPrediction, boot: Boot, events: Sequence[Event]) -> list[str]:
    codes = [int(event.value, 16) for event in events if event.kind == "code" and len(event.value) == 2]
    return explain_boot(prediction.document, boot, codes, [event.value for event in events if event.kind == "line"])
