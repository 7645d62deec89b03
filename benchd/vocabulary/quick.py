"""Values that are made by the million: frozen to whoever reads and checks the code, cheap to make. Pure.

A frozen dataclass sets each of its fields by a call, which takes five times as long as all else about making one.
"""

from __future__ import annotations

from dataclasses import field, fields, make_dataclass
from typing import Any, TypeVar

T = TypeVar("T")


def quick(cls: type[T]) -> type[T]:
    """Let a dataclass with `frozen=True, slots=True` be made as fast as one that is not frozen.

    That nobody writes to its fields is then held by the type checker alone, which still takes it for frozen.
    """
    told = [(one.name, one.type, field(default=one.default)) for one in fields(cls)]  # type: ignore[arg-type]
    # The twin's `__init__` sets fields by plain assignment, to whatever object it is called for.
    cls.__init__ = make_dataclass(cls.__name__, told).__init__  # type: ignore[method-assign, misc]
    cls.__setattr__ = object.__setattr__  # type: ignore[method-assign, assignment]
    cls.__delattr__ = object.__delattr__  # type: ignore[method-assign, assignment]
    return cls


def no_items() -> list[Any]:
    """Return an empty list: what a model's field is where nothing is said.

    Of a default that is `list` itself pydantic asks the signature, which Python reads out of its documentation: 1 ms.
    """
    return []
