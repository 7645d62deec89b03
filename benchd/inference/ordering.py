"""Whether to order (or condemn) a part: the dearest mistake of the trade is to do it too early."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from benchd.inference.hypotheses import Floats, Space
from benchd.inference.study import Condition, Study, Trial
from benchd.inference.wording import PART_CLASSES, class_of, percent

RIVAL_LIMIT = 0.10
"""Ordering a part is premature while explanations that do not need it hold more than this."""

HEAVIEST = 200
SUSPECT_FROM = 0.01
TIED = 0.999
"""Parts of this share of the heaviest one's weight count as equally suspect."""


@dataclass(frozen=True, slots=True)
class Ordering:
    """Whether ordering (or condemning) a part would be premature, the rivals' share, and why."""

    part: str | None
    premature: bool
    rival_share: float
    limit: float
    sentence: str

    def to_json(self) -> dict[str, object]:
        return {
            "part": self.part,
            "premature": self.premature,
            "rival_share": round(self.rival_share, 6),
            "limit": self.limit,
            "sentence": self.sentence,
        }


def judge_ordering(
    study: Study,
    trials: Sequence[Trial],
    space: Space,
    weight: Floats,
    failures: int,
) -> Ordering:
    """Whether ordering a part would be premature, given the weight of every explanation of `space`."""
    heavy = np.argsort(-weight, kind="stable")[:HEAVIEST].tolist()
    single = [(space.conditions(h)[0], float(weight[h])) for h in heavy if len(space.conditions(h)) == 1]
    parts = [c for c, w in single if w >= SUSPECT_FROM and class_of(study, (c,), False, None) in PART_CLASSES]
    if not parts or not failures:
        return Ordering(None, True, 1.0, RIVAL_LIMIT, "Nothing tried so far points at a part.")
    condition = parts[0]
    needs = sum(w for c, w in single if c.factor == condition.factor and _same_part(c, condition))
    share = max(0.0, 1.0 - needs)
    name = condition.words()
    # Parts that the trials cannot rank are all named: none of them is to be ordered.
    top = dict(single)[condition]
    tied = dict.fromkeys(c.factor for c, w in single if c in parts and w >= TIED * top)
    if share > RIVAL_LIMIT:
        return Ordering(
            name,
            True,
            share,
            RIVAL_LIMIT,
            f"Don't order {_another(tied)} yet, that is premature: {percent(share)} of the weight lies on causes "
            f"that a new part would not cure (order when under {percent(RIVAL_LIMIT)}).",
        )
    only = _only_machine(study, trials, condition)
    if only:
        return Ordering(name, True, share, RIVAL_LIMIT, only)
    return Ordering(
        name,
        False,
        share,
        RIVAL_LIMIT,
        f"The trials point at the part itself (where {name}); explanations that do not need another one "
        f"hold {percent(share)}.",
    )


def _another(factors: Iterable[str]) -> str:
    """The parts with their article: `a storage-card or an adapter`."""
    return " or ".join(f"{'an' if name[:1].lower() in 'aeiou' else 'a'} {name}" for name in factors)


def _same_part(a: Condition, b: Condition) -> bool:
    return a == b or (a.relation != b.relation and a.level != b.level)


def _only_machine(study: Study, trials: Sequence[Trial], condition: Condition) -> str | None:
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
