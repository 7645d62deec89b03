"""The boots of a study in their order, with what went before each: openings of the cover and rests."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchd.inference.rates import Bools, Floats, Ints
from benchd.inference.study import Study, TrialCounts

Row = tuple[int, float, float, bool, float | None]
"""Number of the trial, fails, boots, whether the cover was off before, seconds of rest."""


@dataclass(frozen=True, slots=True)
class Timeline:
    """Rows in time: the setup (level numbers), fails of boots, whether the cover was off before, seconds of rest.

    A row is one boot, or all boots of a trial whose order inside is not known. `rest_s` is nan where nobody saw it.
    """

    setups: Ints
    fails: Floats
    boots: Floats
    opened: Bools
    rest_s: Floats
    trial: Ints

    def __len__(self) -> int:
        return len(self.fails)


def timeline(study: Study, trials: Sequence[TrialCounts]) -> Timeline:
    """The boots of `trials`, taken in the order given. The first counts as opened, after a rest of any length."""
    level = [{name: i for i, name in enumerate(factor.levels)} for factor in study.factors]
    setups: list[list[int]] = []
    rows: list[Row] = []
    for number, trial in enumerate(trials):
        setup = [index[trial.setup[factor.name]] for index, factor in zip(level, study.factors, strict=True)]
        if trial.results:
            rows += [(number, float(not one.ok), 1.0, one.opened, one.rest_s) for one in trial.results]
            setups += [setup] * len(trial.results)
        elif trial.boots:
            rows.append((number, float(trial.failures), float(trial.boots), False, None))
            setups.append(setup)
    return _built(study, setups, rows)


def _built(study: Study, setups: Sequence[Sequence[int]], rows: Sequence[Row]) -> Timeline:
    """Rows as columns; the cover was off, too, where hardware differs from the row before."""
    table = np.array(setups, dtype=np.int64).reshape(len(rows), len(study.factors))
    hardware = np.array([factor.hardware for factor in study.factors], dtype=np.bool_)
    opened = np.array([row[3] for row in rows], dtype=np.bool_)
    opened[1:] |= ((table[1:] != table[:-1]) & hardware).any(axis=1)
    opened[:1] = True
    rest = np.array([np.nan if row[4] is None else row[4] for row in rows], dtype=np.float64)
    if len(rest) and np.isnan(rest[0]):
        rest[0] = np.inf
    return Timeline(
        table,
        np.array([row[1] for row in rows], dtype=np.float64),
        np.array([row[2] for row in rows], dtype=np.float64),
        opened,
        rest,
        np.array([row[0] for row in rows], dtype=np.int64),
    )
