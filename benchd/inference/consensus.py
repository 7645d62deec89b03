"""The ladder that several boots share: their sequences aligned to a common one, round by round.

Star alignment (Gusfield, Algorithms on Strings, Trees and Sequences, 14.6): every sequence against one
centre; what many have between two places of the centre is put in, what few have is taken out, and the
rounds repeat until nothing changes.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchd.inference.align import Ints, Tokens, align_to, collapse
from benchd.inference.bootlog import MAX_EVENTS, BootLog

ROUNDS = 4


@dataclass(frozen=True, slots=True)
class Folded:
    """A boot's events with repeats folded: token numbers, the event each begins at, repeats, period."""

    tokens: tuple[int, ...]
    starts: tuple[int, ...]
    counts: tuple[int, ...]
    periods: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Rung:
    """One place of a consensus: its token, and per boot the folded position it has there (or -1)."""

    token: int
    places: Ints

    def seen(self) -> int:
        return int((self.places >= 0).sum())


def fold(boot: BootLog, tokens: Tokens) -> Folded:
    """Fold repeats of one boot's events (at most 4,000 of them)."""
    numbers = tokens.encode([event.token() for event in boot.events[:MAX_EVENTS]])
    out: list[int] = []
    starts: list[int] = []
    counts: list[int] = []
    periods: list[int] = []
    for run in collapse(numbers):
        # A folded block stands as its tokens once; each of them carries the count.
        for k in range(run.period):
            out.append(numbers[run.start + k])
            starts.append(run.start + k)
            counts.append(run.count)
            periods.append(run.period)
    return Folded(tuple(out), tuple(starts), tuple(counts), tuple(periods))


def consensus(folded: Sequence[Folded], share: float = 0.5) -> list[Rung]:
    """The rungs that at least `share` of the boots have, in order."""
    alone = Counter(f.tokens for f in folded)
    sequences = list(alone)
    weight = np.array([alone[s] for s in sequences], dtype=np.int64)
    total = int(weight.sum())
    need = max(1, int(np.ceil(share * total - 1e-9)))
    center = _first(alone)
    places = align_to(center, sequences)
    for _ in range(ROUNDS):
        wider = _widen(center, sequences, weight, places, need)
        if wider == center:
            break
        center, places = wider, align_to(wider, sequences)
    index = {s: i for i, s in enumerate(sequences)}
    of_boot = np.array([index[f.tokens] for f in folded], dtype=np.int64)
    return [
        Rung(token, places[of_boot, i])
        for i, token in enumerate(center)
        if int(weight[places[:, i] >= 0].sum()) >= need
    ]


def _first(alone: Counter[tuple[int, ...]]) -> list[int]:
    """A centre to start with: the commonest sequence, or among equals the one of median length."""
    most = max(alone.values())
    common = sorted((s for s, n in alone.items() if n == most), key=len)
    return list(common[len(common) // 2])


def _widen(center: list[int], sequences: Sequence[tuple[int, ...]], weight: Ints, places: Ints, need: int) -> list[int]:
    """The centre without rungs that few have, and with tokens that many have between its rungs."""
    extra: list[Counter[int]] = [Counter() for _ in range(len(center) + 1)]
    depths: dict[tuple[int, int], list[int]] = defaultdict(list)
    for sequence, count, place in zip(sequences, weight.tolist(), places.tolist(), strict=True):
        for (slot, token), depth in _between(sequence, place).items():
            extra[slot][token] += count
            depths[slot, token].append(depth)
    have = (weight[:, None] * (places >= 0)).sum(axis=0)
    out: list[int] = []
    for slot, tokens in enumerate(extra):
        wanted = [t for t, n in tokens.items() if n >= need]
        out += sorted(wanted, key=lambda t, slot=slot: sum(depths[slot, t]) / len(depths[slot, t]))  # type: ignore[misc]
        if slot < len(center) and int(have[slot]) >= need:
            out.append(center[slot])
    return out


def _between(sequence: Sequence[int], place: Sequence[int]) -> dict[tuple[int, int], int]:
    """Tokens of a sequence that are no rung: by (slot between rungs, token) how far into the slot they first stand."""
    out: dict[tuple[int, int], int] = {}
    slot_of = {p: i for i, p in enumerate(place) if p >= 0}
    if len(slot_of) == len(sequence):
        return out
    slot, depth = 0, 0
    for position, token in enumerate(sequence):
        if position in slot_of:
            slot, depth = slot_of[position] + 1, 0
        else:
            out.setdefault((slot, token), depth)
            depth += 1
    return out
