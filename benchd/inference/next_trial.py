"""The next trial: which allowed setup tells most about the causes per minute of work.

Information is the mutual information of the explanation and the result of one boot, in bits
(Lindley 1956, "On a measure of the information provided by an experiment", Ann. Math. Stat. 27).
Looking two or three trials ahead was measured and won nothing: firmware-notes/causes.md.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from benchd.errors import UsageError
from benchd.inference.answers import Lead, NextTrial, Outlook, Proposal, Weighing
from benchd.inference.causes import describe
from benchd.inference.hypotheses import Bools, Floats, Ints, Posterior, Prior, build_space, update
from benchd.inference.setups import allowed, excluded, named, work
from benchd.inference.study import Change, Evidence, Exclusion, Study, TrialCounts
from benchd.inference.wording import percent, text_of

KEPT_MASS = 0.9995
KEPT_MOST = 3_000
KEPT_LEAST = 64
CHUNK = 512
RANKED_MOST = 100
WORTH_BITS = 0.01
"""Below this a boot tells so little that it is not worth its minutes."""

POWER_OFF = "Power off and unplug before moving a card, cable or jumper: ISA is not hot-plug. Mind static discharge."


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

    `current` is how the bench stands (default: the last trial's setup, else the reference, else the
    first allowed setup). `leave_out`: combinations predicted to collide, with the reason.
    Raises UsageError for setups that do not fit, or when no setup is allowed.
    """
    study.check_trials(trials)
    if not 1 <= limit <= RANKED_MOST:
        raise UsageError(f"{limit} next trials asked for; from 1 to {RANKED_MOST} can be ranked")
    space = build_space(study, prior, evidence)
    posterior = update(space, trials)
    current = current or (trials[-1].setup if trials else study.reference) or next(study.setups(), None)
    if current is None:
        raise UsageError(f"study '{study.name}': the exclusions forbid every setup; remove one")
    study.check_setup(current, "the current setup")
    here = space.encode([current])[0]
    grid, left_out = _without(study, allowed(study, here), leave_out)
    if not len(grid):
        raise UsageError(f"study '{study.name}': every setup is excluded or predicted to collide; remove an exclusion")
    bits, fail, minutes, order = rank(posterior, here, grid, study.boot_minutes)
    which = kept(posterior)
    chosen = _different(space.holds(grid[order[: 40 * limit]], which), limit)
    ranked = tuple(
        _next(study, posterior, which, current, grid[order[i]], bits[order[i]], fail[order[i]], minutes[order[i]])
        for i in chosen
    )
    return Proposal(*_advice(describe(study, trials, posterior, evidence), ranked), left_out, ranked)


def _advice(why: Weighing, ranked: Sequence[NextTrial]) -> tuple[bool, str]:
    """Whether to stop, and what to say of it."""
    if why.separated:
        return True, f"Stop here. {why.verdict}"
    if max(trial.gain_bits for trial in ranked) < WORTH_BITS:
        return True, (
            f"Stop here: no allowed trial tells more than {max(ranked[0].gain_bits, 0.0):.3f} bits. {why.verdict} "
            "Add a factor or a level that parts them, or a known-good reference."
        )
    lead = percent(why.causes[0].probability)
    return False, f"Go on until one explanation holds 95 %; the likeliest now holds {lead}."


def rank(posterior: Posterior, current: Ints, grid: Ints, boot_minutes: float) -> tuple[Floats, Floats, Floats, Ints]:
    """Expected bits, chance of failing, minutes of each row of `grid`, and rows by bits per minute.

    Ties go to fewer minutes, then to the order of `grid`.
    """
    which = kept(posterior)
    weight = posterior.weight[which] / posterior.weight[which].sum()
    p_in, p_out = posterior.p_in[which], posterior.p_out[which]
    bits, fail = np.empty(len(grid)), np.empty(len(grid))
    for start in range(0, len(grid), CHUNK):
        part = slice(start, start + CHUNK)
        bits[part], fail[part] = gains(weight, p_in, p_out, posterior.space.holds(grid[part], which))
    minutes = work(posterior.space.study, current, grid) + boot_minutes
    order = np.lexsort((minutes, -np.round(bits / minutes, 12)))
    return bits, fail, minutes, np.asarray(order)


def gains(weight: Floats, p_in: Floats, p_out: Floats, inside: Bools) -> tuple[Floats, Floats]:
    """Expected bits from one boot of each setup, and the chance that it fails.

    `inside` (explanations x setups) says where each explanation expects failure.
    """
    h_in, h_out = entropy(p_in), entropy(p_out)
    rows = np.stack([weight * (p_in - p_out), weight * (h_in - h_out)])
    # Not by `@`: the threads of a linear algebra library cost more than so narrow a product saves.
    fail, known = np.einsum("rh,hs->rs", rows, inside)
    fail += (weight * p_out).sum()
    known += (weight * h_out).sum()
    return np.maximum(entropy(fail) - known, 0.0), fail


def entropy(p: Floats) -> Floats:
    """Bits of a coin that falls with chance `p`."""
    q = np.clip(p, 1e-12, 1 - 1e-12)
    return np.asarray(-(q * np.log2(q) + (1 - q) * np.log2(1 - q)))


def kept(posterior: Posterior) -> Ints:
    """The heaviest explanations, which hold nearly all the weight."""
    order = np.argsort(-posterior.weight, kind="stable")[:KEPT_MOST]
    mass = np.cumsum(posterior.weight[order])
    return np.asarray(order[: max(KEPT_LEAST, int(np.searchsorted(mass, KEPT_MASS)) + 1)])


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


def _different(inside: Bools, limit: int) -> list[int]:
    """The first columns (best first) that do not repeat the predictions of an earlier one."""
    seen: set[bytes] = set()
    out = []
    for i in range(inside.shape[1]):
        key = np.packbits(inside[:, i]).tobytes()
        if key not in seen:
            seen.add(key)
            out.append(i)
            if len(out) == limit:
                break
    return out


def _next(
    study: Study,
    posterior: Posterior,
    which: Ints,
    current: Mapping[str, str],
    row: Ints,
    bits: float,
    fail: float,
    minutes: float,
) -> NextTrial:
    setup = named(study, row)
    changes = study.changes(current, setup)
    hardware = any(change.hardware for change in changes)
    inside = posterior.space.holds(row[None, :], which)[:, 0]
    rate = np.where(inside, posterior.p_in[which], posterior.p_out[which])
    weight = posterior.weight[which]
    return NextTrial(
        setup=setup,
        changes=changes,
        minutes=float(minutes),
        gain_bits=float(bits),
        caution=POWER_OFF if hardware else None,
        repeat=not changes,
        steps=_steps(changes, first=not len(posterior.setups)),
        if_ok=_outlook(posterior, which, "it works", 1 - float(fail), weight * (1 - rate)),
        if_fail=_outlook(posterior, which, "it fails", float(fail), weight * rate),
    )


def _outlook(posterior: Posterior, which: Ints, result: str, chance: float, joint: Floats) -> Outlook:
    space = posterior.space
    after = joint / joint.sum()
    leads = []
    for i in np.argsort(-after, kind="stable")[:3]:
        h = int(which[i])
        text = text_of(space.conditions(h), bool(space.any_form[h]), space.special(h))
        leads.append(Lead(text, float(after[i])))
    return Outlook(result, chance, tuple(leads))


def _steps(changes: Sequence[Change], first: bool) -> tuple[str, ...]:
    hard = "; ".join(change.words() for change in changes if change.hardware)
    soft = "; ".join(change.words() for change in changes if not change.hardware)
    steps = [f"Power off, unplug, then change {hard}."] if hard else []
    steps += [f"Change {soft}."] if soft else []
    if changes:
        return (*steps, "Boot once; benchd records it.")
    if first:
        return ("Boot it as it stands.", "Record the result.")
    return ("Change nothing: repeat this setup.", "Boot once; benchd records it.")
