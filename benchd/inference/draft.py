"""A draft rule table from several good boots of a firmware nobody has described yet.

The person fills in the names; the draft gives the ladder all boots share, the usual times and limits,
what is optional, and what repeats.
"""

from __future__ import annotations

import math
import statistics
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from benchd.errors import UsageError
from benchd.inference.align import Tokens
from benchd.inference.bootlog import MAX_BOOTS, MAX_EVENTS, BootLog, mask
from benchd.inference.consensus import Folded, Rung, consensus, fold
from benchd.inference.forms import Form, Rounded3
from benchd.inference.limits import learned_limit

LADDER_SHARE = 0.2
"""A code or line in fewer of the boots than this is rare and stays off the ladder."""
MUST_SHARE = 0.95
GUESS = "guess"
GUESS_FACTOR = 3.0
GUESS_FLOOR_S = 10.0
RARE_MOST = 200


@dataclass(frozen=True, slots=True)
class Repeats(Form):
    """How often a rung (or the block it belongs to) comes in a row: fewest, median, most; block length."""

    low: int
    median: float
    high: int
    period: int


@dataclass(frozen=True, slots=True)
class DraftStage(Form):
    """One rung. `at_s`: median time from the start; `usual_s`: median time until the boot's next rung.

    `limit_kind`: "learned-normal", "distribution-free", or "guess" (fewer than 5 boots).
    """

    kind: str
    value: str
    at_s: Rounded3
    usual_s: Rounded3 | None
    longest_s: Rounded3 | None
    limit_s: Rounded3 | None
    limit_kind: str
    seen: int
    of: int
    optional: bool
    repeats: Repeats | None


@dataclass(frozen=True, slots=True)
class Rare(Form):
    """What only few boots had."""

    text: str
    boots: int


@dataclass(frozen=True, slots=True)
class Draft(Form):
    """The drafted ladder, what was too rare for it, and the first event when boots agree on one."""

    boots: int
    starts_with: str | None
    stages: tuple[DraftStage, ...]
    rare: tuple[Rare, ...]
    notes: tuple[str, ...]


def _usable(number: int) -> str:
    return f"only {number} usable boot{'' if number == 1 else 's'}" if number < 2 else f"{number} usable boots"


def draft(boots: Sequence[BootLog]) -> Draft:
    """Draft a ladder from good boots. Raises UsageError for fewer than 2 boots or none with events."""
    if not 2 <= len(boots) <= MAX_BOOTS:
        raise UsageError(f"{_usable(len(boots))}; a draft needs from 2 to {MAX_BOOTS} good boots")
    used = [boot for boot in boots if boot.events]
    if len(used) < 2:
        raise UsageError(f"{_usable(len(used))} of {len(boots)}, the others have no code and no line; a draft needs 2")
    tokens = Tokens()
    folded = [fold(boot, tokens) for boot in used]
    rungs = consensus(folded, LADDER_SHARE)
    times = [
        [used[b].events[folded[b].starts[p]].t_s if p >= 0 else math.nan for b, p in enumerate(r.places.tolist())]
        for r in rungs
    ]
    common, number = Counter(boot.events[0].token() for boot in used).most_common(1)[0]
    return Draft(
        boots=len(used),
        starts_with=common if number >= MUST_SHARE * len(used) else None,
        stages=tuple(
            _stage(rung, own, gaps, used, folded)
            for rung, own, gaps in zip(rungs, times, _gaps(used, times), strict=True)
        ),
        rare=_rare(folded, rungs, tokens),
        notes=_notes(boots, used),
    )


def _notes(boots: Sequence[BootLog], used: Sequence[BootLog]) -> tuple[str, ...]:
    unfinished = sum(not boot.finished for boot in used)
    cut = sum(len(boot.events) > MAX_EVENTS for boot in used)
    told = (
        (len(boots) - len(used), f"{len(boots) - len(used)} boots without any code or line left out"),
        (unfinished, f"{unfinished} of {len(used)} boots did not finish: draft from good boots only"),
        (cut, f"{cut} boots have over {MAX_EVENTS} events; the rest was not used"),
    )
    return tuple(text for number, text in told if number)


def _stage(
    rung: Rung, times: Sequence[float], gaps: Sequence[float], boots: Sequence[BootLog], folded: Sequence[Folded]
) -> DraftStage:
    """A rung as a stage: `times` by boot, nan where a boot has not got it; `gaps` to the next rung."""
    places = [(b, p) for b, p in enumerate(rung.places.tolist()) if p >= 0]
    b, p = places[0]
    first = boots[b].events[folded[b].starts[p]]
    limit, kind = _limit(gaps)
    counts = [folded[b].counts[p] for b, p in places]
    periods = [folded[b].periods[p] for b, p in places if folded[b].counts[p] > 1]
    return DraftStage(
        kind=first.kind,
        value=first.value.upper() if first.kind == "code" else mask(first.value),
        at_s=statistics.median(times[b] for b, _ in places),
        usual_s=statistics.median(gaps) if gaps else None,
        longest_s=max(gaps, default=None),
        limit_s=limit,
        limit_kind=kind,
        seen=len(places),
        of=len(boots),
        optional=len(places) < MUST_SHARE * len(boots),
        repeats=Repeats(min(counts), statistics.median(counts), max(counts), max(periods)) if periods else None,
    )


def _gaps(boots: Sequence[BootLog], times: Sequence[Sequence[float]]) -> list[list[float]]:
    """Per rung, the seconds until the same boot's next rung (or its end, when it finished)."""
    out: list[list[float]] = [[] for _ in times]
    for b, boot in enumerate(boots):
        after = boot.end_s if boot.finished else math.nan
        for i in range(len(times) - 1, -1, -1):
            at = times[i][b]
            if math.isnan(at):
                continue
            if not math.isnan(after) and after >= at:
                out[i].append(after - at)
            after = at
    return out


def _limit(gaps: Sequence[float]) -> tuple[float | None, str]:
    if not gaps:
        return None, GUESS
    longest = max(gaps)
    found = learned_limit(gaps)
    if found is None:
        return max(GUESS_FACTOR * longest, GUESS_FLOOR_S), GUESS
    # Never below what a good boot has taken: with equal times the spread, and so the margin, is nil.
    return max(found[0], longest), found[1]


def _rare(folded: Sequence[Folded], rungs: Sequence[Rung], tokens: Tokens) -> tuple[Rare, ...]:
    on = {rung.token for rung in rungs}
    count = Counter(token for own in folded for token in set(own.tokens) - on)
    return tuple(Rare(str(tokens.names[t]), n) for t, n in count.most_common(RARE_MOST))
