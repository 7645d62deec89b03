"""What can be done next, and what one boot of it would tell: bits of information about the cause.

Information is the mutual information of the cause and the result of one boot (Lindley 1956, "On a measure of the
information provided by an experiment", Ann. Math. Stat. 27). Rates and times of a rival are no causes of their own:
each kind of rival counts as one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchd.inference.hypotheses import Posterior
from benchd.inference.rates import Bools, Floats, Ints
from benchd.inference.rivals import KINDS, RESTS_S
from benchd.inference.setups import work

KEPT_MASS = 0.9995
KEPT_MOST = 3_000
KEPT_LEAST = 64
CHUNK = 512
RESEAT_MINUTES = 6.0
"""To take the cards out and put them back (common practice, no source), where no part of the study takes less."""
AT_ONCE_S = 0.0
LONG_REST_S = (900.0, 2400.0)
ATTENTION_MINUTES = 2.0
"""What a trial costs a person besides its minutes, when trials are ranked: to stand there, look and note."""
RIVAL_FROM = 0.003
"""Reseating and resting are looked at while the rivals that they tell of hold this much."""


@dataclass(frozen=True, slots=True)
class Candidates:
    """Trials that could come next, one a row: the setup, whether the cover is off before, seconds of rest.

    `rest_s` is what is expected (nan: unknown); `told_rest_s` what the person is asked to keep (nan: nothing).
    """

    setups: Ints
    opened: Bools
    rest_s: Floats
    told_rest_s: Floats
    reseat: Bools
    minutes: Floats

    def __len__(self) -> int:
        return len(self.minutes)

    @property
    def price(self) -> Floats:
        """What each costs when they are ranked, in minutes."""
        return self.minutes + ATTENTION_MINUTES


def candidates(posterior: Posterior, current: Ints, grid: Ints, boot_minutes: float) -> Candidates:
    """Every row of `grid` as a trial; and the current setup reseated, after a rest, or again at once."""
    study = posterior.space.study
    minutes = work(study, current, grid)
    hardware = np.array([factor.hardware for factor in study.factors])
    opened = ((grid != current) & hardware).any(axis=1)
    rest = np.where(opened, minutes * 60, _usual_rest(posterior))
    nothing = np.full(len(grid), np.nan)
    plain = Candidates(grid, opened, rest, nothing, np.zeros(len(grid), dtype=np.bool_), minutes + boot_minutes)
    rows = [plain]
    share = dict(zip(KINDS, posterior.kind_weight.tolist(), strict=True))
    if len(posterior.line) and (grid == current).all(axis=1).any():
        if share["contact"] >= RIVAL_FROM and hardware.any():
            rows.append(_same(current, True, RESEAT_MINUTES * 60, np.nan, RESEAT_MINUTES + boot_minutes))
        if share["cold"] + share["warm"] >= RIVAL_FROM:
            rows.append(_same(current, False, AT_ONCE_S, AT_ONCE_S, boot_minutes))
            rows += [_same(current, False, rest_s, rest_s, rest_s / 60 + boot_minutes) for rest_s in LONG_REST_S]
    return joined(rows)


def _usual_rest(posterior: Posterior) -> float:
    """The rest that this bench's boots had where the cover stayed on; nan where none was seen."""
    line = posterior.line
    seen = line.rest_s[~line.opened & np.isfinite(line.rest_s)]
    return float(np.median(seen)) if len(seen) else float("nan")


def _same(current: Ints, opened: bool, rest_s: float, told: float, minutes: float) -> Candidates:
    one = np.array([rest_s])
    return Candidates(
        current[None, :], np.array([opened]), one, np.array([told]), np.array([opened]), np.array([minutes])
    )


def joined(parts: list[Candidates]) -> Candidates:
    """Several lists of candidates as one."""
    names = Candidates.__slots__
    return Candidates(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))


def taken(found: Candidates, which: Ints) -> Candidates:
    """Some of the candidates."""
    return Candidates(*(getattr(found, name)[which] for name in Candidates.__slots__))


@dataclass(frozen=True, slots=True)
class View:
    """What the weights are looked at through: the heaviest explanations, and how each kind of rival shows.

    `weight`, `p_in`, `p_out` belong to the explanations `which`; `kinds` to `rivals.KINDS`; `beside` (one for each of
    `Space.single`) to rivals with a condition beside them.
    """

    posterior: Posterior
    which: Ints
    weight: Floats
    p_in: Floats
    p_out: Floats
    kinds: Floats
    beside: Floats

    def inside(self, setups: Ints) -> Bools:
        """Whether each kept explanation says "fails" of each setup."""
        return self.posterior.space.holds(setups, self.which)

    def rivals(self, found: Candidates) -> tuple[Floats, Floats]:
        """Chance that each candidate fails under each kind of rival alone, and under those beside each condition."""
        posterior = self.posterior
        rivals, weight = posterior.rivals, posterior.rival_weight
        shows = _shows(posterior, found.setups)
        to_kind = np.equal.outer(rivals.grid.kind, np.arange(len(KINDS))).astype(np.float64)
        total = weight.sum(axis=1)
        elsewhere = total * rivals.bases.elsewhere
        by_kind = np.zeros((len(KINDS), len(found)))
        by_base = np.zeros((len(total), len(found)))
        for same, opened, rest_s in _classes(found):
            fails = weight * rivals.chance(opened, rest_s)
            at = shows[:, same]
            by_kind[:, same] = (fails[0] @ to_kind)[:, None]
            by_base[:, same] = fails.sum(axis=1)[:, None] * at + elsewhere[:, None] * (1.0 - at)
        by_kind /= np.maximum(posterior.kind_weight, 1e-300)[:, None]
        beside = by_base[1:].reshape(2, -1, len(found)).sum(axis=0)
        return by_kind, beside / np.maximum(posterior.beside.sum(axis=1), 1e-300)[:, None]


def _classes(found: Candidates) -> list[tuple[Ints, bool, float]]:
    """Candidates that the rivals cannot tell apart but by their setup: their places, opened, a rest of theirs."""
    limits = np.array(RESTS_S)
    place = np.where(np.isnan(found.rest_s), len(limits) + 1, np.searchsorted(limits, found.rest_s, side="right"))
    key = place * 2 + found.opened
    return [
        (np.flatnonzero(key == k), bool(k % 2), float(found.rest_s[np.flatnonzero(key == k)[0]]))
        for k in np.unique(key).tolist()
    ]


def _shows(posterior: Posterior, setups: Ints) -> Floats:
    """Where each base lets its rival show, bases x setups."""
    holds = posterior.space.literals.hold(setups)[posterior.space.single].astype(np.float64)
    return np.concatenate([np.ones((1, len(setups))), holds, 1 - holds])


def view(posterior: Posterior, most: int = KEPT_MOST) -> View:
    """The heaviest explanations, which hold nearly all the weight; and the rivals."""
    which = kept(posterior, most)
    weight, kinds, beside = posterior.weight[which], posterior.kind_weight, posterior.beside.sum(axis=1)
    total = weight.sum() + kinds.sum() + beside.sum()
    p_in, p_out = posterior.p_in[which], posterior.p_out[which]
    return View(posterior, which, weight / total, p_in, p_out, kinds / total, beside / total)


def kept(posterior: Posterior, most: int = KEPT_MOST) -> Ints:
    """The heaviest explanations, which hold nearly all the weight of explanations."""
    order = np.argsort(-posterior.weight, kind="stable")[:most]
    mass = np.cumsum(posterior.weight[order])
    return np.asarray(order[: max(KEPT_LEAST, int(np.searchsorted(mass, KEPT_MASS * posterior.weight.sum())) + 1)])


@dataclass(frozen=True, slots=True)
class Probabilities:
    """Chances of failing, cause by cause, of some candidates.

    `weight` and `inside` belong to the explanations of the view; a condition alone has its weight not there but in
    `besides`, together with its rivals: first the kinds, then the conditions. `p_besides`: those x candidates.
    """

    weight: Floats
    inside: Bools
    besides: Floats
    p_besides: Floats


def probabilities(seen: View, found: Candidates, which: Ints) -> Probabilities:
    """How each cause sees the candidates `which`."""
    some = taken(found, which)
    p_rival, p_beside = seen.rivals(some)
    # A condition, alone or with a rival beside it, is one cause.
    posterior = seen.posterior
    place = np.full(posterior.space.count, -1)
    place[seen.which] = np.arange(len(seen.which))
    row = place[posterior.space.single_rows]
    own = np.where(row >= 0, seen.weight[row], 0.0)
    holds = _shows(posterior, some.setups)[1 : 1 + len(row)]
    p_own = np.where(holds > 0, seen.p_in[row][:, None], seen.p_out[row][:, None])
    total = own + seen.beside
    p_one = (own[:, None] * p_own + seen.beside[:, None] * p_beside) / np.maximum(total, 1e-300)[:, None]
    weight = seen.weight.copy()
    weight[row[row >= 0]] = 0.0
    inside = seen.inside(some.setups)
    return Probabilities(weight, inside, np.concatenate([seen.kinds, total]), np.concatenate([p_rival, p_one]))


def look(seen: View, found: Candidates) -> tuple[Floats, Floats]:
    """Expected bits from one boot of each candidate, and the chance that it fails."""
    bits, fail = np.empty(len(found)), np.empty(len(found))
    for start in range(0, len(found), CHUNK):
        part = np.arange(start, min(start + CHUNK, len(found)))
        told = probabilities(seen, found, part)
        besides = told.besides @ told.p_besides, told.besides @ entropy(told.p_besides)
        bits[part], fail[part] = gains(told.weight, seen.p_in, seen.p_out, told.inside, besides)
    return bits, fail


def gains(
    weight: Floats, p_in: Floats, p_out: Floats, inside: Bools, besides: tuple[Floats, Floats] | None = None
) -> tuple[Floats, Floats]:
    """Expected bits from one boot of each setup, and the chance that it fails.

    `inside` (explanations x setups) says where each explanation expects failure. `besides`: chance of failing, and
    entropy that would remain, of causes that are weighed besides, times their weight.
    """
    h_in, h_out = entropy(p_in), entropy(p_out)
    rows = np.stack([weight * (p_in - p_out), weight * (h_in - h_out)])
    # Not by `@`: the threads of a linear algebra library cost more than so narrow a product saves.
    fail, known = np.einsum("rh,hs->rs", rows, inside)
    fail += (weight * p_out).sum()
    known += (weight * h_out).sum()
    if besides is not None:
        fail, known = fail + besides[0], known + besides[1]
    return np.maximum(entropy(fail) - known, 0.0), fail


def entropy(p: Floats) -> Floats:
    """Bits of a coin that falls with chance `p`."""
    q = np.clip(p, 1e-12, 1 - 1e-12)
    return np.asarray(-(q * np.log2(q) + (1 - q) * np.log2(1 - q)))
