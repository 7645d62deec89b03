"""Causes weighed by the trials: what explains the failures, how sure, and what cannot be told apart yet.

Pure: a study and its trials in, values out. Model, priors, limits: firmware-notes/causes.md.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from benchd.inference.answers import Cause, CauseGroup, FactorWeight, Fit, OrderShare, Support, Weighing
from benchd.inference.hypotheses import Posterior, Prior, Space, posterior_of
from benchd.inference.kinds import INTERMITTENT, MISLEADS, NOTHING, UNLISTED, Special
from benchd.inference.ordering import judge_ordering
from benchd.inference.rates import Floats, Ints
from benchd.inference.rivals import KINDS, ORDER_KINDS
from benchd.inference.settling import (
    RIVAL_ODDS,
    SEPARATED_AT,
    STEPS,
    Standing,
    check_fit,
    is_settled,
    keys,
    standing,
)
from benchd.inference.study import Condition, Evidence, Study, TrialCounts
from benchd.inference.wording import class_of, kind_words, percent, text_of

LISTED_FROM = 0.001
LISTED_MOST = 60
LISTED_LEAST = 5
NAMED_MOST = 3
SUPPORT_BITS = 0.3
SUPPORTS_MOST = 20


def weigh(
    study: Study,
    trials: Sequence[TrialCounts],
    *,
    prior: Prior | None = None,
    evidence: Sequence[Evidence] = (),
) -> Weighing:
    """Weigh every explanation by the trials. Raises UsageError for setups that do not fit the study."""
    study.check_trials(trials)
    return describe(study, trials, posterior_of(study, trials, prior, evidence), evidence)


class _Last:
    """The weighing that was written last: `why` and `next` ask for the same one in turn."""

    found: tuple[Posterior, Sequence[Evidence], Weighing] | None = None


def describe(
    study: Study, trials: Sequence[TrialCounts], posterior: Posterior, evidence: Sequence[Evidence] = ()
) -> Weighing:
    """The weighing that belongs to an already computed posterior of these trials."""
    last = _Last.found
    if last is None or last[0] is not posterior or last[1] != evidence:
        last = (posterior, evidence, _described(study, trials, posterior, evidence))
        _Last.found = last
    return last[2]


def _described(
    study: Study, trials: Sequence[TrialCounts], posterior: Posterior, evidence: Sequence[Evidence]
) -> Weighing:
    space, now = posterior.space, standing(posterior)
    boots = sum(trial.boots for trial in trials)
    failures = sum(trial.failures for trial in trials)
    fit = check_fit(posterior, now.lead) if failures else Fit(True, "Nothing failed: there is nothing to check.", 1.0)
    causes, top = _causes(study, trials, posterior, now)
    separated = bool(failures and boots and max(now.together, now.besides) >= SEPARATED_AT)
    settled = bool(failures) and is_settled(posterior, now, fit)
    confirmed = bool(failures and now.confirmed)
    kind = KINDS[int(posterior.kind_weight[:ORDER_KINDS].argmax())] if boots else None
    return Weighing(
        causes=causes,
        separated=separated,
        verdict=_verdict(causes, separated, now, boots, failures),
        boots=boots,
        failures=failures,
        groups=_groups(posterior, causes, top),
        factors=_matters(space, posterior),
        ordering=judge_ordering(study, trials, posterior, failures),
        left_out=space.left_out,
        evidence=tuple(item.reason for item in evidence),
        settled=settled,
        confirmed=confirmed,
        confirmation=_confirmation(trials, posterior, now, failures),
        unlisted=posterior.unlisted_share,
        order=OrderShare(posterior.order_share, kind),  # type: ignore[arg-type]
        fit=fit,
    )


def _confirmation(trials: Sequence[TrialCounts], posterior: Posterior, now: Standing, failures: int) -> str:
    """What was seen of failing, cure, failing again and cure again, and what is still to be seen."""
    if not failures or now.special(posterior):
        return "There is no cause in the setup to be confirmed."
    names = [trials[int(posterior.line.trial[i])].name for i in now.steps[:STEPS]]
    rivals = percent(posterior.order_share + posterior.unlisted_share)
    if now.confirmed:
        seen = f"It failed ({names[0]}), worked after the change ({names[1]}), failed again when that was undone "
        seen += f"({names[2]}) and worked again ({names[3]})"
        if now.rival_odds > RIVAL_ODDS:
            return f"{seen}; causes that lie in no setting still hold {rivals}."
        return f"{seen}."
    missing = ("a failing boot", "a boot that works without it", "the failing setup again", "the cure again")
    return f"Still to be seen: {', then '.join(missing[len(now.steps) :])}."


def _causes(
    study: Study, trials: Sequence[TrialCounts], posterior: Posterior, now: Standing
) -> tuple[tuple[Cause, ...], Ints]:
    """The listed causes in falling order, and the row of each (for a rival: -1 - its kind)."""
    weight, kinds = posterior.folded, posterior.kind_weight
    number = max(LISTED_LEAST, min(LISTED_MOST, int((weight >= LISTED_FROM).sum() + (kinds >= LISTED_FROM).sum())))
    rows = np.argsort(-weight, kind="stable")[:number]
    every = np.concatenate([rows, -1 - np.arange(len(kinds))])
    top = every[np.argsort(-np.concatenate([weight[rows], kinds]), kind="stable")[:number]]
    key = _prediction_keys(posterior)
    group_of: dict[int, int] = {}
    told = dict(zip(rows.tolist(), _supports(trials, posterior, rows), strict=True))
    place = {int(h): i for i, h in enumerate(top)}
    alike = [place[h] for h in now.alike.tolist() if h in place]
    out = []
    for i, h in enumerate(top.tolist()):
        conditions, needed, special = _said(posterior, h)
        probability, fails_at, fails_else = _rates(posterior, h)
        out.append(
            Cause(
                conditions=conditions,
                probability=probability,
                cause_class=class_of(study, conditions, 1 == needed < len(conditions), special),
                group=group_of.setdefault(int(key[h]) if h >= 0 else h, len(group_of)),
                form="all" if needed == len(conditions) else "any" if needed == 1 else "some",
                special=special,
                text=text_of(conditions, needed, special),
                fails_at=fails_at,
                fails_else=fails_else,
                supports=told[h][0] if h >= 0 else (),
                against=told[h][1] if h >= 0 else (),
                indistinguishable=tuple(j for j in alike if j != i) if i in alike else (),
                needed=needed,
            )
        )
    return tuple(out), np.asarray(top)


def _said(posterior: Posterior, h: int) -> tuple[tuple[Condition, ...], int, Special | None]:
    """Conditions, how many of them are needed, and the special kind of row `h` (below 0: of a rival)."""
    space = posterior.space
    if h >= 0:
        return space.conditions(h), space.needs(h), space.special(h)
    return (), 0, KINDS[-1 - h]


def _rates(posterior: Posterior, h: int) -> tuple[float, float, float]:
    """The weight of row `h` (below 0: of a rival), and its fail rates where it says so and elsewhere."""
    if h >= 0:
        special = posterior.space.special(h)
        p_in, p_out = float(posterior.p_in[h]), float(posterior.p_out[h])
        return float(posterior.folded[h]), p_in, p_out if special is None else p_in
    grid = posterior.rivals.grid
    own = posterior.rival_weight[0] * (grid.kind == -1 - h)
    high, low = grid.rates(posterior.rivals.seen)
    total = max(float(own.sum()), 1e-300)
    return float(own.sum()), float((own * high).sum() / total), float((own * low).sum() / total)


def _groups(posterior: Posterior, causes: Sequence[Cause], top: Ints) -> tuple[CauseGroup, ...]:
    """Groups by the heaviest member: explanations with equal predictions in all setups tried, each rival alone."""
    key = _prediction_keys(posterior)
    first = {cause.group: h for cause, h in reversed(list(zip(causes, top.tolist(), strict=True)))}
    out = []
    for group, h in sorted(first.items()):
        if h < 0:
            out.append(CauseGroup(group, causes[top.tolist().index(h)].probability, 1))
        else:
            same = key == key[h]
            out.append(CauseGroup(group, float(posterior.folded[same].sum()), int(same.sum())))
    return tuple(out)


def _prediction_keys(posterior: Posterior) -> Ints:
    """Equal numbers for explanations that predict the same in every setup tried; "intermittent" stands alone."""
    key = keys(posterior.inside)
    key[-1] = key.max() + 1
    return key


def _supports(
    trials: Sequence[TrialCounts], posterior: Posterior, top: Ints
) -> list[tuple[tuple[Support, ...], tuple[Support, ...]]]:
    """Per listed cause: trials for and against it, against the average of all explanations before any."""
    space = posterior.space
    tried = [trial for trial in trials if trial.boots]
    if not tried:
        return [((), ()) for _ in top]
    place = {tuple(row): i for i, row in enumerate(posterior.setups.tolist())}
    where = [place[tuple(row)] for row in space.encode([trial.setup for trial in tried]).tolist()]
    prior = np.exp(space.log_prior)
    average = np.where(posterior.inside, posterior.p_in[:, None], posterior.p_out[:, None]).T @ prior
    average, inside = average[where], posterior.inside[top][:, where]
    fails = np.array([t.failures for t in tried], dtype=np.float64)
    goods = np.array([t.successes for t in tried], dtype=np.float64)
    own = np.where(inside, posterior.p_in[top][:, None], posterior.p_out[top][:, None])
    bits = fails * np.log2(own / average) + goods * np.log2((1 - own) / (1 - average))
    out = []
    for row, h in enumerate(top.tolist()):
        said = {bool(part): percent(float(p[h])) for part, p in ((True, posterior.p_in), (False, posterior.p_out))}

        def told(
            sign: float, strength: Floats = bits[row], said: dict[bool, str] = said, row: int = row
        ) -> tuple[Support, ...]:
            which = np.flatnonzero(sign * strength >= SUPPORT_BITS)
            which = which[np.argsort(-sign * strength[which], kind="stable")][:SUPPORTS_MOST]
            return tuple(
                Support(
                    tried[i].name,
                    float(strength[i]),
                    f"failed {tried[i].failures} of {tried[i].boots}, "
                    f"this cause expects {said[bool(inside[row, i])]} to fail",
                )
                for i in which.tolist()
            )

        out.append((told(1.0), told(-1.0)))
    return out


def _matters(space: Space, posterior: Posterior) -> tuple[FactorWeight, ...]:
    """Per factor, the weight of explanations that name it."""
    out = []
    for f, factor in enumerate(space.study.factors):
        names = np.concatenate([space.literals.speak_of(f), [False, False]])
        out.append(FactorWeight(factor.name, float(posterior.folded[names[space.rows].any(axis=1)].sum())))
    return tuple(out)


def _verdict(causes: Sequence[Cause], separated: bool, now: Standing, boots: int, failures: int) -> str:
    lead = causes[0]
    if not boots:
        return "No boots yet: nothing to weigh."
    if not failures:
        none = "The only boot did not fail" if boots == 1 else f"None of {boots} boots failed"
        return f"{none}: there is nothing to explain."
    if separated:
        return _besides_verdict(lead, now) if now.besides > now.together else _settled(causes, now.together)
    # What lies in no setting has a group of its own, and is told beside the heaviest group of settings.
    group = next((c.group for c in causes if c.special not in KINDS), lead.group)
    near = [c for c in causes if c.probability >= lead.probability / 3 and (c.group == group or c.special in KINDS)]
    if len(near) > 1:
        return _not_separated(near)
    second = causes[1]
    return (
        f"Not settled: the likeliest is that {lead.text} ({lead.cause_class}, {percent(lead.probability)}), "
        f"then that {second.text} ({percent(second.probability)})."
    )


def _besides_verdict(lead: Cause, now: Standing) -> str:
    if lead.special in (UNLISTED, NOTHING, INTERMITTENT):
        return f"{percent(now.besides)}: the cause is not in the list. {_sentence(lead.text)}."
    return (
        f"{percent(now.besides)}: the results follow the order of the boots, or what went before them, better "
        f"than any setting. {_sentence(lead.text)}."
    )


def _sentence(text: str) -> str:
    return text[0].upper() + text[1:]


def _settled(causes: Sequence[Cause], together: float) -> str:
    lead = causes[0]
    text = f"{percent(together)}: {kind_words(lead.cause_class, len(lead.conditions))}. "
    text += _sentence(lead.text)
    rivals = [causes[i] for i in lead.indistinguishable]
    if rivals:
        told = [f"{percent(one.probability)} {_beside(lead, one)}" for one in rivals[:NAMED_MOST]]
        told += [f"{len(rivals) - NAMED_MOST} more"] if len(rivals) > NAMED_MOST else []
        text += f" ({percent(lead.probability)} + {' + '.join(told)}: no allowed setup tells these apart)"
    return f"{text}."


def _beside(lead: Cause, other: Cause) -> str:
    """How an explanation that no setup tells from the lead differs from it."""
    more = [one for one in other.conditions if one not in lead.conditions]
    if lead.form == other.form == "all" and len(more) + len(lead.conditions) == len(other.conditions):
        return f"for the same and {' and '.join(one.words() for one in more)}"
    return f"that {other.text}"


def _not_separated(near: Sequence[Cause]) -> str:
    texts = "; ".join(f"{c.text} ({percent(c.probability)})" for c in near[:4])
    more = f" and {len(near) - 4} more" if len(near) > 4 else ""
    text = f"The trials so far cannot separate {len(near)} explanations: {texts}{more}."
    if near[0].special in (NOTHING, MISLEADS):
        text += " Boot a known-good setup under the same test: it parts these."
    return text
