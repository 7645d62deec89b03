"""Whether to order (or condemn) a part: the dearest mistake of the trade is to do it too early."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from benchd.inference.answers import Ordering
from benchd.inference.hypotheses import Posterior
from benchd.inference.study import Condition, Study, TrialCounts
from benchd.inference.wording import PART_CLASSES, class_of, percent

RIVAL_LIMIT = 0.10
"""Ordering a part is premature while explanations that do not need it hold more than this."""

HEAVIEST = 200
SUSPECT_FROM = 0.01
ORDERED = PART_CLASSES - {"bad slot"}
"""What one can buy by itself: a slot is part of a machine."""
TIED = 0.999
"""Parts of this share of the heaviest one's weight count as equally suspect."""


def judge_ordering(
    study: Study,
    trials: Sequence[TrialCounts],
    posterior: Posterior,
    failures: int,
) -> Ordering:
    """Whether ordering a part would be premature, given the weight of every explanation and rival."""
    space, weight = posterior.space, posterior.weight
    heavy = np.argsort(-weight, kind="stable")[:HEAVIEST].tolist()
    alone = ((space.rows[heavy] < len(space.literals)).sum(axis=1) == 1).tolist()
    single = [(space.conditions(h)[0], float(weight[h])) for h, one in zip(heavy, alone, strict=True) if one]
    parts = {c: w for c, w in single if w >= SUSPECT_FROM and class_of(study, (c,), False, None) in ORDERED}
    if not parts or not failures:
        return Ordering(None, True, 1.0, RIVAL_LIMIT, "Nothing tried so far points at a part.")
    condition, top = next(iter(parts.items()))
    share = max(0.0, 1.0 - sum(w for c, w in single if _same_part(c, condition)))
    name = condition.words()
    if share > RIVAL_LIMIT:
        # Parts that the trials cannot rank are all named: none of them is to be ordered.
        tied = dict.fromkeys(c.factor for c, w in parts.items() if w >= TIED * top)
        sentence = (
            f"Don't order {_another(tied)} yet, that is premature: {percent(share)} of the weight lies on causes "
            f"that a new part would not cure (order when under {percent(RIVAL_LIMIT)})."
        )
        return Ordering(name, True, share, RIVAL_LIMIT, sentence)
    only = _only_machine(study, trials, condition)
    sentence = only or (
        f"The trials point at the part itself (where {name}); explanations that do not need another one "
        f"hold {percent(share)}."
    )
    return Ordering(name, only is not None, share, RIVAL_LIMIT, sentence)


def _another(factors: Iterable[str]) -> str:
    """The parts with their article: `a storage-card or an adapter`."""
    return " or ".join(f"{'an' if name[:1].lower() in 'aeiou' else 'a'} {name}" for name in factors)


def _same_part(a: Condition, b: Condition) -> bool:
    """Whether two conditions blame the same part: `is A`, and `is not B` of the same factor."""
    return a == b or (a.factor == b.factor and a.relation != b.relation and a.level != b.level)


def _only_machine(study: Study, trials: Sequence[TrialCounts], condition: Condition) -> str | None:
    """Why a card must not be condemned yet: it was never tried in a second machine."""
    if study.factor(condition.factor).kind not in ("card", "adapter"):
        return None
    machines = [factor.name for factor in study.factors if factor.kind == "machine"]
    tried = {
        tuple(trial.setup[name] for name in machines)
        for trial in trials
        if trial.boots and condition.holds(trial.setup)
    }
    if len(tried) > 1:
        return None
    return (
        f"Don't order {_another([condition.factor])} yet, that is premature: where {condition.words()}, only one "
        "machine was tried, so a bad card cannot be told from a card that does not suit this machine."
    )
