"""What to do where another program changed the same rows of a PostgreSQL store at once: the change is made again."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from functools import wraps
from typing import ParamSpec, TypeVar

from benchd.errors import ExternalError

P = ParamSpec("P")
T = TypeVar("T")

TRIES = 3


class CrossedError(ExternalError):
    """The server gave up a whole change, since another program changed the same rows at once."""


def again(method: Callable[P, T]) -> Callable[P, T]:
    """Let a method that makes one change try it up to `TRIES` times in all, where it was given up (`CrossedError`).

    Programs of this kind take turns (`Database.write`); an older benchd does not, nor does who writes by hand.
    """

    @wraps(method)
    def tried(*args: P.args, **more: P.kwargs) -> T:
        for _ in range(TRIES - 1):
            with contextlib.suppress(CrossedError):
                return method(*args, **more)
        return method(*args, **more)

    return tried
