"""The published JSON forms of the study commands, as models that give their schemas (`benchd schema`)."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

Probability = Annotated[float, Field(ge=0, le=1)]
Count = Annotated[int, Field(ge=0)]


class _Form(BaseModel):
    model_config = ConfigDict(extra="forbid", populate_by_name=True)


class ConditionForm(_Form):
    """One statement about a setup."""

    factor: str
    relation: Literal["is", "is not"]
    level: str


class SpeaksForm(_Form):
    """A trial that speaks for or against a cause; `bits` above 0 speaks for it."""

    trial: str
    bits: float
    words: str


class CauseForm(_Form):
    """One explanation; `form` says whether all conditions must hold or any. `twins`: places in the list."""

    conditions: list[ConditionForm]
    probability: Probability
    class_: str = Field(alias="class")
    group: Count
    form: Literal["all", "any"]
    special: Literal["nothing", "misleads", "intermittent"] | None
    text: str
    fail_rate: Probability
    fail_rate_elsewhere: Probability
    supports: list[SpeaksForm]
    against: list[SpeaksForm]
    twins: list[Count]


class GroupForm(_Form):
    """Explanations that predict the same in every trial so far."""

    group: Count
    probability: float
    explanations: Count


class FactorForm(_Form):
    """The weight of all explanations that name a factor."""

    factor: str
    matters: float


class OrderingForm(_Form):
    """Whether ordering a part would be premature."""

    part: str | None
    premature: bool
    rival_share: float
    limit: float
    sentence: str


class RateForm(_Form):
    """k of n with a Wilson interval."""

    k: Count
    n: Count
    low: Probability
    high: Probability


class CheckSetupForm(_Form):
    """A check in one setup."""

    trials: list[str]
    passed: Count
    done: Count
    reference: bool
    state: Literal["pass", "fail", "mixed"]


class CheckForm(_Form):
    """A check across setups."""

    check: str
    pattern: str
    sentence: str
    with_card: RateForm | None
    without_card: RateForm | None
    p: float | None
    setups: list[CheckSetupForm]


class WhyForm(_Form):
    """`benchd why STUDY --json`: causes in falling order."""

    causes: list[CauseForm]
    separated: bool
    verdict: str
    boots: Count
    failures: Count
    groups: list[GroupForm]
    factors: list[FactorForm]
    ordering: OrderingForm
    left_out: list[str]
    evidence: list[str]
    study: str
    question: str
    goal: str
    trials: Count
    checks: list[CheckForm]
    remarks: list[str]


class ChangeForm(_Form):
    """A factor set from one level to another; minutes of work."""

    factor: str
    from_: str = Field(alias="from")
    to: str
    minutes: float
    hardware: bool


class LeadForm(_Form):
    """An explanation that would lead."""

    text: str
    probability: Probability


class OutlookForm(_Form):
    """What one result of the next boot would tell."""

    chance: Probability
    leads: list[LeadForm]


class ProposalForm(_Form):
    """One proposed trial."""

    setup: dict[str, str]
    changes: list[ChangeForm]
    minutes: float
    gain_bits: float
    caution: str | None
    repeat: bool
    steps: list[str]
    if_ok: OutlookForm
    if_fail: OutlookForm


class SideForm(_Form):
    """Times of a stage in one group."""

    n: Count
    median_s: float | None
    ended_here: Count


class ShiftForm(_Form):
    """One stage in both groups: `shift_s` is b minus a."""

    name: str
    a: SideForm
    b: SideForm
    shift_s: float | None
    shift_low: float | None
    shift_high: float | None
    p: float | None
    p_adjusted: float | None
    more_boots: int | None


class NotCountedForm(_Form):
    """Boots whose end says nothing."""

    a: Count
    b: Count


class FinishForm(_Form):
    """Finishing rates of both groups."""

    a: RateForm
    b: RateForm
    p: float | None
    more_boots: int | None
    not_counted: NotCountedForm


class PointForm(_Form):
    """A code or line on a group's common ladder."""

    text: str
    t_s: float
    seen: Count
    of: Count


class DivergenceForm(_Form):
    """Where two groups part, with what comes before and after."""

    before: list[PointForm]
    rejoins: bool
    a: list[PointForm]
    b: list[PointForm]


class PassedForm(_Form):
    """Results of a check: passed of done."""

    passed: Count
    done: Count


class CheckSidesForm(_Form):
    """A check in both groups."""

    check: str
    a: PassedForm
    b: PassedForm
    p: float | None


class KnForm(_Form):
    """k of n."""

    k: Count
    n: Count


class ReachedForm(_Form):
    """A stage that one group reaches more often."""

    stage: str
    a: KnForm
    b: KnForm
    p: float | None


class ComparisonForm(_Form):
    """One group against the first."""

    names: dict[Literal["a", "b"], str]
    sentence: str
    first_divergence: DivergenceForm | None
    lasting_divergence: DivergenceForm | None
    only_one_has: list[dict[str, Any]]
    order_changes: list[dict[str, Any]]
    stages: list[ShiftForm]
    finish: FinishForm
    time_to_finish: dict[str, Any]
    notes: list[str]
    checks: list[CheckSidesForm]
    reached: list[ReachedForm]
    changes: list[ChangeForm]


class CompareForm(ComparisonForm):
    """`benchd compare A B --json`; further groups against the first under `others`."""

    predictions: dict[str, list[str]]
    boots: dict[str, list[str]]
    others: list[ComparisonForm] = Field(default_factory=list)


class VerdictForm(_Form):
    """Whether one boot reached the goal; null: it does not say."""

    boot: str | None
    ok: bool | None
    why: str
    source: str


class TrialForm(_Form):
    """A trial in `benchd trial list --json`: setup, verdicts, checks, predictions of the ROM scan."""

    id: str
    study: str
    machine: str
    started: str
    ended: str | None
    note: str
    setup: dict[str, str]
    assumed: list[str]
    changes: list[ChangeForm]
    repeats: str | None
    excluded: str | None
    ok: Count
    fail: Count
    not_counted: Count
    boots: list[VerdictForm]
    checks: dict[str, PassedForm]
    predictions: list[dict[str, Any]]


FORMS: dict[str, type[BaseModel]] = {
    "why": WhyForm,
    "next-trial": ProposalForm,
    "compare": CompareForm,
    "trial": TrialForm,
}
"""Name for `benchd schema`: model."""
