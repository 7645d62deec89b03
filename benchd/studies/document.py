"""The study document: what a person writes in TOML about one question, and how it becomes a pure `Study`.

question = "why does the storage ROM not run?"
machine = "at286"              # as in the settings; boots of this machine attach to trials
boot_minutes = 4               # one power-up, without any change
map = "bench.map.toml"         # see `benchd map`; only for predicting the option-ROM scan

[goal]
kind = "stage-reached"         # stage-reached, finding-absent, check-passed, stage-faster, result-ok
target = "storage-rom"
# limit = "5s"                 # for stage-faster

[[factor]]
name = "rom-base"
kind = "rom-base"              # a kind of `trials.study`, or rom-base, rom-image
levels = ["C800", "D000"]
minutes = 4                    # one change
window = "storage rom"         # the window of the map that this jumper or image belongs to

[cost]                         # minutes by factor, or by level: [cost.rom-base]  D000 = 9
rom-base = 4

[[exclude]]                    # combinations that cannot be or must not be tried
rom-base = "D000"
network-card = "window-on"
reason = "both answer at D0000h"

[reference]                    # a setup known to be good, if there is one
rom-base = "C800"
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Annotated, Any, Literal, get_args

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, model_validator

from benchd.errors import UsageError
from benchd.harmless import clean
from benchd.inference.kinds import KINDS, infer_kind
from benchd.inference.study import (
    MAX_FACTORS,
    MAX_LEVELS,
    MAX_NAME,
    Exclusion,
    Factor,
    Goal,
    Study,
)
from benchd.inference.study import Condition as PureCondition
from benchd.tomlfile import FileProblems, Problem, dotted, toml_key, toml_value, validate
from benchd.tomlplaces import Places
from benchd.vocabulary.times import parse_duration

MAX_TEXT = 4_000
MAX_EXCLUSIONS = 200
MAX_FILE = 1 << 20

Kind = Literal[
    "rom-base", "rom-image", "card", "machine", "jumper", "bios-setting", "image", "slot", "adapter", "cable",
    "test", "other",
]  # fmt: skip
PURE_KIND = {"rom-base": "jumper", "rom-image": "image"}
assert {PURE_KIND.get(kind, kind) for kind in get_args(Kind)} == set(KINDS)


def _level(value: object) -> object:
    """Numbers are fine as levels: slot = 3."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        return f"{value:g}" if isinstance(value, float) else str(value)
    return value


Label = Annotated[str, Field(min_length=1, max_length=MAX_NAME)]
Level = Annotated[Label, BeforeValidator(_level)]
Seconds = Annotated[float, BeforeValidator(parse_duration)]
Minutes = Annotated[float, Field(ge=0, le=100_000, allow_inf_nan=False)]
Text = Annotated[str, Field(max_length=MAX_TEXT)]
Misfit = tuple[tuple[str | int, ...], str]
"""Where in the document something does not fit, and what."""


class DocumentPart(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class GoalPart(DocumentPart):
    """What counts as success of a boot."""

    kind: Literal["stage-reached", "finding-absent", "check-passed", "stage-faster", "result-ok"] = "result-ok"
    target: Annotated[str, Field(max_length=200)] = ""
    limit: Seconds | None = None

    @model_validator(mode="after")
    def _whole(self) -> GoalPart:
        if self.kind != "result-ok" and not self.target:
            raise ValueError(f"goal {self.kind!r} needs `target`: the name of the stage, finding or check")
        if (self.kind == "stage-faster") != (self.limit is not None):
            raise ValueError("`limit` and kind 'stage-faster' belong together")
        return self


class FactorPart(DocumentPart):
    """One thing that can be changed. `places` (level: {window: base or "off"}) and `window` serve the map."""

    name: Label
    levels: list[Level] = Field(default_factory=list, max_length=MAX_LEVELS)
    kind: Kind | None = None
    minutes: Minutes | None = None
    level_minutes: dict[Level, Minutes] = Field(default_factory=dict)
    moves_hardware: bool | None = None
    window: Label | None = None
    places: dict[Level, dict[Label, str]] = Field(default_factory=dict)
    images: dict[Level, str] = Field(default_factory=dict)

    def misfits(self) -> list[Misfit]:
        """What does not fit within the factor, as (path in it, text)."""
        out: list[Misfit] = []
        if not self.levels:
            out.append((("levels",), f"factor {self.name!r} has no levels"))
        doubled = [level for k, level in enumerate(self.levels) if level in self.levels[:k]]
        if doubled:
            out.append((("levels",), f"level {doubled[0]!r} is named twice"))
        return out + [
            ((key, level), f"{level!r} is no level of {self.name!r}: {', '.join(self.levels)}")
            for key in ("level_minutes", "places", "images")
            for level in getattr(self, key)
            if level not in self.levels
        ]


class ExcludePart(DocumentPart):
    """All of `when` and none of `unless`, together: do not try. Other keys are read as `when`."""

    when: dict[Label, Level] = Field(default_factory=dict)
    unless: dict[Label, Level] = Field(default_factory=dict)
    reason: Annotated[str, Field(min_length=1, max_length=400)] = "excluded by the study"

    @model_validator(mode="before")
    @classmethod
    def _short_form(cls, value: Any) -> Any:
        if not isinstance(value, dict):
            return value
        known = {"when", "unless", "reason"}
        loose = {k: v for k, v in value.items() if k not in known}
        when = value.get("when", {})
        return value if not loose or not isinstance(when, dict) else {
            **{k: v for k, v in value.items() if k in known}, "when": {**when, **loose}
        }  # fmt: skip

    @model_validator(mode="after")
    def _something(self) -> ExcludePart:
        if not self.when and not self.unless:
            raise ValueError("name at least one factor and level")
        return self


class CostPart(DocumentPart):
    """Minutes of a factor's change: `minutes` for any level, `levels` for some, `moves_hardware`."""

    minutes: Minutes | None = None
    moves_hardware: bool | None = None
    levels: dict[Level, Minutes] = Field(default_factory=dict)

    @model_validator(mode="before")
    @classmethod
    def _short_form(cls, value: Any) -> Any:
        if isinstance(value, int | float) and not isinstance(value, bool):
            return {"minutes": value}
        if not isinstance(value, dict) or "levels" in value:
            return value
        known = ("minutes", "moves_hardware")
        return {k: v for k, v in value.items() if k in known} | {
            "levels": {k: v for k, v in value.items() if k not in known}
        }


def _as_list(value: Any) -> Any:
    return [value] if isinstance(value, dict) else value


class StudyDocument(DocumentPart):
    """A whole study document; `fold` puts `cost` into the factors."""

    question: Text = ""
    machine: Label | None = None
    boot_minutes: Annotated[float, Field(gt=0, le=100_000, allow_inf_nan=False)] = 4.0
    map: Annotated[str, Field(max_length=4096)] | None = None
    notes: Text = ""
    goal: GoalPart = Field(default_factory=GoalPart)
    factor: list[FactorPart] = Field(default_factory=list, max_length=MAX_FACTORS)
    cost: dict[Label, CostPart] = Field(default_factory=dict)
    exclude: Annotated[list[ExcludePart], BeforeValidator(_as_list), Field(max_length=MAX_EXCLUSIONS)] = Field(
        default_factory=list
    )
    reference: dict[Label, Level] | None = None

    def factor_named(self, name: str) -> FactorPart | None:
        return next((one for one in self.factor if one.name == name), None)

    def to_json(self) -> dict[str, Any]:
        """What the store keeps: JSON-ready, defaults left out."""
        return self.model_dump(mode="json", exclude_defaults=True)

    def merged(self, other: StudyDocument) -> StudyDocument:
        """This document with what `other` states put in its place; factors of one name are joined."""
        stated = {name: getattr(other, name) for name in other.model_fields_set - {"factor"}}
        factors = {one.name: one for one in self.factor}
        for one in other.factor:
            mine = factors.get(one.name)
            if mine is None:
                factors[one.name] = one
                continue
            new = {name: getattr(one, name) for name in one.model_fields_set - {"levels"}}
            levels = list(dict.fromkeys([*one.levels, *mine.levels]))
            factors[one.name] = mine.model_copy(update=new | {"levels": levels})
        return self.model_copy(update=stated | {"factor": list(factors.values())}).fold()

    def fold(self) -> StudyDocument:
        """The document with its `cost` block put into the factors it names."""
        factors = []
        for one in self.factor:
            cost = self.cost.get(one.name)
            if cost is not None:
                update: dict[str, Any] = {"level_minutes": {**one.level_minutes, **cost.levels}}
                if cost.minutes is not None:
                    update["minutes"] = cost.minutes
                if cost.moves_hardware is not None:
                    update["moves_hardware"] = cost.moves_hardware
                one = one.model_copy(update=update)
            factors.append(one)
        left = {name: cost for name, cost in self.cost.items() if self.factor_named(name) is None}
        return self.model_copy(update={"factor": factors, "cost": left})

    def with_level(self, factor: str, level: str) -> StudyDocument:
        """The document with one more level of a factor."""
        return self.model_copy(
            update={
                "factor": [
                    one.model_copy(update={"levels": [*one.levels, level]}) if one.name == factor else one
                    for one in self.factor
                ]
            }
        )

    def pure(self, name: str) -> Study:
        """The study as `trials` reasons about it. Raises UsageError when parts do not fit together."""
        return Study(
            name,
            tuple(
                Factor(
                    one.name,
                    tuple(one.levels),
                    kind=pure_kind(one),
                    minutes=one.minutes,
                    moves_hardware=one.moves_hardware,
                    level_minutes=one.level_minutes,
                )
                for one in self.factor
            ),
            question=self.question,
            goal=Goal(self.goal.kind, self.goal.target, self.goal.limit),
            exclusions=tuple(
                Exclusion(
                    (
                        *(PureCondition(f, "is", level) for f, level in one.when.items()),
                        *(PureCondition(f, "is not", level) for f, level in one.unless.items()),
                    ),
                    one.reason,
                )
                for one in self.exclude
            ),
            reference=self.reference,
            boot_minutes=self.boot_minutes,
        )

    def misfits(self) -> list[Misfit]:
        """What does not fit together, as (path in the document, text)."""
        names = [one.name for one in self.factor]
        out: list[Misfit] = []
        if not self.factor:
            out.append(((), "no factor: add one `[[factor]]` for each thing that can be changed"))
        for i, one in enumerate(self.factor):
            if one.name in names[:i]:
                out.append((("factor", i, "name"), f"factor {one.name!r} is named twice"))
            out += [(("factor", i, *where), text) for where, text in one.misfits()]
        out += [(("cost", name), _unknown(name, names)) for name in self.cost]
        for i, rule in enumerate(self.exclude):
            out += self._level_misfits(("exclude", i), rule.when, names)
            out += self._level_misfits(("exclude", i), rule.unless, names)
        out += self._level_misfits(("reference",), self.reference or {}, names)
        if self.reference is not None:
            unsaid = [name for name in names if name not in self.reference]
            out += [(("reference",), f"says nothing about factor {name!r}") for name in unsaid]
        return out

    def _level_misfits(
        self, where: tuple[str | int, ...], setup: Mapping[str, str], names: list[str]
    ) -> Iterable[Misfit]:
        """Factors and levels that a part of the document names and the study does not have."""
        for name, level in setup.items():
            one = self.factor_named(name)
            if one is None:
                yield (*where, name), _unknown(name, names)
            elif level not in one.levels:
                yield (*where, name), f"{level!r} is no level of factor {name!r}: {', '.join(one.levels)}"


def pure_kind(factor: FactorPart) -> str:
    """The kind that `trials` knows: as stated, else as the factor's name tells."""
    if factor.kind is None:
        return infer_kind(factor.name)
    return PURE_KIND.get(factor.kind, factor.kind)


def _unknown(name: str, names: list[str]) -> str:
    return f"no factor is called {name!r}: there are {', '.join(names) or 'none'}"


def read_part(text: str, file: str) -> StudyDocument:
    """Read a document that may be part of one. Raises FileProblems (file, line, key)."""
    if len(text) > MAX_FILE:
        raise FileProblems([Problem(file, 0, "", f"{len(text)} characters; a study has at most {MAX_FILE}")])
    return validate(StudyDocument, text, file)


def document_from(value: Mapping[str, Any]) -> StudyDocument:
    """A document from JSON. Raises UsageError with the place of what does not fit."""
    try:
        return StudyDocument.model_validate(value)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise UsageError(f"study document: {where}: {first['msg']}") from None


def check_whole(document: StudyDocument, text: str = "", file: str = "study") -> StudyDocument:
    """The document with costs folded in, once all parts fit together. Raises FileProblems with the places."""
    document = document.fold()
    found = document.misfits()
    if found:
        places = Places(text)
        raise FileProblems([Problem(file, places.line(path), dotted(path), what) for path, what in found])
    return document


def to_toml(document: StudyDocument, remarks: Iterable[str] = ()) -> str:
    """The document as TOML that `read_part` reads back to the same, with `remarks` as comments; others are not kept."""
    lines = [
        f"question = {toml_value(document.question)}",
        f"boot_minutes = {toml_value(document.boot_minutes)}   # one power-up without any change",
    ]
    for key in ("machine", "map"):
        if getattr(document, key) is not None:
            lines.append(f"{key} = {toml_value(getattr(document, key))}")
    if document.notes:
        lines.append(f"notes = {toml_value(document.notes)}")
    lines += ["", "[goal]   # kind: stage-reached, finding-absent, check-passed, stage-faster, result-ok"]
    goal = document.goal
    lines += [f"kind = {toml_value(goal.kind)}", f"target = {toml_value(goal.target)}"]
    if goal.limit is not None:
        lines.append(f"limit = {toml_value(goal.limit)}   # seconds")
    for one in document.factor:
        lines += ["", "[[factor]]", f"name = {toml_value(one.name)}", f"levels = {toml_value(one.levels)}"]
        for key, value in one.model_dump(exclude_defaults=True, exclude={"name", "levels"}).items():
            lines.append(f"{key} = {toml_value(value)}")
    for rule in document.exclude:
        lines += ["", "[[exclude]]", f"when = {toml_value(rule.when)}"]
        if rule.unless:
            lines.append(f"unless = {toml_value(rule.unless)}")
        lines.append(f"reason = {toml_value(rule.reason)}")
    if document.reference is not None:
        lines += ["", "[reference]   # a setup known to be good"]
        lines += [f"{toml_key(name)} = {toml_value(level)}" for name, level in document.reference.items()]
    lines += ["", *(f"# {clean(remark, 1000)}" for remark in remarks)] if remarks else []
    return "\n".join(lines) + "\n"
