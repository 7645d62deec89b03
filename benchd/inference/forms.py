"""JSON of dataclasses, derived from their fields: what is published is what is declared.

A published dataclass inherits from `Form`; pydantic gives its JSON and its schema. `Rounded3` and the like say how many
digits are told; `Hidden` fields are not published. Knows no numpy, as little as the modules that only declare.
"""

from __future__ import annotations

from functools import cache
from typing import Annotated, Any, ClassVar, TypeVar

from pydantic import ConfigDict, Field, PlainSerializer, RootModel, SkipValidation, TypeAdapter
from pydantic.json_schema import SkipJsonSchema

T = TypeVar("T")


def _rounded(digits: int) -> PlainSerializer:
    return PlainSerializer(lambda value: round(value, digits), return_type=float)


Rounded3 = Annotated[float, _rounded(3)]
Rounded4 = Annotated[float, _rounded(4)]
Rounded6 = Annotated[float, _rounded(6)]
Share4 = Annotated[float, _rounded(4), Field(ge=0, le=1)]
Share6 = Annotated[float, _rounded(6), Field(ge=0, le=1)]
"""A probability or a share, from 0 to 1."""
Count = Annotated[int, Field(ge=0)]
Hidden = Annotated[SkipJsonSchema[SkipValidation[T]], Field(exclude=True)]
"""Kept beside what is published, not part of it."""


class Form:
    """Base of a published dataclass."""

    __slots__ = ()
    __pydantic_config__: ClassVar[ConfigDict] = ConfigDict(
        extra="forbid", validate_by_name=True, validate_by_alias=True, arbitrary_types_allowed=True
    )

    def to_json(self) -> dict[str, Any]:
        """The published JSON."""
        kind: Any = type(self)
        found: dict[str, Any] = _adapter(kind).dump_python(self, mode="json", by_alias=True)
        return found


class Told(RootModel[T]):
    """A published form by a name of its own; built when it is first used, which most processes never do."""

    model_config = ConfigDict(defer_build=True)


@cache
def _adapter(kind: Any) -> TypeAdapter[Any]:
    return TypeAdapter(kind)
