"""The story that `benchd demo` plays: an evening of trials on the simulated machine (`demo.at286`).

A storage adapter will not come up. Two swaps later it looks like a bad adapter, and a spare one would be
ordered; `why` says that this is premature, and `next` leads to what it is in a few trials, and has it fail and work
once more before the cause is called settled. Nothing here knows the hidden cause: every line comes from the boots,
through the same functions that the commands call.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, datetime

from benchd.demo import at286
from benchd.harmless import clean
from benchd.inference.answers import NextTrial
from benchd.inference.wording import counted, folded, percent
from benchd.store import Store
from benchd.studies.document import ExcludePart, FactorPart, GoalPart, StudyDocument
from benchd.studies.loaded import LoadedStudy, TrialView, gather, open_study, save
from benchd.studies.service import Plan, plan_trial, start
from benchd.studies.weighing import next_trials, why
from benchd.vocabulary.models import Boot
from benchd.vocabulary.times import duration_words

STUDY = "storage-rom"
QUESTION = "Why does the new storage adapter not come up in this machine?"
TRIALS_MOST = 36
"""When the trials of an unlucky evening are not enough, the story says so instead of going on for ever."""
KINDS = {
    "rom-base": "jumper",
    "rom-image": "image",
    "network-card": "card",
    "storage-card": "card",
    "boot-device": "bios-setting",
}
"""What the person suspects, out of everything that could be changed; slot and cable stay as they are."""
GUESSES: tuple[tuple[Mapping[str, str], str], ...] = (
    ({}, "The machine as it stands. It boots from the floppy; the adapter's ROM says nothing."),
    ({"rom-image": "late"}, "The usual first guess: another ROM image, burnt and fitted."),
)
"""What a person tries by instinct before asking."""

Say = Callable[[str], None]


def document() -> StudyDocument:
    """The study of the story: what the person suspects, with what a change costs."""
    return StudyDocument(
        question=QUESTION,
        boot_minutes=2.0,
        goal=GoalPart(kind="stage-reached", target=at286.GOAL_STAGE),
        factor=[
            FactorPart(
                name=name,
                kind=KINDS[name],  # type: ignore[arg-type]
                # It begins at the first levels, as a person would write them down.
                levels=[at286.START[name], *(one for one in at286.FACTORS[name] if one != at286.START[name])],
                minutes=at286.COST_MINUTES[name],
                moves_hardware=name in at286.NEEDS_POWER_OFF,
            )
            for name in KINDS
        ],
        exclude=[ExcludePart(when={"storage-card": "second"}, reason="not bought yet: that is the question")],
    )


def play_story(store: Store, machine: str, boot: Callable[[Mapping[str, str]], Boot], say: Say) -> str:
    """Play the evening and return the last verdict. `say` gets short lines; boots attach to trials by the daemon.

    `boot(setup)` powers the machine on with that setup and returns the boot's record once it is over. The
    study is called `STUDY`; one of that name that is there already goes on where it stopped.
    """
    known = _known(store)
    _say(say, QUESTION)
    tried = {view.id for view in gather(store, known)}
    for changes, text in GUESSES if not tried else ():
        _say(say, text)
        known = _trial(store, known, machine, changes, boot, say)
    found = why(store, known.name)
    lead = found.causes[0]
    _say(say, "")
    _say(
        say,
        f"So the adapter is bad, and a spare one would be ordered ({at286.COST_MINUTES['storage-card']:g} min away)?",
    )
    _say(say, f"benchd why {known.name}:")
    _say(say, found.verdict, "  ")
    _say(say, found.ordering.sentence, "  ")
    number = 0
    while not (proposal := next_trials(store, known.name)).stop and number < TRIALS_MOST:
        number += 1
        best = proposal.ranked[0]
        changes = {change.factor: change.after for change in best.changes}
        _say(say, "")
        _say(say, f"benchd next {known.name}: {best.gain_bits:.2f} bits for {best.minutes:g} min")
        if best.kind != "separate":
            _say(say, best.why, "  ")
        known = _trial(store, known, machine, changes, boot, say, best)
        lead = why(store, known.name).causes[0]
        _say(say, f"likeliest now: {lead.text} ({percent(lead.probability)})", "  ")
    return _ending(store, known, say)


def _known(store: Store) -> LoadedStudy:
    if STUDY in {one.name for one in store.studies()}:
        return open_study(store, STUDY)
    return save(store, STUDY, document(), _now())


def _trial(
    store: Store,
    known: LoadedStudy,
    machine: str,
    changes: Mapping[str, str],
    boot: Callable[[Mapping[str, str]], Boot],
    say: Say,
    asked: NextTrial | None = None,
) -> LoadedStudy:
    """Do and boot what changes; `asked`: and what `next` asks for besides, a reseating or a rest."""
    reseat, rest_s = (asked.reseat, asked.rest_s or None) if asked is not None else (False, None)
    known, plan = plan_trial(store, known, changes, machine=machine, reseated=reseat, rested_s=rest_s)
    if plan.hardware and rest_s is None:
        from benchd.inference.candidates import RESEAT_MINUTES

        # The power is off while the work is done; the simulated machine needs no hands.
        plan = replace(plan, rested_s=60 * (sum(change.minutes for change in plan.changes) or RESEAT_MINUTES))
    earlier = store.trials(study=known.name)
    if plan.changes or reseat or rest_s or not earlier:
        trial = start(store, known, plan, _now(), machine=machine).trial
        words = _done(plan, reseat, rest_s)
    else:
        trial, words = earlier[-1], "nothing changed, once more"
    _say(say, f"{trial.id}: {words}", "  ")
    boot({**at286.START, **plan.setup})
    view = gather(store, known, predictions=False)[-1]
    _say(say, f"{trial.id}: {_result(view)}", "  ")
    return known


def _done(plan: Plan, reseat: bool, rest_s: float | None) -> str:
    """What is done to the machine before its boot, in words."""
    done = [change.words() for change in plan.changes]
    done += ["cards out and in again"] if reseat else []
    done += [f"{duration_words(rest_s)} without power (the demo does not wait)"] if rest_s else []
    words = "; ".join(done) or "as it stands"
    return f"{words}   [power off, unplug]" if plan.hardware else words


def _result(view: TrialView) -> str:
    if not view.verdicts:
        return "the boot is not in the store: is the daemon running?"
    last = view.verdicts[-1]
    return f"{ {True: 'works', False: 'fails', None: 'does not say'}[last.ok] }: {last.why}"


def _ending(store: Store, known: LoadedStudy, say: Say) -> str:
    found = why(store, known.name)
    views = gather(store, known, predictions=False)
    verdict = found.verdict
    moved = sum(any(change.hardware for change in view.changes) for view in views)
    bought = any(view.setup["storage-card"] != at286.START["storage-card"] for view in views)
    _say(say, "")
    _say(
        say,
        f"After {counted(len(views), 'trial')}, {counted(found.boots, 'boot')}, "
        f"{counted(moved, 'time')} with the cover off:",
    )
    _say(say, verdict, "  ")
    if found.conclusion:
        _say(say, found.conclusion, "  ")
    if not found.settled:
        _say(say, "An unlucky evening: more trials as `benchd next` says would settle it.", "  ")
    else:
        lead = found.causes[0]
        if len(lead.conditions) > 1 and lead.form == "all":
            otherwise = " or ".join(f"{c.factor} not {c.level}" for c in lead.conditions if c.relation == "is")
            _say(say, f"One thing otherwise is enough: {otherwise}.", "  ")
        if not bought:
            _say(say, "No part was ordered.", "  ")
    return verdict


def _say(say: Say, text: str, indent: str = "") -> None:
    for line in folded(clean(text, 2000), 96, indent):
        say(line)


def _now() -> str:
    return datetime.now(UTC).astimezone().isoformat(timespec="seconds")
