"""Trials from the results of single boots, as tests write them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from benchd.inference.study import TrialCounts


def trial_of(name: str, setup: Mapping[str, str], results: Sequence[bool]) -> TrialCounts:
    """A trial from what each boot came to."""
    return TrialCounts(name, dict(setup), sum(results), len(results))
