"""Whether to order (or condemn) a part: the dearest mistake of the trade is to do it too early."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchd.trials.hypotheses import Floats, Space
from benchd.trials.study import Condition, Study, Trial
from benchd.trials.wording import PART_CLASSES, class_of, percent

RIVAL_LIMIT = 0.10
"""Ordering a part is premature while explanations that do not need it hold more than this."""

HEAVIEST = 200
SUSPECT_FROM = 0.01


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
    if share > RIVAL_LIMIT:
        return Ordering(
            name,
            True,
            share,
            RIVAL_LIMIT,
            f"Ordering a part is premature: explanations that do not need it (where {name}) still hold "
            f"{percent(share)}; the limit is {percent(RIVAL_LIMIT)}.",
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
        f"Ordering a part is premature: where {condition.words()}, only one machine was tried, "
        "so a bad card cannot be told from a card that does not suit this machine."
    )
