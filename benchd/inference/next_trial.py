"""The next trial: which allowed setup tells most about the causes per minute of work.

While causes are to be separated, trials are ranked by bits per minute; when one leads and is only to be confirmed, by
the minutes of seeing the failing setup, or the cure, again. Model and measurements: firmware-notes/causes.md.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from benchd.errors import UsageError
from benchd.inference.answers import Lead, NextTrial, Outlook, Proposal, TrialKind, Weighing
from benchd.inference.candidates import Candidates, View, candidates, look, view
from benchd.inference.causes import describe
from benchd.inference.hypotheses import Posterior, Prior, posterior_of
from benchd.inference.kinds import MISLEADS, NOTHING
from benchd.inference.lookahead import two_ahead
from benchd.inference.rates import Bools, Floats, Ints
from benchd.inference.rivals import KINDS
from benchd.inference.settling import Standing, standing
from benchd.inference.setups import allowed, excluded, named
from benchd.inference.study import Change, Evidence, Exclusion, Study, TrialCounts
from benchd.inference.wording import TEXT_OF_SPECIAL, percent, text_of

RANKED_MOST = 100
WORTH_BITS = 0.01
"""Below this a boot tells so little that it is not worth its minutes."""
NOTHING_LEFT = 0.8
"""From this weight of "nothing tried matters" and "the test misleads" on, the list of factors is to be looked at."""


def propose(
    study: Study,
    trials: Sequence[TrialCounts],
    current: Mapping[str, str] | None = None,
    *,
    limit: int = 5,
    leave_out: Sequence[Exclusion] = (),
    prior: Prior | None = None,
    evidence: Sequence[Evidence] = (),
) -> Proposal:
    """Rank the allowed next trials by expected bits per minute.

    `current` is how the bench stands (default: the last trial's setup, else the reference, else the first allowed
    setup). `leave_out`: combinations predicted to collide, with the reason. Raises UsageError for setups that do not
    fit, or when no setup is allowed.
    """
    study.check_trials(trials)
    if not 1 <= limit <= RANKED_MOST:
        raise UsageError(f"{limit} next trials asked for; from 1 to {RANKED_MOST} can be ranked")
    posterior = posterior_of(study, trials, prior, evidence)
    space = posterior.space
    current = current or (trials[-1].setup if trials else study.reference) or next(study.setups(), None)
    if current is None:
        raise UsageError(f"study '{study.name}': the exclusions forbid every setup; remove one")
    study.check_setup(current, "the current setup")
    here = space.encode([current])[0]
    grid, left_out = _without(study, allowed(study, here), leave_out)
    if not len(grid):
        raise UsageError(f"study '{study.name}': every setup is excluded or predicted to collide; remove an exclusion")
    now = standing(posterior)
    found = candidates(posterior, here, grid, study.boot_minutes)
    seen = view(posterior)
    bits, fail = look(seen, found)
    order, kinds = ordered(posterior, now, found, bits)
    if "separate" in (kinds[i] for i in order[:1]):
        order = two_ahead(seen, found, bits, order)
    first = order[: 40 * limit]
    ways = list(
        zip(
            found.opened[first].tolist(),
            found.reseat[first].tolist(),
            np.nan_to_num(found.told_rest_s[first], nan=-1.0).tolist(),
            strict=True,
        )
    )
    chosen = first[_different(seen.inside(found.setups[first]), ways, limit)].tolist()
    teller = _Teller(study, seen, now, found, current)
    ranked = tuple(teller.trial(i, kinds[i], float(bits[i]), float(fail[i])) for i in chosen)
    why = describe(study, trials, posterior, evidence)
    return Proposal(*_advice(why, ranked), left_out, ranked, why)


def _advice(why: Weighing, ranked: Sequence[NextTrial]) -> tuple[bool, str]:
    """Whether to stop, and what to say of it."""
    if why.settled or (why.separated and why.causes[0].special is not None):
        return True, f"Cause found, nothing more to try. {why.verdict}"
    if why.separated:
        return False, f"Nearly there: {why.verdict} {why.confirmation}"
    everywhere = sum(cause.probability for cause in why.causes if cause.special in (NOTHING, MISLEADS))
    if everywhere >= NOTHING_LEFT:
        return True, (
            f"Nothing more to try here: in {percent(everywhere)} it fails whatever is changed of what is listed. "
            f"{why.verdict} Boot a known-good setup under the same test, or add a factor."
        )
    if max(trial.gain_bits for trial in ranked) < WORTH_BITS:
        return True, (
            f"Nothing more to try here: no allowed trial tells more than {max(ranked[0].gain_bits, 0.0):.3f} bits. "
            f"{why.verdict} Add a factor or a level that parts them, or a known-good reference."
        )
    lead = percent(why.causes[0].probability)
    return False, f"Go on until one explanation holds 95 %; the likeliest now holds {lead}."


def ordered(posterior: Posterior, now: Standing, found: Candidates, bits: Floats) -> tuple[Ints, list[TrialKind]]:
    """Candidates from the best on, and what each is for.

    By bits per minute (with `ATTENTION_MINUTES` for each trial); when the lead is only to be confirmed, first those
    that show the next of failing, cured, failing, cured, cheapest first. Ties go to fewer minutes, then to the order of
    the candidates.
    """
    kinds: list[TrialKind] = ["separate"] * len(found)
    worth = bits / found.price
    if now.special(posterior) or not len(now.steps):
        return np.lexsort((found.minutes, -np.round(worth, 12))), kinds
    inside = posterior.space.holds(found.setups, np.array([now.lead]))[0]
    wanted = inside == (len(now.steps) % 2 == 0)
    if now.separated and not now.confirmed:
        failing = len(now.steps) % 2 == 0
        known = _seen_before(posterior, found.setups)
        for i in np.flatnonzero(wanted):
            kinds[i] = "confirm-failing" if failing else "confirm-cured"
        keys = (found.minutes, ~known, ~wanted | found.reseat)
        return np.lexsort(keys), kinds
    return np.lexsort((found.minutes, -np.round(worth, 12))), kinds


def _seen_before(posterior: Posterior, setups: Ints) -> Bools:
    """Which setups were booted before."""
    if not len(posterior.setups):
        return np.zeros(len(setups), dtype=np.bool_)
    return np.asarray((setups[:, None, :] == posterior.setups[None, :, :]).all(axis=2).any(axis=1))


def rank(posterior: Posterior, current: Ints, grid: Ints, boot_minutes: float) -> tuple[Floats, Floats, Floats, Ints]:
    """Expected bits, chance of failing, minutes of each row of `grid`, and rows by bits per minute.

    Ties go to fewer minutes, then to the order of `grid`.
    """
    found = candidates(posterior, current, grid, boot_minutes)
    bits, fail = look(view(posterior), found)
    number = len(grid)
    minutes = found.minutes[:number]
    order = np.lexsort((minutes, -np.round(bits[:number] / found.price[:number], 12)))
    return bits[:number], fail[:number], minutes, np.asarray(order)


def _without(study: Study, grid: Ints, leave_out: Sequence[Exclusion]) -> tuple[Ints, tuple[str, ...]]:
    if not leave_out:
        return grid, ()
    for exclusion in leave_out:
        for condition in exclusion.conditions:
            study.check_condition(condition)
    hit = np.zeros(len(grid), dtype=np.bool_)
    reasons = []
    for exclusion in leave_out:
        own = excluded(study, grid, (exclusion,))
        if own.any():
            reasons.append(f"{int(own.sum())} left out: {exclusion.reason}")
        hit |= own
    return np.asarray(grid[~hit]), tuple(dict.fromkeys(reasons))


def _different(inside: Bools, ways: Sequence[tuple[bool, bool, float]], limit: int) -> list[int]:
    """The first columns of predictions (best first) that do not repeat an earlier one reached in the same way."""
    told: set[tuple[bytes, tuple[bool, bool, float]]] = set()
    out = []
    for i, way in enumerate(ways):
        key = (np.packbits(inside[:, i]).tobytes(), way)
        if key not in told:
            told.add(key)
            out.append(i)
            if len(out) == limit:
                break
    return out


class _Teller:
    """Makes a proposed trial of a candidate."""

    def __init__(self, study: Study, seen: View, now: Standing, found: Candidates, current: Mapping[str, str]) -> None:
        self._study, self._seen, self._now, self._found, self._current = study, seen, now, found, current
        self._rivals = np.concatenate(seen.rivals(found))

    def trial(self, i: int, kind: TrialKind, bits: float, fail: float) -> NextTrial:
        found, seen = self._found, self._seen
        setup = named(self._study, found.setups[i])
        changes = self._study.changes(self._current, setup)
        rest = None if np.isnan(found.told_rest_s[i]) else float(found.told_rest_s[i])
        inside = seen.inside(found.setups[i : i + 1])[:, 0]
        rate = np.concatenate([np.where(inside, seen.p_in, seen.p_out), self._rivals[:, i]])
        weight = np.concatenate([seen.weight, seen.kinds, seen.beside])
        return NextTrial(
            setup=setup,
            changes=changes,
            minutes=float(found.minutes[i]),
            gain_bits=bits,
            caution=self._study.caution(changes, bool(found.reseat[i])),
            repeat=not changes,
            steps=_steps(changes, bool(found.reseat[i]), rest, first=not len(seen.posterior.setups)),
            if_ok=self._outlook("it works", 1 - fail, weight * (1 - rate)),
            if_fail=self._outlook("it fails", fail, weight * rate),
            kind=kind,
            why=self._why(kind, bool(found.reseat[i]), rest),
            reseat=bool(found.reseat[i]),
            rest_s=rest,
        )

    def _outlook(self, result: str, chance: float, joint: Floats) -> Outlook:
        after = joint / joint.sum()
        number, kinds = len(self._seen.which), len(self._seen.kinds)
        place = {int(h): i for i, h in enumerate(self._seen.which)}
        for h, share in zip(self._seen.posterior.space.single_rows.tolist(), after[number + kinds :], strict=True):
            if h in place:
                after[place[h]] += share
        after = after[: number + kinds]
        leads = [Lead(self._text(int(i)), float(after[i])) for i in np.argsort(-after, kind="stable")[:3]]
        return Outlook(result, chance, tuple(leads))

    def _text(self, i: int) -> str:
        space, number = self._seen.posterior.space, len(self._seen.which)
        if i >= number:
            return TEXT_OF_SPECIAL[KINDS[i - number]]
        h = int(self._seen.which[i])
        return text_of(space.conditions(h), space.needs(h), space.special(h))

    def _why(self, kind: TrialKind, reseat: bool, rest: float | None) -> str:
        if kind == "confirm-failing":
            return "To see it fail again after the cure: else it may have healed by itself."
        if kind == "confirm-cured":
            return "To see the cure work once more: else a contact or a warm machine may have done it."
        if reseat:
            return "To tell a bad contact from the setup: nothing is changed, only taken out and put back."
        if rest is not None:
            return "To tell a cold or warm machine from the setup: nothing is changed but the rest."
        return "To separate the causes that are left."


def _steps(changes: Sequence[Change], reseat: bool, rest_s: float | None, first: bool) -> tuple[str, ...]:
    hard = "; ".join(change.words() for change in changes if change.hardware)
    soft = "; ".join(change.words() for change in changes if not change.hardware)
    steps = [f"Power off, unplug, then change {hard}."] if hard else []
    steps += [f"Change {soft}."] if soft else []
    if changes:
        return (*steps, "Boot once; benchd records it.")
    if first:
        return ("Boot it as it stands.", "Record the result.")
    if reseat:
        return ("Power off, unplug, take the cards and plugs out and put them back.", "Boot once; benchd records it.")
    if rest_s is not None and rest_s > 0:
        return (f"Power off and leave it off for {rest_s / 60:.0f} minutes.", "Boot once; benchd records it.")
    if rest_s is not None:
        return ("Power off and on again at once.", "benchd records it.")
    return ("Change nothing: repeat this setup.", "Boot once; benchd records it.")
