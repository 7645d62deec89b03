"""Causes that lie in no setting: over order and time, or outside the list. They share the probability with the rest.

Each is a machine with two states, bad and good, that fails with rate `high` in the bad one and `low` in the good one.
Kinds differ in when the state changes: never back (healed, broke), at any boot (unlisted), when the cover is off
(contact), by the rest before power-on (cold, warm), or anew at each boot with a chance that drifts (falling, rising).
The states are summed out exactly (forward algorithm: Rabiner 1989, Proceedings of the IEEE 77, 257-286), the rates and
times of each kind over a grid. Each is weighed alone and within one condition ("only where card is grey").
Priors and limits: firmware-notes/causes.md.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchd.inference.kinds import Special
from benchd.inference.rates import Bools, Floats, Ints
from benchd.inference.timeline import Timeline

KINDS: tuple[Special, ...] = ("healed", "broke", "falling", "rising", "cold", "warm", "contact", "unlisted")
ORDER_KINDS = len(KINDS) - 1
"""All but the last are causes over order and time."""

RATES = ((0.6, 0.96, 0.02), (0.2, 0.8, 0.08), (0.2, 0.6, 0.03))
"""Weight, rate in the bad state, rate in the good state."""
KNOWN_GOOD = (0.1, 0.9, 0.1, 0.5, 0.5, 0.5, 0.5, 0.5)
"""For each kind: the chance that a setup that is declared known-good worked when that was found out."""
OUTSIDE = 0.03
"""Rate where the condition, within which a cause is weighed, does not hold."""
RESTS_S = (20.0, 60.0, 180.0, 600.0, 1800.0)
"""Rests that may part cold from warm."""


@dataclass(frozen=True, slots=True)
class Grid:
    """Every kind with every rate and time: arrays of one length.

    `start`: chance to begin in the bad state. `shut` and `open`: chance that the state is drawn anew before a boot
    with the cover left on, or taken off; `bad`: that it is then the bad one. `odds` and `slope`: log odds of failing
    at the first boot and their change per boot (drift). `rest_s`: the rest that parts cold from warm.
    """

    kind: Ints
    log_prior: Floats
    high: Floats
    low: Floats
    start: Floats
    shut: Floats
    open: Floats
    bad: Floats
    odds: Floats
    slope: Floats
    rest_s: Floats

    def bad_after(self, before: Floats, seen: float, opened: bool, rest_s: float) -> Floats:
        """Chance of the bad state at the boot after `seen` ones, from that (last axis: grid) at the one before."""
        if not seen:
            found = before
        else:
            anew = self.open if opened else self.shut
            found = before * (1 - anew) + anew * self.bad
        cold = np.full(len(self.kind), 0.5) if np.isnan(rest_s) else (rest_s >= self.rest_s).astype(np.float64)
        by_rest = np.where(self.kind == KINDS.index("warm"), 1 - cold, cold)
        return np.where(np.isnan(self.rest_s), found, by_rest)

    def rates(self, seen: float) -> tuple[Floats, Floats]:
        """Fail rates in the bad and the good state after `seen` boots: the same where the rate drifts."""
        drift = np.clip(1 / (1 + np.exp(-(self.odds + self.slope * seen))), 0.01, 0.99)
        own = np.isnan(self.odds)
        return np.where(own, self.high, drift), np.where(own, self.low, drift)


@dataclass(frozen=True, slots=True)
class RivalPrior:
    """Prior weight of each kind, in the order of `KINDS`, beside a weight of about 0.9 for all other explanations."""

    weights: tuple[float, ...] = (0.02, 0.005, 0.02, 0.005, 0.02, 0.01, 0.08, 0.03)
    alone: float = 0.7
    both: float = 0.2
    """Shares of what needs no condition of the setup beside it, and of what shows only where a condition holds; the
    rest is for a condition that fails by itself, with the rival elsewhere."""


def grid_of(prior: RivalPrior, odds: Floats) -> Grid:
    """The grid with its prior weights, which add up to those of `prior` times the `odds` of each kind."""
    nan = np.nan
    rows: list[tuple[float, ...]] = []

    def add(kind: Special, times: Sequence[tuple[float, ...]], rates: Sequence[tuple[float, ...]] = RATES) -> None:
        weight = prior.weights[KINDS.index(kind)] * odds[KINDS.index(kind)] / len(times)
        for share, high, low in rates:
            rows.extend((KINDS.index(kind), weight * share, high, low, *time) for time in times)

    # start, shut, open, bad, odds, slope, rest
    changes = (0.2, 0.08, 0.03)
    add("healed", [(1.0, g, g, 0.0, nan, nan, nan) for g in changes])
    add("broke", [(0.1, g, g, 1.0, nan, nan, nan) for g in changes])
    fair = ((1.0, 0.5, 0.5),)
    add("falling", [(0, 0, 0, 0, o, s, nan) for o in (1.0, 3.0) for s in (-0.1, -0.2, -0.4)], fair)
    add("rising", [(0, 0, 0, 0, o, s, nan) for o in (-2.0, 0.0) for s in (0.1, 0.2, 0.4)], fair)
    add("cold", [(1.0, 0, 0, 0, nan, nan, r) for r in RESTS_S])
    add("warm", [(0.0, 0, 0, 0, nan, nan, r) for r in RESTS_S])
    add("contact", [(0.9, 0, 1, q, nan, nan, nan) for q in (0.3, 0.5, 0.7)])
    add("unlisted", [(0.9, s, s, q, nan, nan, nan) for s in (0.1, 0.3) for q in (0.3, 0.6)])
    table = np.array(rows, dtype=np.float64).T
    return Grid(table[0].astype(np.int64), np.log(table[1]), *table[2:])


@dataclass(frozen=True, slots=True)
class Bases:
    """Where a rival lets itself be seen: everywhere (row 0), where a condition holds, or where it does not.

    `shows` (bases x rows of the timeline); `elsewhere`: the fail rate where it does not show.
    """

    log_prior: Floats
    shows: Bools
    elsewhere: Floats

    @property
    def alone(self) -> Bools:
        """Which has no condition beside it."""
        return np.arange(len(self.elsewhere)) == 0


def bases_of(prior: RivalPrior, holds: Bools, meets: Floats) -> Bases:
    """Bases from where each condition `holds` (conditions x rows), and the share of setups that meet it."""
    number = len(holds)
    if not number:
        prior = RivalPrior(prior.weights, 1.0, 0.0)
    spread = np.full(number, 1 / max(meets.sum(), 1e-9))
    weights = np.concatenate([[prior.alone], prior.both * spread, (1 - prior.alone - prior.both) * spread])
    with np.errstate(divide="ignore"):
        log_prior = np.log(weights)
    every = np.ones((1, holds.shape[1]), dtype=np.bool_)
    return Bases(
        log_prior,
        np.concatenate([every, holds, ~holds]),
        np.repeat([OUTSIDE, 1 - OUTSIDE], [1 + number, number]),
    )


@dataclass(frozen=True, slots=True)
class Rivals:
    """The grid after the boots, on each base.

    `log_weight` (bases x grid): prior times probability of the boots; `state`: chance of the bad state now.
    """

    grid: Grid
    bases: Bases
    log_weight: Floats
    state: Floats
    seen: float

    def chance(self, opened: bool, rest_s: float) -> Floats:
        """Chance that the next boot fails where it shows, bases x grid."""
        high, low = self.grid.rates(self.seen)
        bad = self.grid.bad_after(self.state, self.seen, opened, rest_s)
        return np.asarray(low + bad * (high - low))


def follow(grid: Grid, line: Timeline, bases: Bases) -> Rivals:
    """Weigh the grid on every base by the boots."""
    state = np.broadcast_to(grid.start, (len(bases.log_prior), len(grid.kind))).copy()
    log_weight = bases.log_prior[:, None] + grid.log_prior
    log_fails, log_goods = np.log(bases.elsewhere), np.log1p(-bases.elsewhere)
    seen = 0.0
    for i, (fails, boots) in enumerate(zip(line.fails.tolist(), line.boots.tolist(), strict=True)):
        goods = boots - fails
        state = grid.bad_after(state, seen, bool(line.opened[i]), float(line.rest_s[i]))
        high, low = grid.rates(seen)
        with np.errstate(divide="ignore"):
            bad = np.log(state) + (fails * np.log(high) + goods * np.log1p(-high))
            good = np.log1p(-state) + (fails * np.log(low) + goods * np.log1p(-low))
        both = np.logaddexp(bad, good)
        shows = bases.shows[:, i, None]
        log_weight = log_weight + np.where(shows, both, (fails * log_fails + goods * log_goods)[:, None])
        state = np.where(shows, np.exp(bad - both), state)
        seen += boots
    return Rivals(grid, bases, log_weight, state, seen)
