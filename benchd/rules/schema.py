"""The rule table as people write it: one firmware family, its ladder and its stall points."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, PlainSerializer, model_validator

from benchd.rules.values import Codes, compile_pattern, parse_codes, parse_port
from benchd.tomlfile import matching, misplaced
from benchd.vocabulary.times import parse_duration

Seconds = Annotated[float, BeforeValidator(parse_duration)]
Port = Annotated[int, BeforeValidator(parse_port), PlainSerializer(lambda port: f"{port:X}")]
Name = Annotated[
    str, matching(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}", "use letters, digits, dot, hyphen, underscore; no spaces")
]
Word = Annotated[str, Field(min_length=2, max_length=40)]
Year = Annotated[int, Field(ge=1975, le=2100)]


def _codes(value: Any) -> Codes:
    if isinstance(value, Codes):
        return value
    if not isinstance(value, str):
        raise ValueError(f"write the code as text: two hex digits in quotes, not {value!r}")
    return parse_codes(value)


def _pattern(value: str) -> str:
    compile_pattern(value)
    return value


CodeSet = Annotated[Codes, BeforeValidator(_codes), PlainSerializer(str)]
Pattern = Annotated[str, AfterValidator(_pattern)]
Role = Literal["start", "ignore", "stage", "stall", "fault", "pass", "fail"]
Place = tuple[str | int, ...]


class RulePart(BaseModel):
    model_config = ConfigDict(
        defer_build=True, extra="forbid", frozen=True, arbitrary_types_allowed=True, populate_by_name=True
    )


class When(RulePart):
    """A thing seen: a code (or range), on a certain port or on any, or a text (a regular expression)."""

    code: CodeSet | None = None
    port: Port | None = None
    text: Pattern | None = None

    @model_validator(mode="after")
    def _one(self) -> When:
        if (self.code is None) == (self.text is None):
            raise ValueError("give either code or text, not both")
        if self.port is not None and self.code is None:
            raise ValueError("port goes with code only")
        return self

    def __str__(self) -> str:
        if self.code is None:
            return f"text {self.text!r}"
        return f"code {self.code}" + (f" on port {self.port:X}h" if self.port is not None else "")


class Help(RulePart):
    """What people need when a rule fires."""

    means: str = ""
    try_: list[str] = Field(default_factory=list, alias="try")
    caution: str = ""
    source: str = ""


class TableHead(RulePart):
    """`[table]`. `ports` are the I/O ports that carry this family's codes; codes from others are shown only.

    `order = "free"` turns off the finding "late" for a family whose stages come in any order.
    `unknown_codes = "ignore"` is for tables that do not try to list every code. `judges = false`: boots are recorded
    only, and parted by power, reset, silence of `[boot] quiet`, and what came first in a boot coming again. `makers`,
    `machines` and `years` are what `benchd rules find` goes by: the names on the BIOS chip, processor classes, first
    and last year.
    """

    name: Name
    source: str = Field(min_length=1)
    about: str = ""
    makers: list[Word] = Field(default_factory=list, max_length=20)
    machines: list[Word] = Field(default_factory=list, max_length=20)
    years: list[Year] = Field(default_factory=list, max_length=2)
    ports: list[Port] = Field(default_factory=list)
    order: Literal["ladder", "free"] = "ladder"
    unknown_codes: Literal["report", "ignore"] = "report"
    judges: bool = True


class BootPart(RulePart):
    """`[boot]`: how a boot starts, and how long silence may last where nothing more special is said."""

    starts: list[When] = Field(default_factory=list)
    ignore: list[When] = Field(default_factory=list)
    quiet: Seconds = 60.0
    power_quiet: Seconds = 20.0


class StageRule(RulePart):
    """One rung of the ladder, in the order in which boots pass it.

    `limit` is how long the stage may take (until the next one), `usual` what it takes on a good day, `floor`
    the least that a learned limit may shrink to. Stages that share a `branch` are alternatives. `anytime`
    takes a stage out of the order. Stages listed after a final stage are out of the order as well.
    """

    name: Name
    enter: list[When] = Field(min_length=1, max_length=200)
    limit: Seconds | None = None
    floor: Seconds | None = None
    usual: Seconds | None = None
    final: bool = False
    optional: bool = False
    expected: bool = False
    anytime: bool = False
    branch: str | None = None
    means: str = ""
    source: str = ""

    @model_validator(mode="after")
    def _sense(self) -> StageRule:
        if self.optional and self.expected:
            raise ValueError("a stage cannot be both optional and expected")
        return self


class StallRule(Help):
    """A known stall point: after this was the last thing seen, and nothing for `quiet`."""

    name: Name
    after: When | None = None
    in_: str | None = Field(None, alias="in")
    quiet: Seconds

    @model_validator(mode="after")
    def _one(self) -> StallRule:
        if sum(place is not None for place in (self.after, self.in_)) != 1:
            raise ValueError("give either after (the last thing seen) or in (a stage name)")
        return self

    @property
    def place(self) -> str:
        """Where it waits, in words."""
        return f"after {self.after}" if self.after is not None else f"in {self.in_}"


class LoopRule(Help):
    """Codes that repeat in this order without the boot starting over."""

    name: Name
    codes: list[CodeSet] = Field(min_length=1, max_length=32)
    times: int = Field(5, ge=2, le=10_000)


class OrderRule(Help):
    """`first` must come before `then`; a boot that has it the other way gets the finding "late"."""

    name: Name
    first: str
    then: str


class FaultRule(Help):
    """A text or code by which the machine itself tells of a fault."""

    name: Name
    seen: When


class CheckRule(RulePart):
    """A pass/fail result that a test program prints on the console."""

    name: Name
    passed: Pattern = Field(alias="pass")
    failed: Pattern = Field(alias="fail")
    source: str = ""


class CodeName(RulePart):
    """What a code means; listing it here makes it known."""

    code: CodeSet
    port: Port | None = None
    means: str = ""
    source: str = ""


class RuleTable(RulePart):
    """A whole rule table."""

    table: TableHead
    boot: BootPart = Field(default_factory=BootPart)
    stage: list[StageRule] = Field(default_factory=list, max_length=1000)
    stall: list[StallRule] = Field(default_factory=list, max_length=2000)
    loop: list[LoopRule] = Field(default_factory=list, max_length=200)
    order: list[OrderRule] = Field(default_factory=list, max_length=200)
    fault: list[FaultRule] = Field(default_factory=list, max_length=2000)
    check: list[CheckRule] = Field(default_factory=list, max_length=2000)
    code: list[CodeName] = Field(default_factory=list, max_length=5000)

    @model_validator(mode="after")
    def _ladder(self) -> RuleTable:
        if self.table.judges and not self.stage:
            raise misplaced("table", ("stage",), "there is no [[stage]]: a ladder needs one")
        if not self.table.judges and (self.stage or self.stall or self.boot.starts):
            raise misplaced("table", ("table", "judges"), "a table that judges nothing has no starts, stages or stalls")
        return self

    @property
    def name(self) -> str:
        return self.table.name

    def watched_for(self) -> Iterator[tuple[Role, int, Place, When]]:
        """Yield all that the table looks for: role, the rule's index in that role, place in the file, what."""
        for i, when in enumerate(self.boot.starts):
            yield "start", i, ("boot", "starts", i), when
        for i, when in enumerate(self.boot.ignore):
            yield "ignore", i, ("boot", "ignore", i), when
        for i, stage in enumerate(self.stage):
            for k, when in enumerate(stage.enter):
                yield "stage", i, ("stage", i, "enter", k), when
        for i, stall in enumerate(self.stall):
            if stall.after is not None:
                yield "stall", i, ("stall", i, "after"), stall.after
        for i, fault in enumerate(self.fault):
            yield "fault", i, ("fault", i, "seen"), fault.seen
        for i, check in enumerate(self.check):
            yield "pass", i, ("check", i, "pass"), When(text=check.passed)
            yield "fail", i, ("check", i, "fail"), When(text=check.failed)

    def meaning(self, value: int, port: int | None = None, wide: bool = False) -> str:
        """Return what a code means in this table, or "". Of a 16-bit code: of all of it; of its low byte."""
        ports = self.table.ports
        told = []
        for entry in self.code:
            seen = value if entry.code.wide else value & 0xFF
            if (entry.code.wide and not wide) or seen not in entry.code or not entry.means:
                continue
            heard = not ports or port in ports if entry.port is None else port == entry.port
            if port is None or heard:
                told.append((not entry.code.wide, entry.means))
        return "; ".join(dict.fromkeys(text for _, text in sorted(told, key=lambda t: t[0])))
