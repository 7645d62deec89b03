"""Causes weighed by the trials: what explains the failures, how sure, and what cannot be told apart yet.

Pure: a study and its trials in, values out. Model, priors, limits: firmware-notes/causes.md.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchd.inference import setups as rooms
from benchd.inference.hypotheses import (
    MISLEADS,
    NOTHING,
    Evidence,
    Floats,
    Ints,
    Posterior,
    Prior,
    Space,
    build_space,
    update,
)
from benchd.inference.ordering import RIVAL_LIMIT as RIVAL_LIMIT
from benchd.inference.ordering import Ordering, judge_ordering
from benchd.inference.study import Condition, Study, Trial
from benchd.inference.wording import class_of, kind_words, percent, text_of

SEPARATED_AT = 0.95

LISTED_FROM = 0.001
LISTED_MOST = 60
LISTED_LEAST = 5
TWINS_AMONG = 200
TWINS_TOLD = 3
SPEAKS_BITS = 0.3
SPEAKS_MOST = 20


@dataclass(frozen=True, slots=True)
class Support:
    """One trial that speaks for or against a cause, by how many bits, in words."""

    trial: str
    bits: float
    words: str

    def to_json(self) -> dict[str, object]:
        return {"trial": self.trial, "bits": round(self.bits, 3), "words": self.words}


@dataclass(frozen=True, slots=True)
class Cause:
    """One explanation. `form` is "all" (fails when all conditions hold) or "any" (when one does).

    `group`: causes of one group predict the same in every trial so far. `twins`: indices (in the list
    of causes) of causes that no allowed setup could tell from this one.
    """

    conditions: tuple[Condition, ...]
    form: str
    special: str | None
    probability: float
    cause_class: str
    group: int
    text: str
    fails_at: float
    fails_else: float
    supports: tuple[Support, ...]
    against: tuple[Support, ...]
    twins: tuple[int, ...]

    def to_json(self) -> dict[str, object]:
        return {
            "conditions": [c.to_json() for c in self.conditions],
            "probability": round(self.probability, 6),
            "class": self.cause_class,
            "group": self.group,
            "form": self.form,
            "special": self.special,
            "text": self.text,
            "fail_rate": round(self.fails_at, 4),
            "fail_rate_elsewhere": round(self.fails_else, 4),
            "supports": [s.to_json() for s in self.supports],
            "against": [s.to_json() for s in self.against],
            "twins": list(self.twins),
        }


@dataclass(frozen=True, slots=True)
class Group:
    """Explanations that predict the same in every trial so far: how many, and their weight together."""

    group: int
    probability: float
    explanations: int

    def to_json(self) -> dict[str, object]:
        return {
            "group": self.group,
            "probability": round(self.probability, 6),
            "explanations": self.explanations,
        }


@dataclass(frozen=True, slots=True)
class Weighing:
    """Everything `benchd why` shows."""

    causes: tuple[Cause, ...]
    groups: tuple[Group, ...]
    matters: tuple[tuple[str, float], ...]
    separated: bool
    verdict: str
    boots: int
    failures: int
    ordering: Ordering
    left_out: tuple[str, ...]
    evidence: tuple[str, ...]

    def to_json(self) -> dict[str, object]:
        return {
            "causes": [cause.to_json() for cause in self.causes],
            "separated": self.separated,
            "verdict": self.verdict,
            "boots": self.boots,
            "failures": self.failures,
            "groups": [group.to_json() for group in self.groups],
            "factors": [{"factor": name, "matters": round(p, 6)} for name, p in self.matters],
            "ordering": self.ordering.to_json(),
            "left_out": list(self.left_out),
            "evidence": list(self.evidence),
        }


def weigh(
    study: Study,
    trials: Sequence[Trial],
    *,
    prior: Prior | None = None,
    evidence: Sequence[Evidence] = (),
) -> Weighing:
    """Weigh every explanation by the trials. Raises UsageError for setups that do not fit the study."""
    study.check_trials(trials)
    space = build_space(study, prior, evidence)
    return describe(study, trials, update(space, trials), evidence)


def describe(
    study: Study, trials: Sequence[Trial], posterior: Posterior, evidence: Sequence[Evidence] = ()
) -> Weighing:
    """The weighing that belongs to an already computed posterior."""
    space = posterior.space
    weight = posterior.weight
    order = np.argsort(-weight, kind="stable")
    number = max(LISTED_LEAST, min(LISTED_MOST, int((weight >= LISTED_FROM).sum())))
    top = order[:number]
    group_ids, groups = _groups(posterior, order, number)
    twins = _twins(space, posterior, order)
    speaks = _speaks(trials, posterior, top)
    causes = []
    for i, h in enumerate(top.tolist()):
        conditions, special = space.conditions(h), space.special(h)
        any_form = bool(space.any_form[h])
        causes.append(
            Cause(
                conditions=conditions,
                form="any" if any_form else "all",
                special=special,
                probability=float(weight[h]),
                cause_class=class_of(study, conditions, any_form, special),
                group=group_ids[i],
                text=text_of(conditions, any_form, special),
                fails_at=float(posterior.p_in[h]),
                fails_else=float(posterior.p_out[h]) if special is None else float(posterior.p_in[h]),
                supports=speaks[i][0],
                against=speaks[i][1],
                twins=tuple(j for j in range(number) if j != i and j < len(twins) and twins[j] == twins[i]),
            )
        )
    boots = sum(trial.boots for trial in trials)
    failures = sum(trial.failures for trial in trials)
    same = twins == twins[0]
    together = float(weight[order[: len(twins)]][same].sum())
    separated = bool(failures and boots and together >= SEPARATED_AT)
    return Weighing(
        causes=tuple(causes),
        groups=groups,
        matters=_matters(space, weight),
        separated=separated,
        verdict=_verdict(causes, groups, separated, together, boots, failures),
        boots=boots,
        failures=failures,
        ordering=judge_ordering(study, trials, space, weight, failures),
        left_out=space.left_out,
        evidence=tuple(item.reason for item in evidence),
    )


def alike(space: Space, h: int) -> Ints:
    """Explanations (rows of `space`) that no allowed setup could tell from row `h`, itself included."""
    grid = rooms.allowed(space.study, np.zeros(len(space.study.factors), dtype=np.int64))
    mask = space.holds(grid, np.array([h]))[0]
    same = np.concatenate(
        [
            (space.holds(grid, part) == mask).all(axis=1)
            for part in np.array_split(np.arange(space.count), 1 + space.count * len(grid) // 20_000_000)
        ]
    )
    same[space.count - 2 :] = False
    if h >= space.count - 2:
        same[:] = False
    same[h] = True
    return np.flatnonzero(same)


def _groups(posterior: Posterior, order: Ints, number: int) -> tuple[list[int], tuple[Group, ...]]:
    """Number groups by the heaviest member: explanations with equal predictions in all setups tried."""
    key = _keys(posterior.inside)
    key[-1] = key.max() + 1
    ids: dict[int, int] = {}
    out = [ids.setdefault(int(key[h]), len(ids)) for h in order[:number]]
    groups = []
    for k, group in ids.items():
        members = key == k
        groups.append(Group(group, float(posterior.weight[members].sum()), int(members.sum())))
    return out, tuple(groups)


def _keys(masks: np.ndarray) -> Ints:
    """A number for each row; equal rows get equal numbers."""
    if masks.shape[1] == 0:
        return np.zeros(len(masks), dtype=np.int64)
    packed = np.ascontiguousarray(np.packbits(masks, axis=1))
    rows = packed.view(np.dtype((np.void, packed.shape[1]))).ravel()
    return np.unique(rows, return_inverse=True)[1].astype(np.int64)


def _twins(space: Space, posterior: Posterior, order: Ints) -> Ints:
    """For the heaviest explanations: equal numbers where no allowed setup could tell them apart."""
    heavy = order[:TWINS_AMONG]
    start = posterior.setups[0] if len(posterior.setups) else np.zeros(len(space.study.factors), dtype=np.int64)
    key = _keys(space.holds(rooms.allowed(space.study, start), heavy))
    # Two stand alone although their predictions are equal: "intermittent" has a rate of its own, and a
    # known-good setup (which may lie outside the study) parts "the test misleads" from the rest.
    alone = heavy >= space.count - 2
    key[alone] = key.max() + 1 + np.arange(alone.sum())
    return np.asarray(key)


def _speaks(
    trials: Sequence[Trial], posterior: Posterior, top: Ints
) -> list[tuple[tuple[Support, ...], tuple[Support, ...]]]:
    """Per listed cause: trials for and against it, against the average of all explanations before any."""
    space = posterior.space
    tried = [trial for trial in trials if trial.boots]
    if not tried:
        return [((), ()) for _ in top]
    encoded = space.encode([trial.setup for trial in tried])
    prior = np.exp(space.log_prior)
    inside = space.holds(encoded)
    average = prior @ np.where(inside, posterior.p_in[:, None], posterior.p_out[:, None])
    fails = np.array([t.failures for t in tried], dtype=np.float64)
    goods = np.array([t.successes for t in tried], dtype=np.float64)
    out = []
    for h in top:
        rate: Floats = np.where(inside[h], posterior.p_in[h], posterior.p_out[h])
        bits = fails * np.log2(rate / average) + goods * np.log2((1 - rate) / (1 - average))
        both: list[tuple[Support, ...]] = []
        for sign in (1.0, -1.0):
            strength = sign * bits
            which = [i for i in np.argsort(-strength, kind="stable") if strength[i] >= SPEAKS_BITS]
            both.append(
                tuple(
                    Support(
                        tried[i].name,
                        float(bits[i]),
                        f"failed {tried[i].failures} of {tried[i].boots}, "
                        f"this cause expects {percent(float(rate[i]))} to fail",
                    )
                    for i in which[:SPEAKS_MOST]
                )
            )
        out.append((both[0], both[1]))
    return out


def _matters(space: Space, weight: Floats) -> tuple[tuple[str, float], ...]:
    """Per factor, the weight of explanations that name it."""
    owner = np.concatenate([space.literal_factor, [-1, -1]])[space.rows]
    return tuple(
        (factor.name, float(weight[(owner == f).any(axis=1)].sum())) for f, factor in enumerate(space.study.factors)
    )


def _beside(lead: Cause, other: Cause) -> str:
    """How an explanation that no setup tells from the lead differs from it."""
    more = [one for one in other.conditions if one not in lead.conditions]
    if lead.form == other.form == "all" and len(more) + len(lead.conditions) == len(other.conditions):
        return f"for the same and {' and '.join(one.words() for one in more)}"
    return f"that {other.text}"


def _verdict(
    causes: Sequence[Cause],
    groups: Sequence[Group],
    separated: bool,
    together: float,
    boots: int,
    failures: int,
) -> str:
    lead = causes[0]
    if not boots:
        return "No boots yet: nothing to weigh."
    if not failures:
        none = "The only boot did not fail" if boots == 1 else f"None of {boots} boots failed"
        return f"{none}: there is nothing to explain."
    if separated:
        kind = kind_words(lead.cause_class, len(lead.conditions))
        text = f"{percent(together)}: {kind}. {lead.text[0].upper()}{lead.text[1:]}"
        rivals = [causes[i] for i in lead.twins]
        if rivals:
            told = [f"{percent(one.probability)} {_beside(lead, one)}" for one in rivals[:TWINS_TOLD]]
            told += [f"{len(rivals) - TWINS_TOLD} more"] if len(rivals) > TWINS_TOLD else []
            text += f" ({percent(lead.probability)} + {' + '.join(told)}: no allowed setup tells these apart)"
        return f"{text}."
    near = [c for c in causes if c.group == lead.group and c.probability >= lead.probability / 3]
    if len(near) > 1:
        texts = [f"{c.text} ({percent(c.probability)})" for c in near[:4]]
        more = f" and {len(near) - 4} more" if len(near) > 4 else ""
        advice = ""
        if lead.special in (NOTHING, MISLEADS):
            advice = " Boot a known-good setup under the same test: it parts these."
        return f"The trials so far cannot separate {len(near)} explanations: {'; '.join(texts)}{more}.{advice}"
    second = causes[1]
    return (
        f"Not settled: the likeliest is that {lead.text} ({lead.cause_class}, {percent(lead.probability)}), "
        f"then that {second.text} ({percent(second.probability)})."
    )
