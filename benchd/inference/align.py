"""Aligning sequences: one against many at once, by what they have in common, in order.

Longest common subsequence by the recurrence of Needleman and Wunsch (1970), in numpy."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]

CHUNK_CELLS = 24_000_000


class Tokens:
    """Numbers for hashable tokens, the same number for equal ones."""

    def __init__(self) -> None:
        self.names: list[Hashable] = []
        self._index: dict[Hashable, int] = {}

    def encode(self, tokens: Iterable[Hashable]) -> list[int]:
        index = self._index
        out = []
        for token in tokens:
            number = index.get(token)
            if number is None:
                number = index[token] = len(self.names)
                self.names.append(token)
            out.append(number)
        return out


def pair(a: Sequence[Hashable], b: Sequence[Hashable]) -> list[tuple[int | None, int | None]]:
    """A best alignment as pairs of positions in `a` and `b`; None stands for a gap."""
    tokens = Tokens()
    place = align_to(tokens.encode(a), [tokens.encode(b)])[0]
    out: list[tuple[int | None, int | None]] = []
    j = 0
    for i, where in enumerate(place.tolist()):
        if where >= 0:
            while j < where:
                out.append((None, j))
                j += 1
            out.append((i, where))
            j = where + 1
        else:
            out.append((i, None))
    out.extend((None, k) for k in range(j, len(b)))
    return out


def align_to(center: Sequence[int], others: Sequence[Sequence[int]]) -> Ints:
    """For each of `others`, the position in it that each place of `center` is paired with, or -1.

    Shape: others x places of center.
    """
    out = np.full((len(others), len(center)), -1, dtype=np.int64)
    for part in _chunks(center, others):
        chosen = [others[i] for i in part]
        out[part] = _trace(np.asarray(center, dtype=np.int64), chosen)
    return out


def _chunks(center: Sequence[int], others: Sequence[Sequence[int]]) -> Iterator[list[int]]:
    """Indices in batches of like length, small enough for memory."""
    by_length = sorted(range(len(others)), key=lambda i: len(others[i]))
    batch: list[int] = []
    for i in by_length:
        cells = (len(center) + 1) * (len(others[i]) + 1) * (len(batch) + 1)
        if batch and cells > CHUNK_CELLS:
            yield batch
            batch = []
        batch.append(i)
    if batch:
        yield batch


def _padded(sequences: Sequence[Sequence[int]]) -> Ints:
    out = np.full((len(sequences), max((len(s) for s in sequences), default=0)), -1, dtype=np.int64)
    for row, sequence in zip(out, sequences, strict=True):
        row[: len(sequence)] = sequence
    return out


def _table(center: Ints, others: Ints) -> NDArray[np.int32]:
    """Tokens in common so far: places of center + 1, others, places of other + 1."""
    rows, width = others.shape
    table = np.zeros((len(center) + 1, rows, width + 1), dtype=np.int32)
    for i, token in enumerate(center):
        above, here = table[i], table[i + 1]
        np.maximum(above[:, 1:], above[:, :-1] + (others == token), out=here[:, 1:])
        np.maximum.accumulate(here, axis=1, out=here)
    return table


def _trace(center: Ints, others: Sequence[Sequence[int]]) -> Ints:
    padded = _padded(others)
    table = _table(center, padded)
    out = np.full((len(others), len(center)), -1, dtype=np.int64)
    i = np.full(len(others), len(center), dtype=np.int64)
    j = np.array([len(s) for s in others], dtype=np.int64)
    live = np.flatnonzero((i > 0) & (j > 0))
    while len(live):
        li, lj = i[live], j[live]
        here = table[li, live, lj]
        same = center[li - 1] == padded[live, lj - 1]
        diagonal = same & (here == table[li - 1, live, lj - 1] + 1)
        up = ~diagonal & (here == table[li - 1, live, lj])
        out[live[diagonal], li[diagonal] - 1] = lj[diagonal] - 1
        i[live] -= diagonal | up
        j[live] -= ~up
        live = live[(i[live] > 0) & (j[live] > 0)]
    return out


@dataclass(frozen=True, slots=True)
class Run:
    """`period` tokens from `start`, seen `count` times in a row."""

    start: int
    period: int
    count: int


MAX_PERIOD = 8


def collapse(tokens: Sequence[int]) -> list[Run]:
    """A sequence as runs: one token twice or more, or a block of 2 to 8 three times or more, folded."""
    out: list[Run] = []
    n, i = len(tokens), 0
    while i < n:
        best = Run(i, 1, 1)
        first = tokens[i]
        for period in range(1, min(MAX_PERIOD, (n - i) // 2) + 1):
            if tokens[i + period] != first:
                continue
            end = i + period
            while end < n and tokens[end] == tokens[end - period]:
                end += 1
            count = (end - i) // period
            if count >= (2 if period == 1 else 3) and period * count > best.period * best.count:
                best = Run(i, period, count)
                if period == 1:
                    break
        out.append(best)
        i += best.period * best.count
    return out
