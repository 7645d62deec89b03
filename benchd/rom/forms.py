"""How the values of this room become JSON and come back: by their own fields, so that no shape is stated twice."""

from __future__ import annotations

from functools import cache
from typing import Annotated, Any, TypeVar

from pydantic import BeforeValidator, ConfigDict, Field, PlainSerializer, RootModel, TypeAdapter

from benchd.rom.numbers import hex_address

F = TypeVar("F", bound="RomForm")

HexAddress = Annotated[str, Field(pattern="^[0-9A-F]{5,6}$", description="physical address, upper-case hexadecimal")]
Count = Annotated[int, Field(ge=0)]


def _from_hex(value: object) -> object:
    return int(value, 16) if isinstance(value, str) else value


Address = Annotated[int, BeforeValidator(_from_hex), PlainSerializer(hex_address, return_type=HexAddress)]
"""A number here, upper-case hexadecimal text in JSON."""
Code = Annotated[int, BeforeValidator(_from_hex), PlainSerializer(lambda code: f"{code:02X}", return_type=str)]
From = Annotated[Address, Field(alias="from")]
To = Annotated[Address, Field(alias="to")]


class RomForm:
    """Base of dataclasses that are published as JSON; an `Annotated` field may have another name or form there."""

    __slots__ = ()
    __pydantic_config__ = ConfigDict(extra="forbid", json_schema_serialization_defaults_required=True)

    def to_json(self) -> dict[str, Any]:
        """JSON-ready."""
        kind: Any = type(self)
        return dict(_adapter(kind).dump_python(self, mode="json", by_alias=True))

    @classmethod
    def from_json(cls: type[F], value: object) -> F:
        """Read back what `to_json` gave. Raises ValueError for other shapes."""
        kind: Any = cls
        found: F = _adapter(kind).validate_python(value)
        return found


@cache
def _adapter(kind: Any) -> TypeAdapter[Any]:
    return TypeAdapter(kind)


def published() -> dict[str, type[RootModel[Any]]]:
    """Return the models that give the schemas of this room's JSON, by their names for `benchd schema`."""
    from benchd.rom.image import Report
    from benchd.rom.moves import MapReport
    from benchd.rom.predict import ScanPrediction

    forms: dict[str, type[RomForm]] = {"rom-inspect": Report, "map": MapReport, "scan-prediction": ScanPrediction}
    return {name: _rooted(kind) for name, kind in forms.items()}


def _rooted(kind: Any) -> type[RootModel[Any]]:
    model: type[RootModel[Any]] = RootModel[kind]
    model.__doc__ = kind.__doc__
    return model
