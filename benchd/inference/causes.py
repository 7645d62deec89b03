"""Causes weighed by the trials: what explains the failures, how sure, and what cannot be told apart yet.

Pure: a study and its trials in, values out. Model, priors, limits: firmware-notes/causes.md.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from benchd.inference import setups as rooms
from benchd.inference.answers import Cause, CauseGroup, FactorWeight, Fit, OrderShare, Support, Weighing
from benchd.inference.hypotheses import Floats, Ints, Posterior, Prior, Space, build_space, update
from benchd.inference.kinds import MISLEADS, NOTHING
from benchd.inference.ordering import judge_ordering
from benchd.inference.study import Evidence, Study, TrialCounts
from benchd.inference.wording import class_of, kind_words, percent, text_of

SEPARATED_AT = 0.95

LISTED_FROM = 0.001
LISTED_MOST = 60
LISTED_LEAST = 5
COMPARED_MOST = 200
"""The heaviest explanations among which those are sought that no setup tells apart."""
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
    space = build_space(study, prior, evidence)
    return describe(study, trials, update(space, trials), evidence)


def describe(
    study: Study, trials: Sequence[TrialCounts], posterior: Posterior, evidence: Sequence[Evidence] = ()
) -> Weighing:
    """The weighing that belongs to an already computed posterior."""
    space, weight = posterior.space, posterior.weight
    order = np.argsort(-weight, kind="stable")
    number = max(LISTED_LEAST, min(LISTED_MOST, int((weight >= LISTED_FROM).sum())))
    same = _same_everywhere(space, posterior, order)
    causes = _causes(study, trials, posterior, order[:number], same)
    boots = sum(trial.boots for trial in trials)
    failures = sum(trial.failures for trial in trials)
    together = float(weight[order[: len(same)]][same == same[0]].sum())
    separated = bool(failures and boots and together >= SEPARATED_AT)
    return Weighing(
        causes=causes,
        separated=separated,
        verdict=_verdict(causes, separated, together, boots, failures),
        boots=boots,
        failures=failures,
        groups=_groups(posterior, [cause.group for cause in causes], order[:number]),
        factors=_matters(space, weight),
        ordering=judge_ordering(study, trials, space, weight, failures),
        left_out=space.left_out,
        evidence=tuple(item.reason for item in evidence),
        settled=False,
        confirmed=False,
        confirmation="",
        unlisted=float(weight[[space.count - 3, space.count - 1]].sum()),
        order=OrderShare(0.0, None),
        fit=Fit(True, "The fit was not checked.", 1.0),
    )


def _causes(
    study: Study, trials: Sequence[TrialCounts], posterior: Posterior, top: Ints, same: Ints
) -> tuple[Cause, ...]:
    space = posterior.space
    key = _prediction_keys(posterior)
    group_of: dict[int, int] = {}
    out = []
    for i, (h, (supports, against)) in enumerate(zip(top.tolist(), _supports(trials, posterior, top), strict=True)):
        conditions, special, any_form = space.conditions(h), space.special(h), bool(space.any_form[h])
        out.append(
            Cause(
                conditions=conditions,
                probability=float(posterior.weight[h]),
                cause_class=class_of(study, conditions, any_form, special),
                group=group_of.setdefault(int(key[h]), len(group_of)),
                form="any" if any_form else "all",
                special=special,
                text=text_of(conditions, any_form, special),
                fails_at=float(posterior.p_in[h]),
                fails_else=float(posterior.p_out[h] if special is None else posterior.p_in[h]),
                supports=supports,
                against=against,
                indistinguishable=tuple(j for j in np.flatnonzero(same[: len(top)] == same[i]).tolist() if j != i),
            )
        )
    return tuple(out)


def _groups(posterior: Posterior, group_of: Sequence[int], top: Ints) -> tuple[CauseGroup, ...]:
    """Groups by the heaviest member: explanations with equal predictions in all setups tried."""
    key = _prediction_keys(posterior)
    first = {group: int(key[h]) for group, h in reversed(list(zip(group_of, top.tolist(), strict=True)))}
    return tuple(
        CauseGroup(group, float(posterior.weight[key == k].sum()), int((key == k).sum()))
        for group, k in sorted(first.items())
    )


def _prediction_keys(posterior: Posterior) -> Ints:
    """Equal numbers for explanations that predict the same in every setup tried; "intermittent" stands alone."""
    key = _keys(posterior.inside)
    key[-1] = key.max() + 1
    return key


def _keys(masks: np.ndarray) -> Ints:
    """A number for each row; equal rows get equal numbers."""
    if masks.shape[1] == 0:
        return np.zeros(len(masks), dtype=np.int64)
    packed = np.ascontiguousarray(np.packbits(masks, axis=1))
    rows = packed.view(np.dtype((np.void, packed.shape[1]))).ravel()
    return np.unique(rows, return_inverse=True)[1].astype(np.int64)


def _same_everywhere(space: Space, posterior: Posterior, order: Ints) -> Ints:
    """For the heaviest explanations: equal numbers where no allowed setup could tell them apart."""
    heavy = order[:COMPARED_MOST]
    start = posterior.setups[0] if len(posterior.setups) else np.zeros(len(space.study.factors), dtype=np.int64)
    key = _keys(space.holds(rooms.allowed(space.study, start), heavy))
    # The last two stand alone although their predictions are equal: "intermittent" has a rate of its own, and a
    # known-good setup (which may lie outside the study) parts "the test misleads" from the rest.
    alone = heavy >= space.count - 2
    key[alone] = key.max() + 1 + np.arange(alone.sum())
    return np.asarray(key)


def _supports(
    trials: Sequence[TrialCounts], posterior: Posterior, top: Ints
) -> list[tuple[tuple[Support, ...], tuple[Support, ...]]]:
    """Per listed cause: trials for and against it, against the average of all explanations before any."""
    space = posterior.space
    tried = [trial for trial in trials if trial.boots]
    if not tried:
        return [((), ()) for _ in top]
    inside = space.holds(space.encode([trial.setup for trial in tried]))
    rates = np.where(inside, posterior.p_in[:, None], posterior.p_out[:, None])
    average = np.exp(space.log_prior) @ rates
    fails = np.array([t.failures for t in tried], dtype=np.float64)
    goods = np.array([t.successes for t in tried], dtype=np.float64)

    def told(rate: Floats, strength: Floats, sign: float) -> tuple[Support, ...]:
        which = [i for i in np.argsort(-strength, kind="stable").tolist() if strength[i] >= SUPPORT_BITS]
        return tuple(
            Support(
                tried[i].name,
                sign * float(strength[i]),
                f"failed {tried[i].failures} of {tried[i].boots}, this cause expects {percent(float(rate[i]))} to fail",
            )
            for i in which[:SUPPORTS_MOST]
        )

    out = []
    for rate in rates[top]:
        bits = fails * np.log2(rate / average) + goods * np.log2((1 - rate) / (1 - average))
        out.append((told(rate, bits, 1.0), told(rate, -bits, -1.0)))
    return out


def _matters(space: Space, weight: Floats) -> tuple[FactorWeight, ...]:
    """Per factor, the weight of explanations that name it."""
    owner = np.concatenate([space.literal_factor, [-1, -1]])[space.rows]
    return tuple(
        FactorWeight(factor.name, float(weight[(owner == f).any(axis=1)].sum()))
        for f, factor in enumerate(space.study.factors)
    )


def _verdict(causes: Sequence[Cause], separated: bool, together: float, boots: int, failures: int) -> str:
    lead = causes[0]
    if not boots:
        return "No boots yet: nothing to weigh."
    if not failures:
        none = "The only boot did not fail" if boots == 1 else f"None of {boots} boots failed"
        return f"{none}: there is nothing to explain."
    if separated:
        return _settled(causes, together)
    near = [c for c in causes if c.group == lead.group and c.probability >= lead.probability / 3]
    if len(near) > 1:
        return _not_separated(near)
    second = causes[1]
    return (
        f"Not settled: the likeliest is that {lead.text} ({lead.cause_class}, {percent(lead.probability)}), "
        f"then that {second.text} ({percent(second.probability)})."
    )


def _settled(causes: Sequence[Cause], together: float) -> str:
    lead = causes[0]
    text = f"{percent(together)}: {kind_words(lead.cause_class, len(lead.conditions))}. "
    text += f"{lead.text[0].upper()}{lead.text[1:]}"
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
