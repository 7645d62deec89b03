"""When a cause is settled: it holds the weight, was seen to come and go with the setup, and the results fit it.

Pure. The rules and what they were measured to be worth: firmware-notes/causes.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchd.inference.answers import Fit
from benchd.inference.hypotheses import Posterior
from benchd.inference.rates import Bools, Floats, Ints
from benchd.inference.setups import allowed
from benchd.inference.timeline import Timeline
from benchd.inference.wording import percent

SEPARATED_AT = 0.95
STEPS = 4
"""Failing start, cure, failing again, cured again."""
RIVAL_ODDS = 1 / 20
"""No cause is settled unless the boots are so many times likelier under causes in the setup than under any kind of
cause that lies in no setting, and under causes of its own form than under those of any other. Said without the priors:
on a bench where such another cause is the truth, a wrong one is settled in at most this share of evenings, however long
one goes on (Ville 1939)."""
FIT_FROM = 0.005
REPLICATES = 400
HEAVY_MOST = 200


@dataclass(frozen=True, slots=True)
class Standing:
    """What may be said of the leading explanation (row `lead` of the space).

    `alike`: rows that no allowed setup tells from it, itself first; `together`: their weight. `rivals`: the weight of
    all that lies in no setting; `rival_odds`: how many times likelier the boots are under the best kind of it than
    under causes in the setup; `form_odds`: the same of the best other form than its own. `besides`: the weight of
    causes over order and time, or of what is not in the list, whichever is more. `steps`: how many of
    the four results (fails, cured, fails, cured) were seen so far, and at which rows of the timeline.
    """

    lead: int
    alike: Ints
    together: float
    rivals: float
    rival_odds: float
    form_odds: float
    besides: float
    steps: tuple[int, ...]

    @property
    def separated(self) -> bool:
        return self.together >= SEPARATED_AT

    @property
    def confirmed(self) -> bool:
        return len(self.steps) >= STEPS

    def special(self, posterior: Posterior) -> bool:
        """Whether the lead names nothing that can be set."""
        return posterior.space.special(self.lead) is not None


def standing(posterior: Posterior) -> Standing:
    """How the leading explanation stands after the boots."""
    space, weight = posterior.space, posterior.folded
    heavy = np.argsort(-weight, kind="stable")[:HEAVY_MOST]
    start = posterior.setups[0] if len(posterior.setups) else np.zeros(len(space.study.factors), dtype=np.int64)
    alike = heavy[_alike(space.holds(allowed(space.study, start), heavy), heavy >= space.count - 2)]
    lead = int(heavy[0])
    inside = space.holds(posterior.line.setups, heavy[:1])[0]
    kinds = posterior.kind_weight
    rivals = np.concatenate([kinds, weight[-3:]])
    return Standing(
        lead,
        alike,
        float(weight[alike].sum()),
        float(rivals.sum()),
        float((rivals / space.rival_prior).max() / max(1 - rivals.sum(), 1e-300) * (1 - space.rival_prior.sum())),
        _form_odds(posterior, lead, alike),
        max(posterior.order_share, posterior.unlisted_share),
        steps_of(posterior.line, inside),
    )


def _form_odds(posterior: Posterior, lead: int, alike: Ints) -> float:
    """How many times likelier the boots are under the best other form of explanation than under the lead's.

    What no allowed setup tells from the lead is no rival of it, whatever its form.
    """
    space = posterior.space
    own = int(space.family[lead])
    told_apart = posterior.folded.copy()
    told_apart[alike[space.family[alike] != own]] = 0.0
    weight = np.bincount(space.family, told_apart)[:-1] / space.family_prior
    if own >= len(weight) or len(weight) < 2:
        return 0.0
    return float(np.delete(weight, own).max() / max(weight[own], 1e-300))


def _alike(masks: Bools, alone: Bools) -> Bools:
    """Which explanations predict what the first does in every allowed setup; those that stand alone are like none.

    "Intermittent" has a rate of its own, and a known-good setup (which may lie outside the study) parts "the test
    misleads" from the rest.
    """
    out = (masks == masks[0]).all(axis=1) & ~alone & ~alone[0]
    out[0] = True
    return np.asarray(out)


def is_settled(posterior: Posterior, now: Standing, fit: Fit) -> bool:
    """Whether the leading cause is one in the setup, separated, confirmed, and without a rival that matters."""
    return (
        not now.special(posterior)
        and now.separated
        and now.confirmed
        and max(now.rival_odds, now.form_odds) <= RIVAL_ODDS
        and fit.ok
    )


def keys(masks: np.ndarray) -> Ints:
    """A number for each row; equal rows get equal numbers."""
    if masks.shape[1] == 0:
        return np.zeros(len(masks), dtype=np.int64)
    packed = np.ascontiguousarray(np.packbits(masks, axis=1))
    rows = packed.view(np.dtype((np.void, packed.shape[1]))).ravel()
    return np.unique(rows, return_inverse=True)[1].astype(np.int64)


def steps_of(line: Timeline, inside: Bools) -> tuple[int, ...]:
    """Rows of `line` where it failed inside the lead's conditions, worked outside, failed inside, and so on."""
    out: list[int] = []
    for i, (fails, goods, holds) in enumerate(zip(line.fails, line.boots - line.fails, inside, strict=True)):
        wanted = fails if len(out) % 2 == 0 else goods
        if wanted and bool(holds) == (len(out) % 2 == 0):
            out.append(i)
    return tuple(out)


def check_fit(posterior: Posterior, h: int) -> Fit:
    """Whether the boots look like what explanation `h` gives: failures spread over setups and time as by chance.

    A posterior predictive check (Rubin 1984, Annals of Statistics 12, 1151-1172): rates are drawn from their
    distribution after the boots, boots from the rates; the check asks how often such boots are as uneven over setups
    (deviance), or as clustered in time (products of neighbouring residuals), as the real ones.
    """
    line, space = posterior.line, posterior.space
    if len(line) < 4:
        return Fit(True, "Too few boots to check whether the results fit.", 1.0)
    rng = np.random.default_rng(len(line))
    inside = space.holds(line.setups, np.array([h]))[0]
    rate = np.empty((REPLICATES, len(line)))
    for part, which in ((space.prior.failing, inside), (space.prior.working, ~inside)):
        k, n = line.fails[which].sum(), line.boots[which].sum()
        rate[:, which] = _drawn(rng, part.parts, k, n)[:, None]
    boots = line.boots.astype(np.int64)
    again = rng.binomial(boots, rate).astype(np.float64)
    where = np.unique(line.setups, axis=0, return_inverse=True)[1].ravel()
    uneven = [_deviance(one, line.boots, rate, where) for one in (line.fails, again)]
    clustered = [_neighbours(one, line.boots, rate) for one in (line.fails, again)]
    tails = [float((1 + (old <= new).sum()) / (1 + REPLICATES)) for old, new in (uneven, clustered)]
    p = min(1.0, 2 * min(tails))
    if p >= FIT_FROM * 2:
        return Fit(True, "The results look as the likeliest cause would give them.", p)
    how = "from setup to setup" if tails[0] <= tails[1] else "in runs, over time"
    return Fit(
        False,
        f"Nothing in the list explains the results well: they change {how} as the likeliest cause would give them in "
        f"{percent(p)} of such evenings. Something else plays a part.",
        p,
    )


def _drawn(rng: np.random.Generator, parts: tuple[tuple[float, float, float], ...], k: float, n: float) -> Floats:
    """Rates from a mixture of betas after k failures of n boots."""
    logs = np.array([math.log(w) + _log_beta(a + k, b + n - k) - _log_beta(a, b) for w, a, b in parts])
    chosen = rng.choice(len(parts), REPLICATES, p=np.exp(logs - np.logaddexp.reduce(logs)))
    a, b = (np.array([part[i] for part in parts])[chosen] for i in (1, 2))
    return np.clip(rng.beta(a + k, b + n - k), 1e-6, 1 - 1e-6)


def _log_beta(a: float, b: float) -> float:
    """Logarithm of Euler's beta function; SciPy's would cost `why` a quarter of its start."""
    return math.lgamma(a) + math.lgamma(b) - math.lgamma(a + b)


def _deviance(fails: Floats, boots: Floats, rate: Floats, where: Ints) -> Floats:
    """Pearson's sum over setups, of counts against rates; one number a replicate."""
    number = int(where.max()) + 1
    gather = np.zeros((len(where), number))
    gather[np.arange(len(where)), where] = 1.0
    off = (np.broadcast_to(fails, rate.shape) - boots * rate) @ gather
    return np.asarray((off**2 / ((boots * rate * (1 - rate)) @ gather)).sum(axis=1))


def _neighbours(fails: Floats, boots: Floats, rate: Floats) -> Floats:
    """Sum of products of neighbouring residuals; one number a replicate."""
    off = (fails - boots * rate) / np.sqrt(boots * rate * (1 - rate))
    return np.asarray((off[:, 1:] * off[:, :-1]).sum(axis=1))
