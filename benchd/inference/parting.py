"""Power-ups told apart in a record that no table explains: where what came first comes again.

One record of codes and lines in, a list of boots out, each with its own events. Marks (power-on, reset) part for
certain. Else a boot begins where the next few tokens are those of the record's beginning: a share of ALIKE of WINDOW
of them, so that one code that comes again, or a line that was lost, parts nothing. A record that begins in the middle
of a boot is parted at its pauses instead, where these come at one place and are no part of the machine's own work:
a person's pauses differ. Common practice, no source; the numbers are ours.
"""

from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Sequence
from difflib import SequenceMatcher

from benchd.inference.bootlog import Event

MARK = "start"
"""Kind of an event that is a start by itself; its value is the reason."""
WINDOW = 12
ALIKE = 0.6
FIRST = 3
"""A boot begins with one of the first three tokens of the record: the very first may be noise, or lost."""
WHOLE = 0.8
"""What stands before the first start that was seen is a boot as well if it has this share of the usual events."""
SHIFT = 2
"""So many tokens may be lost before one that still counts as the same."""
LEAST = 2
"""Tokens that a boot must have to be one."""
PAUSE_S = 1.0
UNEVEN = 1.05
"""The longest of pauses by a person is more than this times the shortest; a machine's own are more even."""


def part(events: Sequence[Event]) -> list[tuple[Event, ...]]:
    """Part a record at its starts; times stay those of the record. What is no whole boot in front is left out."""
    pieces = _at_marks(events)
    first = next((piece for piece in pieces if len(piece) >= LEAST), None)
    if first is None:
        return []
    beginning = _window(_tokens(first)[0], 0)
    boots: list[tuple[Event, ...]] = []
    for piece in pieces:
        boots += _split(piece, beginning)
    return [boot for boot in boots if len(boot) >= LEAST]


def _at_marks(events: Sequence[Event]) -> list[list[Event]]:
    pieces: list[list[Event]] = [[]]
    for event in events:
        if event.kind == MARK:
            pieces.append([])
        else:
            pieces[-1].append(event)
    return pieces


def _tokens(events: Sequence[Event]) -> tuple[list[str], list[int]]:
    """Tokens without immediate repeats, and where in `events` each stands."""
    tokens: list[str] = []
    places: list[int] = []
    for place, event in enumerate(events):
        token = event.token()
        if not tokens or tokens[-1] != token:
            tokens.append(token)
            places.append(place)
    return tokens, places


def _split(events: Sequence[Event], beginning: Sequence[str]) -> list[tuple[Event, ...]]:
    tokens, places = _tokens(events)
    starts = [places[i] for i in _returns(tokens, beginning)]
    if not starts:
        return [tuple(events)] if events else []
    cuts = _paused(events, [0, *starts]) or [0, *starts]
    return [tuple(events[a:b]) for a, b in zip(cuts, [*cuts[1:], len(events)], strict=True)]


def _returns(tokens: Sequence[str], beginning: Sequence[str]) -> list[int]:
    """Where the beginning comes again: the best place of each that stand close together, the first one left out."""
    found = [(0, 1.0)]
    head = beginning[:FIRST]
    for i in range(1, len(tokens)):
        if tokens[i] not in head:
            continue
        here = _window(tokens, i)[: len(beginning)]
        there = beginning[: len(here)]
        if len(here) < min(LEAST, len(beginning)):
            continue
        alike = _alike(here, there)
        if alike < ALIKE:
            continue
        if i - found[-1][0] >= FIRST + SHIFT or (tokens[i] == head[0] and i - found[-1][0] >= FIRST):
            found.append((i, alike))
        elif alike > found[-1][1]:
            found[-1] = (i, alike)
    return [i for i, _ in found[1:]]


def _window(tokens: Sequence[str], at: int) -> Sequence[str]:
    """The next WINDOW tokens, or those before the first of them comes again: the next boot is not looked at."""
    again = next((i for i in range(at + FIRST, min(at + WINDOW, len(tokens))) if tokens[i] == tokens[at]), at + WINDOW)
    return tokens[at:again]


def _alike(here: Sequence[str], there: Sequence[str]) -> float:
    """Share of tokens that are the same at the same place, or one that few lost ones have moved."""
    blocks = SequenceMatcher(None, here, there, autojunk=False).get_matching_blocks()
    same = sum(block.size for block in blocks if abs(block.a - block.b) <= SHIFT)
    return 2 * same / (len(here) + len(there))


def _paused(events: Sequence[Event], cuts: Sequence[int]) -> list[int] | None:
    """Better places to cut: after the longest pause of each part, if that is where boots begin; None: they are not.

    Only for a record that began in the middle of a boot: the pauses before its cuts are then the machine's own.
    """
    if len(cuts) < 3:
        return None
    own = max(events[cut].t_s - events[cut - 1].t_s for cut in cuts[1:])
    pauses = _alike_pauses(events, cuts)
    if len(pauses) < max(2, len(cuts) - 2):
        return None
    shortest, most = min(pauses)[0], max(pauses)[0]
    if shortest < PAUSE_S or most <= UNEVEN * shortest or own >= shortest / 2:
        return None
    better = [i for _, i in pauses]
    usual = statistics.median(b - a for a, b in zip(better, [*better[1:], len(events)], strict=True))
    return [0, *better] if better[0] >= WHOLE * usual else better


def _alike_pauses(events: Sequence[Event], cuts: Sequence[int]) -> list[tuple[float, int]]:
    """The longest pause of each part with the place after it, of those parts where the same comes after it."""
    longest: list[tuple[float, int]] = []
    for a, b in zip(cuts, [*cuts[1:], len(events)], strict=True):
        longest += sorted(((events[i].t_s - events[i - 1].t_s, i) for i in range(a + 1, b)), reverse=True)[:1]
    tokens = Counter(events[i].token() for _, i in longest)
    return [(gap, i) for gap, i in longest if events[i].token() == tokens.most_common(1)[0][0]]


def got_as_far(boots: Sequence[Sequence[Event]]) -> list[int]:
    """Which boots have the last thing that most of them have: those that did not end early."""
    count: Counter[str] = Counter()
    at: dict[str, list[float]] = {}
    for boot in boots:
        for token, t_s in first_times(boot).items():
            count[token] += 1
            at.setdefault(token, []).append(t_s - boot[0].t_s)
    most = [token for token, number in count.items() if 2 * number > len(boots)]
    if not most:
        return list(range(len(boots)))
    last = max(most, key=lambda token: (statistics.median(at[token]), token))
    return [n for n, boot in enumerate(boots) if last in first_times(boot)]


def first_times(boot: Sequence[Event]) -> dict[str, float]:
    """When each token of a boot came first (s, as in its events), in order."""
    out: dict[str, float] = {}
    for event in boot:
        out.setdefault(event.token(), event.t_s)
    return out


def shared(boots: Sequence[Sequence[Event]], most: int) -> list[str]:
    """The tokens that all boots have and that come first in one order in all of them, at most so many.

    Beyond `most` those are kept after which the machine takes longest, the first one and the last one.
    """
    first = [first_times(boot) for boot in boots]
    common = [token for token in first[0] if all(token in times for times in first)]
    since = {token: [times[token] - boot[0].t_s for times, boot in zip(first, boots, strict=True)] for token in common}
    ordered = _in_one_order(sorted(common, key=lambda token: statistics.median(since[token])), first)
    steps = range(1, len(ordered) - 1)
    longest = sorted(steps, key=lambda n: -max(times[ordered[n + 1]] - times[ordered[n]] for times in first))
    kept = {0, len(ordered) - 1, *longest[: most - 2]}
    return [token for n, token in enumerate(ordered) if n in kept]


def _in_one_order(tokens: Sequence[str], first: Sequence[dict[str, float]]) -> list[str]:
    """Take out the token that stands wrong most often, until the order is that of every boot."""
    kept = list(tokens)
    while kept:
        wrong = [0] * len(kept)
        for times in first:
            at = [times[token] for token in kept]
            for i in range(len(kept)):
                for k in range(i + 1, len(kept)):
                    if at[k] < at[i]:
                        wrong[i] += 1
                        wrong[k] += 1
        worst = max(range(len(kept)), key=lambda i: wrong[i])
        if not wrong[worst]:
            break
        del kept[worst]
    return kept
