"""Two trials ahead: the first trials that promise most, with the best that could follow each of their results.

One boot after the other, the cheap repeat of what stands always looks good, though the dearer change would make the
next boots tell more. A trial is worth its bits less its minutes at the going rate (bits per minute of the best single
trial), and the same of what follows. Rates are held fixed over the two boots. What it was measured to be worth:
firmware-notes/causes.md.
"""

from __future__ import annotations

import numpy as np

from benchd.inference.candidates import ATTENTION_MINUTES, Candidates, View, entropy, gains, probabilities
from benchd.inference.rates import Floats, Ints
from benchd.inference.rivals import KINDS
from benchd.inference.setups import work

FIRST_MOST = 6
NEXT_MOST = 40
HEAVY_MOST = 600
STAYS_BAD, STAYS_GOOD = 0.93, 0.05
"""Chance of failing with nothing opened, after a failure and after a good boot, by rivals that go by a state."""
DRIFTING = [KINDS.index("falling"), KINDS.index("rising")]


def two_ahead(seen: View, found: Candidates, bits: Floats, order: Ints) -> Ints:
    """`order` (candidates, best first) with its first ones in the order of what two boots tell."""
    first, follow = order[:FIRST_MOST], order[:NEXT_MOST]
    if len(first) < 2 or bits[order[0]] <= 0:
        return order
    study = seen.posterior.space.study
    price = found.price
    going = float((bits[first] / price[first]).max())
    heavy = np.argsort(-seen.weight, kind="stable")[:HEAVY_MOST]
    told = probabilities(seen, found, follow)
    weight, p_in, p_out = told.weight[heavy], seen.p_in[heavy], seen.p_out[heavy]
    inside = told.inside[heavy]
    hardware = np.array([factor.hardware for factor in study.factors])
    worth = np.empty(len(first))
    for place, i in enumerate(first.tolist()):
        total = work(study, found.setups[i], found.setups[follow]) + study.boot_minutes + ATTENTION_MINUTES
        opened = ((found.setups[follow] != found.setups[i]) & hardware).any(axis=1)
        own = np.where(inside[:, place], p_in, p_out)
        worth[place] = bits[i] - going * price[i]
        for failed in (True, False):
            after = weight * (own if failed else 1 - own)
            beside = told.besides * (told.p_besides[:, place] if failed else 1 - told.p_besides[:, place])
            chance = float(after.sum() + beside.sum())
            p_next = told.p_besides.copy()
            stays = np.flatnonzero(~np.isin(np.arange(len(KINDS)), DRIFTING))
            p_next[np.ix_(stays, np.flatnonzero(~opened))] = STAYS_BAD if failed else STAYS_GOOD
            gain, _ = gains(after / chance, p_in, p_out, inside, besides=_besides(beside / chance, p_next))
            worth[place] += chance * max(0.0, float((gain - going * total).max()))
    best = np.lexsort((found.minutes[first], -np.round(worth, 12)))
    return np.concatenate([first[best], order[FIRST_MOST:]])


def _besides(weight: Floats, p: Floats) -> tuple[Floats, Floats]:
    return weight @ p, weight @ entropy(p)
