"""A draft rule table from captures of good boots: boots are told apart, a ladder is found, written as TOML, and tried.

No table is needed for that, and the one that was in force then says nothing: the codes and lines of the captures are
parted anew (`inference.parting`). The draft is tried on the boots it was made from; a stage that makes a finding there
is taken off, until they run through it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from benchd.errors import ExternalError, UsageError
from benchd.inference.bootlog import FINISHED, MAX_EVENTS, BootLog, Event, mask
from benchd.inference.draft import Draft
from benchd.inference.draft import draft as draft_ladder
from benchd.inference.parting import MARK, first_times, got_as_far, part, shared
from benchd.inference.wording import counted
from benchd.rules.files import RECORD
from benchd.rules.values import compile_pattern
from benchd.studies.draft_text import draft_toml, names_of, pattern_of, token_of
from benchd.studies.logged import logged
from benchd.vocabulary.events import BootStarted
from benchd.vocabulary.models import Boot
from benchd.vocabulary.times import NS

MOST_STAGES = 60
RECORD_MOST = 200_000
"""Codes and lines of one run that are looked at."""
ROUNDS = 12
HARD = ("reset", "power-on", "first sign of life after power-off")
"""Reasons of a start that no table is needed for."""
LEAST = 2


@dataclass(frozen=True, slots=True)
class PowerUp:
    """One boot of a record: which run of the captures it is in, and its events; times in seconds of that run."""

    run: int
    events: tuple[Event, ...]

    @property
    def start_s(self) -> float:
        return self.events[0].t_s

    @property
    def end_s(self) -> float:
        return self.events[-1].t_s


@dataclass(frozen=True, slots=True)
class Record:
    """What captures hold: boots told apart, and which files break off."""

    boots: tuple[PowerUp, ...]
    problems: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Drafted:
    """A table that was drafted and tried: its text, its ladder, how many of `boots` run through it."""

    text: str
    ladder: Draft
    boots: int
    through: int
    notes: tuple[str, ...]


def read_record(paths: Sequence[Path], rules: str | None = None) -> Record:
    """Boots of captures with codes and lines. `rules`: told apart by the starts of that table instead.

    Raises UsageError or ExternalError for unreadable files, and where there is no boot.
    """
    from benchd.watch.replay import Replay

    replay = Replay(paths, rules or RECORD)
    boots: list[PowerUp] = []
    for run, seen in enumerate(_runs(replay, every=rules is not None)):
        boots += [PowerUp(run, own[:MAX_EVENTS]) for own in part(seen)]
    if not boots:
        raise ExternalError(f"{', '.join(str(path) for path in paths)[:300]}: no boot in these captures")
    return Record(tuple(boots), tuple(replay.problems))


def _runs(replay: object, *, every: bool) -> Iterator[list[Event]]:
    """Yield what was received in each run, in order of time, with the starts that are certain (`every`: all)."""
    seen: list[Event] = []
    for _, placed, _, events in replay.steps():  # type: ignore[attr-defined]
        for event in events:
            if len(seen) >= RECORD_MOST:
                break
            if isinstance(event, BootStarted):
                if every or event.boot.start_reason in HARD:
                    seen.append(Event(MARK, event.boot.start_reason, event.t_ns / NS))
            elif (own := logged(event, in_boot=False)) is not None:
                seen.append(own)
        if placed is None:
            yield sorted(seen, key=lambda event: event.t_s)
            seen = []


def draft_table(record: Record, paths: Sequence[Path], name: str, *, lines: bool | None = None) -> Drafted:
    """Draft a table from the boots of a record and try it on them. `lines`: console lines as stages too (None: yes).

    Raises UsageError where there are too few boots, or nothing that they share.
    """
    if lines is False:
        codes = [[event for event in boot.events if event.kind == "code"] for boot in record.boots]
        boots = [PowerUp(b.run, tuple(own)) for b, own in zip(record.boots, codes, strict=True) if own]
    else:
        boots = list(record.boots)
    whole = [boots[n] for n in got_as_far([boot.events for boot in boots])]
    if len(whole) < LEAST:
        raise UsageError(
            f"{_usable(len(whole), len(boots))} in {counted(len(paths), 'capture')}; a draft needs from "
            f"{LEAST} good boots: switch the machine on {LEAST} to 5 times while benchd records"
        )
    notes = [f"{counted(len(boots), 'boot')} told apart in {counted(len(paths), 'capture')}"]
    if len(whole) < len(boots):
        notes.append(f"{counted(len(boots) - len(whole), 'boot')} that did not get as far as most left out")
    spoken = [[event for event in boot.events if _speaks(event)] for boot in whole]
    tokens = shared(_unmistaken(spoken), MOST_STAGES)
    return _tried(whole, tokens, paths, name, notes)


def _usable(usable: int, every: int) -> str:
    """How many boots can be drafted from, and what the others are."""
    rest = every - usable
    others = f"; {counted(rest, 'other')} did not get as far as most" if rest and usable else ""
    return f"{'only ' if usable else 'no usable boot'}{counted(usable, 'usable boot') if usable else ''}{others}"


def _speaks(event: Event) -> bool:
    """Whether a line has enough that is no number to be known by; a code always."""
    return event.kind == "code" or re.search(r"[^#\s]{4}", mask(event.value)) is not None


def _unmistaken(boots: Sequence[Sequence[Event]]) -> list[list[Event]]:
    """The events without lines whose pattern also fits another line that comes before them in a boot."""
    samples: dict[str, str] = {}
    for event in (event for boot in boots for event in boot if event.kind == "line"):
        samples.setdefault(event.token(), event.value)
    firsts = [first_times(boot) for boot in boots]
    wrong = {token for token in samples if _mistaken(token, samples, firsts)}
    return [[event for event in boot if event.token() not in wrong] for boot in boots]


def _mistaken(token: str, samples: Mapping[str, str], firsts: Sequence[Mapping[str, float]]) -> bool:
    """Whether the pattern of a line fits another one that comes first in a boot."""
    pattern: Any = compile_pattern(pattern_of(token.partition(" ")[2]))
    fits = [other for other, line in samples.items() if other != token and pattern.search(line)]
    return any(first[other] <= first.get(token, -1.0) for other in fits for first in firsts if other in first)


def _tried(
    boots: Sequence[PowerUp], tokens: Sequence[str], paths: Sequence[Path], name: str, notes: Sequence[str]
) -> Drafted:
    """Write the table and run the captures through it, without the stages that make a finding, until none does."""
    kept = list(tokens)
    for _ in range(ROUNDS):
        start = _start(boots, kept)
        kept = kept[kept.index(start) :] if start in kept else kept
        if len(kept) < LEAST:
            raise UsageError("these boots share too little for a ladder: are they all of one machine, and good?")
        ladder = draft_ladder([_log(n, boot, set(kept)) for n, boot in enumerate(boots)])
        codes = {event.value for boot in boots for event in boot.events if event.kind == "code"}
        text = draft_toml(ladder, name, start, sorted(codes), notes)
        tokens_of = dict(zip(names_of(ladder.stages), map(token_of, ladder.stages), strict=True))
        through, wrong = _try(text, tokens_of, boots, paths)
        if not wrong or wrong.isdisjoint(kept):
            break
        kept = [token for token in kept if token not in wrong]
    return Drafted(text, ladder, len(boots), through, tuple(notes))


def _start(boots: Sequence[PowerUp], tokens: Sequence[str]) -> str:
    """What a boot starts with: the first token that comes once in each."""
    counts = [[event.token() for event in boot.events] for boot in boots]
    once = (token for token in tokens if all(own.count(token) == 1 for own in counts))
    return next(once, tokens[0] if tokens else "")


def _log(number: int, boot: PowerUp, kept: set[str]) -> BootLog:
    """A boot as the ladder is drafted from: each kept token where it came first."""
    times = first_times(boot.events)
    first = {event.token(): event for event in reversed(boot.events)}
    own = tuple(replace(first[token], t_s=t_s - boot.start_s) for token, t_s in times.items() if token in kept)
    return BootLog(str(number), FINISHED, own[-1].t_s if own else 0.0, (), own)


def _try(text: str, tokens: Mapping[str, str], boots: Sequence[PowerUp], paths: Sequence[Path]) -> tuple[int, set[str]]:
    """How many boots finish by the table without a finding, and the tokens (by stage) of the stages that made one."""
    from benchd.watch.replay import Replay

    judged = list(_judged(Replay(paths, table=text)))
    good, wrong = 0, set[str]()
    for n, boot in enumerate(boots):
        own = _own(judged, boot, boots[n - 1] if n else None)
        found = [finding for told in own for finding in told.findings]
        good += [told.outcome for told in own] == ["finished"] and not found
        stages = [f.stage or "" for f in found if f.kind in ("late", "skipped", "slow")]
        wrong |= {tokens[stage] for stage in stages if stage in tokens}
    return good, wrong


def _own(judged: Sequence[tuple[int, float, Boot]], boot: PowerUp, before: PowerUp | None) -> list[Boot]:
    """How a boot was judged: a start may be told a little before what came first, but after the boot before."""
    from_s = boot.start_s - 1
    if before is not None and before.run == boot.run:
        from_s = max(from_s, before.end_s)
    return [told for run, t_s, told in judged if run == boot.run and from_s <= t_s <= boot.end_s]


def _judged(replay: object) -> Iterator[tuple[int, float, Boot]]:
    """Yield run, start (s) and last record of each boot."""
    from benchd.vocabulary.events import BOOT_EVENTS

    run, began, boots = 0, dict[str, float](), dict[str, Boot]()
    for _, placed, _, events in replay.steps():  # type: ignore[attr-defined]
        for event in events:
            if isinstance(event, BootStarted):
                began[event.boot.id] = event.t_ns / NS
            if isinstance(event, BOOT_EVENTS):
                boots[event.boot.id] = event.boot
        if placed is None:
            yield from ((run, began[boot_id], boot) for boot_id, boot in boots.items() if boot_id in began)
            run, began, boots = run + 1, {}, {}
