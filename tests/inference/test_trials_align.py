"""Alignment against published distances; folding of repeats; consensus of noisy sequences."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.inference.align import Tokens, align_to, collapse, pair
from benchd.inference.bootlog import BootLog, Event
from benchd.inference.consensus import consensus, fold


@pytest.mark.parametrize(
    ("a", "b", "distance"),
    [
        ("kitten", "sitting", 5),  # RapidFuzz documentation, Indel
        ("lewenstein", "levenshtein", 3),  # RapidFuzz documentation, Indel
        ("intention", "execution", 8),  # textbook example, substitutions at twice the price (from memory)
        ("", "abc", 3),
    ],
)
def test_published_distances(a, b, distance):
    """What is left unpaired is the published distance by insertions and deletions, either way round."""
    for one, other in ((a, b), (b, a)):
        columns = pair(one, other)
        assert all(one[i] == other[j] for i, j in columns if i is not None and j is not None)
        assert sum(i is None or j is None for i, j in columns) == distance


words = st.text("ABCD", max_size=12)


def longest_common(a, b):
    """Longest common subsequence by the textbook recurrence."""
    row = [0] * (len(b) + 1)
    for x in a:
        diagonal = 0
        for j, y in enumerate(b, 1):
            diagonal, row[j] = row[j], (diagonal + 1 if x == y else max(row[j], row[j - 1]))
    return row[-1]


@settings(deadline=None, max_examples=150)
@given(words, st.lists(words, min_size=1, max_size=5))
def test_many_at_once_equal_one_by_one(center, others):
    """Batched alignment pairs equal tokens only, in order, as many as the longest common subsequence."""
    tokens = Tokens()
    c, o = tokens.encode(center), [tokens.encode(x) for x in others]
    places = align_to(c, o)
    for other, place in zip(o, places.tolist(), strict=True):
        used = [p for p in place if p >= 0]
        assert used == sorted(set(used))
        assert all(other[p] == c[i] for i, p in enumerate(place) if p >= 0)
        assert len(used) == longest_common(c, other)


@settings(deadline=None, max_examples=100)
@given(words, words)
def test_a_pairing_holds_every_place_of_both_once(a, b):
    columns = pair(a, b)
    assert [i for i, _ in columns if i is not None] == list(range(len(a)))
    assert [j for _, j in columns if j is not None] == list(range(len(b)))


@settings(deadline=None, max_examples=200)
@given(st.lists(st.integers(0, 3), max_size=40))
def test_folding_repeats_loses_nothing(tokens):
    """Unfolding the runs gives the sequence back."""
    out = []
    for run in collapse(tokens):
        out += tokens[run.start : run.start + run.period] * run.count
    assert out == tokens


def test_a_token_twice_and_a_block_three_times_are_folded():
    runs = [(r.start, r.period, r.count) for r in collapse([7, 7, 1, 2, 1, 2, 1, 2, 9, 5, 6, 5, 6])]
    assert runs == [(0, 1, 2), (2, 2, 3), (8, 1, 1), (9, 1, 1), (10, 1, 1), (11, 1, 1), (12, 1, 1)]


def boot(name, codes):
    return BootLog(name, "finished", 99.0, (), tuple(Event("code", c, float(i)) for i, c in enumerate(codes)))


def test_consensus_recovers_the_true_sequence_from_noisy_ones():
    """40 boots that lose 10 % of their codes and gain strange ones still give the whole ladder, in order."""
    rng = np.random.default_rng(3)
    true = [f"{i:02X}" for i in range(0, 120, 2)]
    boots = []
    for n in range(40):
        codes = [c for c in true if rng.random() > 0.1]
        for _ in range(3):
            codes.insert(int(rng.integers(len(codes))), f"{2 * int(rng.integers(60)) + 1:02X}")
        boots.append(boot(str(n), codes))
    tokens = Tokens()
    rungs = consensus([fold(b, tokens) for b in boots])
    assert [tokens.names[r.token] for r in rungs] == [f"code {c}" for c in true]
    for rung in rungs:
        assert rung.seen() >= 25


def test_consensus_of_one_boot_is_the_boot():
    tokens = Tokens()
    rungs = consensus([fold(boot("1", ["01", "02", "03"]), tokens)])
    assert [tokens.names[r.token] for r in rungs] == ["code 01", "code 02", "code 03"]


def test_consensus_of_boots_without_events_is_empty():
    assert consensus([fold(boot("1", []), Tokens())]) == []
