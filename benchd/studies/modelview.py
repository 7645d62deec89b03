"""At which code and stage boots of one model of machine stand, on all benches that tell of it."""

from __future__ import annotations

import statistics
from collections import Counter, defaultdict
from collections.abc import Sequence
from typing import Literal

from pydantic import Field

from benchd.errors import UsageError
from benchd.store import Store
from benchd.store.models import NEWEST, Ended
from benchd.vocabulary.models import Model, Outcome
from benchd.vocabulary.nearest import meant

STOOD = ("stalled", "looped")


class StandingPlace(Model):
    """Where boots stand: `boots` of those that tell, on `machines` of all; `share` with its 95 % interval.

    The interval (Wilson) is that of boots taken one by one: where few machines gave many boots, less is known than it
    says, so the machines are counted beside it.
    """

    table: str
    stage: str | None
    code: str | None = Field(description="the last code before it stood")
    outcome: Outcome
    boots: int
    share: float
    low: float
    high: float
    machines: int
    counts: dict[str, int] = Field(description="boots by bench (in an archive) or by machine")
    newest: list[str] = Field(description="ids of some of those boots, the newest first")


class StageTimes(Model):
    """How long a stage lasted in good boots of the model, seconds."""

    table: str
    stage: str
    n: int
    low: float
    quarter: float
    median: float
    three_quarters: float
    high: float


class ModelMachine(Model):
    """One machine of the model."""

    machine: str
    boots: int
    finished: int
    stood: int


class ModelView(Model):
    """Boots of one model of machine: `tells` finished or stood; the others were cut short or lost their link."""

    model: str
    boots: int
    tells: int
    finished: int
    stood: int
    by: Literal["bench", "machine"]
    machines: list[ModelMachine]
    places: list[StandingPlace]
    times: list[StageTimes]


def model_view(store: Store, model: str, *, archive: bool) -> ModelView:
    """Look at a model. `archive`: machines are named MACHINE@BENCH. Raises UsageError for one that is unknown."""
    known = store.models()
    if model not in known:
        there = meant(model, list(known)) if known else "no machine's settings have a `model` yet"
        raise UsageError(f"there is no boot of a model '{model}'; {there}")
    endings = store.endings(model)
    finished = sum(one.boots for one in endings if one.outcome == "finished")
    stood = sum(one.boots for one in endings if one.outcome in STOOD)
    return ModelView(
        model=model,
        boots=sum(one.boots for one in endings),
        tells=finished + stood,
        finished=finished,
        stood=stood,
        by="bench" if archive else "machine",
        machines=_machines(endings),
        places=_places(endings, finished + stood, archive),
        times=_times(store.model_times(model)),
    )


def _machines(endings: Sequence[Ended]) -> list[ModelMachine]:
    counts: dict[str, Counter[str]] = defaultdict(Counter)
    for one in endings:
        kind = one.outcome if one.outcome == "finished" else "stood" if one.outcome in STOOD else "other"
        counts[one.machine][kind] += one.boots
    return [
        ModelMachine(machine=name, boots=sum(own.values()), finished=own["finished"], stood=own["stood"])
        for name, own in sorted(counts.items())
    ]


def _places(endings: Sequence[Ended], tells: int, archive: bool) -> list[StandingPlace]:
    from benchd.inference.timing import wilson

    groups: dict[tuple[str, str | None, str | None, str], list[Ended]] = defaultdict(list)
    for one in endings:
        if one.outcome in STOOD:
            groups[one.table, one.stage, one.code, one.outcome].append(one)
    out = []
    for (table, stage, code, outcome), own in groups.items():
        counts: Counter[str] = Counter()
        for one in own:
            counts[one.machine.rpartition("@")[2] if archive else one.machine] += one.boots
        boots = counts.total()
        rate = wilson(boots, tells)
        newest = [ids for turn in range(NEWEST) for one in own for ids in one.newest[turn : turn + 1]]
        out.append(
            StandingPlace(
                table=table, stage=stage, code=code, outcome=outcome,  # type: ignore[arg-type]
                boots=boots, share=boots / tells, low=rate.low, high=rate.high,
                machines=len({one.machine for one in own}), counts=dict(counts.most_common()), newest=newest[:6],
            )
        )  # fmt: skip
    return sorted(out, key=lambda one: (-one.boots, one.table, one.stage or "", one.code or ""))


def _times(found: dict[str, dict[str, list[float]]]) -> list[StageTimes]:
    out = []
    for table, stages in sorted(found.items()):
        for stage, times in stages.items():
            quarters = statistics.quantiles(times, n=4, method="inclusive") if len(times) > 1 else times * 3
            figures = dict(zip(("quarter", "median", "three_quarters"), quarters, strict=True))
            out.append(StageTimes(table=table, stage=stage, n=len(times), low=min(times), high=max(times), **figures))
    return out
