"""Fail rates that nobody knows: beta mixtures, and what they make of counts (beta-binomial)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class RatePrior:
    """A mixture of beta distributions for a fail rate: (weight, a, b) each."""

    parts: tuple[tuple[float, float, float], ...]

    def weigh(self, fails: Floats, boots: Floats) -> tuple[Floats, Floats]:
        """Log probability of one order of `fails` among `boots` (no C(n,k)); chance that the next boot fails."""
        k, n = fails.astype(np.int64), boots.astype(np.int64)
        top = int(n.max(initial=0)) + 1
        terms = np.stack(
            [
                np.log(weight) + _rising(a, top)[k] + _rising(b, top)[n - k] - _rising(a + b, top)[n]
                for weight, a, b in self.parts
            ]
        )
        marginal = np.logaddexp.reduce(terms, axis=0)
        means = np.stack([(a + fails) / (a + b + boots) for _, a, b in self.parts])
        return np.asarray(marginal), np.asarray((np.exp(terms - marginal) * means).sum(axis=0))


def _rising(a: float, top: int) -> Floats:
    """log of a(a+1)...(a+i-1) for i = 0..top: what betaln differences come down to, as a table."""
    return np.concatenate([[0.0], np.cumsum(np.log(a + np.arange(top)))])
