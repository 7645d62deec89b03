"""What causes, orders, checks and next trials come out as: values alone, without the libraries that compute them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import Field, computed_field

from benchd.inference.forms import Count, Form, Hidden, Rounded3, Rounded4, Rounded6, Share4, Share6
from benchd.inference.kinds import Order, Special
from benchd.inference.study import Change, Condition
from benchd.inference.wording import percent

TrialKind = Literal["separate", "confirm-failing", "confirm-cured"]
PASS_FROM = 0.9
FAIL_TO = 0.1


@dataclass(frozen=True, slots=True)
class Rate(Form):
    """k of n, with its Wilson interval."""

    k: Count
    n: Count
    low: Share6
    high: Share6


@dataclass(frozen=True, slots=True)
class Support(Form):
    """A trial that speaks for or against a cause, in words; `bits` above 0 speaks for it."""

    trial: str
    bits: Rounded3
    words: str


@dataclass(frozen=True, slots=True)
class Cause(Form):
    """One explanation: it fails where at least `needed` of `conditions` hold.

    `form` is "all" (all of them), "any" (one of them) or "some" (a number between). With `special` a cause that names
    no factor, or (with conditions beside it) one that matters only where the conditions hold.
    `group`: causes of one group predict the same in every trial so far. `indistinguishable`: places in the
    list of causes that no allowed setup could tell from this one.
    """

    conditions: tuple[Condition, ...]
    probability: Share6
    cause_class: Annotated[str, Field(alias="class")]
    group: Count
    form: Literal["all", "any", "some"]
    special: Special | None
    text: str
    fails_at: Annotated[Share4, Field(alias="fail_rate")]
    fails_else: Annotated[Share4, Field(alias="fail_rate_elsewhere")]
    supports: tuple[Support, ...]
    against: tuple[Support, ...]
    indistinguishable: Annotated[tuple[Count, ...], Field(alias="twins")]
    needed: Count = 0

    def expects_failure(self, setup: Mapping[str, str]) -> bool:
        """Whether the conditions say "fails" of `setup` (everywhere, where there are none)."""
        return sum(condition.holds(setup) for condition in self.conditions) >= self.needed


@dataclass(frozen=True, slots=True)
class CauseGroup(Form):
    """Explanations that predict the same in every trial so far: how many, and their weight together."""

    group: Count
    probability: Rounded6
    explanations: Count


@dataclass(frozen=True, slots=True)
class FactorWeight(Form):
    """The weight of all explanations that name a factor."""

    factor: str
    matters: Rounded6


@dataclass(frozen=True, slots=True)
class Ordering(Form):
    """Whether ordering (or condemning) a part would be premature, the rivals' share, and why."""

    part: str | None
    premature: bool
    rival_share: Rounded6
    limit: float
    sentence: str


@dataclass(frozen=True, slots=True)
class OrderShare(Form):
    """The probability of causes over order and time together; `kind` is the likeliest of them, None without boots."""

    probability: Share6
    kind: Order | None


@dataclass(frozen=True, slots=True)
class Fit(Form):
    """Whether the results are such as the leading cause would give; `p` of the check, 1 where it has nothing to say."""

    ok: bool
    sentence: str
    p: Share6


@dataclass(frozen=True, slots=True)
class Weighing(Form):
    """The causes of a study in falling order, and what may be concluded from them.

    `separated`: one explanation (with those that no setup tells from it) holds 95 %. `confirmed`: its failing start
    was seen again after the cure and the cure after that, or need not be; `confirmation` says which. `settled`: a
    cause in the setup is separated, confirmed, fits, and no cause outside the setup is a match for it. `unlisted`: the
    probability that the cause is not among the listed factors.
    """

    causes: tuple[Cause, ...]
    separated: bool
    verdict: str
    boots: Count
    failures: Count
    groups: tuple[CauseGroup, ...]
    factors: tuple[FactorWeight, ...]
    ordering: Ordering
    left_out: tuple[str, ...]
    evidence: tuple[str, ...]
    settled: bool
    confirmed: bool
    confirmation: str
    unlisted: Share6
    order: OrderShare
    fit: Fit


@dataclass(frozen=True, slots=True)
class CheckCell(Form):
    """A check in one setup: passed and done, and whether the setup is the known-good reference."""

    trials: tuple[str, ...]
    passed: Count
    done: Count
    reference: bool
    with_card: Hidden[bool | None] = None
    machine: Hidden[tuple[str, ...]] = ()

    @computed_field  # type: ignore[prop-decorator]
    @property
    def state(self) -> Literal["pass", "fail", "mixed"]:
        rate = self.passed / self.done
        return "pass" if rate >= PASS_FROM else "fail" if rate <= FAIL_TO else "mixed"


@dataclass(frozen=True, slots=True)
class CheckReport(Form):
    """One check across setups: its pattern, a sentence, rates with and without the card, Fisher's p between them."""

    check: str
    pattern: str
    sentence: str
    with_card: Rate | None
    without_card: Rate | None
    p: float | None
    cells: Annotated[tuple[CheckCell, ...], Field(alias="setups")]


@dataclass(frozen=True, slots=True)
class Lead(Form):
    """An explanation that would lead after the next boot."""

    text: str
    probability: Share6


FAILS_WHEN = "it fails when "
"""What most causes begin with; after "if it works" it would read as a contradiction."""


@dataclass(frozen=True, slots=True)
class Outlook(Form):
    """What one result of the next boot would tell: its chance, and who leads afterwards."""

    result: Hidden[str]
    chance: Share6
    leads: tuple[Lead, ...]

    def words(self) -> str:
        first, *others = [lead.text.removeprefix(FAILS_WHEN) for lead in self.leads]
        return f"If {self.result} ({percent(self.chance)}), the likeliest cause is then: {first}." + (
            f" Next likeliest: {'; or '.join(others)}." if others else ""
        )


@dataclass(frozen=True, slots=True)
class NextTrial(Form):
    """A proposed trial. `minutes` is the work of the changes and one boot; `gain_bits` of one boot.

    `kind`: to separate causes, or to see the failing setup or the cure again; `why` says what for. `reseat`: take
    the cards out and put them back as they were. `rest_s`: power off for so many seconds first; None for as it comes.
    """

    setup: Mapping[str, str]
    changes: tuple[Change, ...]
    minutes: Rounded3
    gain_bits: Rounded6
    caution: str | None
    repeat: bool
    steps: tuple[str, ...]
    if_ok: Outlook
    if_fail: Outlook
    kind: TrialKind = "separate"
    why: str = ""
    reseat: bool = False
    rest_s: Rounded3 | None = None


@dataclass(frozen=True, slots=True)
class Proposal(Form):
    """Ranked next trials, whether to stop instead, and which setups were left out and why."""

    stop: bool
    advice: str
    left_out: tuple[str, ...]
    ranked: Annotated[tuple[NextTrial, ...], Field(alias="next")]
    weighing: Hidden[Weighing]


@dataclass(frozen=True, slots=True)
class Side(Form):
    """Times of one stage in one group: n complete ones, their median, and boots that ended inside it."""

    n: Count
    median_s: Rounded6 | None
    ended_here: Count


@dataclass(frozen=True, slots=True)
class StageShift(Form):
    """One stage in both groups. `shift_s` is b minus a; the ends are None when boots are too few."""

    name: str
    a: Side
    b: Side
    shift_s: Rounded6 | None = None
    shift_low: Rounded6 | None = None
    shift_high: Rounded6 | None = None
    p: float | None = None
    p_adjusted: float | None = None
    more_boots: int | None = None


@dataclass(frozen=True, slots=True)
class NotCounted(Form):
    """Boots whose end says nothing, on each side."""

    a: Count
    b: Count


@dataclass(frozen=True, slots=True)
class Finish(Form):
    """Finishing rates. Boots cut short or with a lost link are not counted."""

    a: Rate
    b: Rate
    p: float | None
    more_boots: int | None
    not_counted: NotCounted


@dataclass(frozen=True, slots=True)
class Median(Form):
    """When half of a group's boots had finished, in seconds; None where more than half did not."""

    median_s: Rounded6 | None


@dataclass(frozen=True, slots=True)
class TimeToFinish(Form):
    """Kaplan-Meier medians with unfinished boots censored, and the log-rank test."""

    a: Median
    b: Median
    chi2: float | None
    p: float | None


@dataclass(frozen=True, slots=True)
class Point(Form):
    """One rung of a group's consensus: what, its median time, and how many boots of those aligned have it."""

    text: str
    t_s: Rounded6
    seen: Count
    of: Count

    def named(self) -> str:
        """A code as it is, a console line in quotes: its own commas and full stops are not the sentence's."""
        return f'the line "{self.text.removeprefix("line ")}"' if self.text.startswith("line ") else self.text


@dataclass(frozen=True, slots=True)
class Divergence(Form):
    """The first place where the common ladders part: `before` as seen in a, then each side's next rungs.

    An empty `a` or `b` means that group has nothing more.
    """

    before: tuple[Point, ...]
    rejoins: bool
    a: tuple[Point, ...]
    b: tuple[Point, ...]

    def words(self, a_name: str, b_name: str) -> str:
        after = f"after {self.before[-1].named()}" if self.before else "from the start"
        again = ", then meet again" if self.rejoins else ""
        goes = [
            f"{name} goes on to {points[0].named()}" if points else f"{name} ends there"
            for name, points in ((a_name, self.a), (b_name, self.b))
        ]
        return f"they differ {after}{again}: {', '.join(goes)}"


@dataclass(frozen=True, slots=True)
class OnlyOne(Form):
    """A code or (masked) line that boots of one group have and none of the other: k of n boots."""

    side: Literal["a", "b"]
    text: str
    k: Count
    n: Count


@dataclass(frozen=True, slots=True)
class OrderChange(Form):
    """`earlier` comes before `later` in a, and after it in b; shares are of boots that have both."""

    earlier: str
    later: str
    a_share: Rounded4
    b_share: Rounded4


@dataclass(frozen=True, slots=True)
class Names(Form):
    """What the two sides are called."""

    a: str
    b: str


@dataclass(frozen=True, slots=True)
class Comparison(Form):
    """One group (b) against the first (a)."""

    names: Names
    sentence: str
    first_divergence: Divergence | None
    lasting_divergence: Divergence | None
    only: Annotated[tuple[OnlyOne, ...], Field(alias="only_one_has")]
    order: Annotated[tuple[OrderChange, ...], Field(alias="order_changes")]
    stages: tuple[StageShift, ...]
    finish: Finish
    time_to_finish: TimeToFinish
    notes: tuple[str, ...]
