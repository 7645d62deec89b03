"""Names in the archive: every id is made unique by its bench, `ID@BENCH`, and so is every number. Pure."""

from __future__ import annotations

BENCH_MOST = 64
"""Characters of a bench's name, as in its settings."""
SHARE = 1_000_000_000
"""Numbers that each bench has for itself: bench 3's result 17 is 3000000017."""
FROM_FILES = "(imported)"
"""The machine of trials that came from a file: it stands on no bench."""


def bench_problem(bench: str) -> str | None:
    """Why a bench cannot be archived under this name; None where it can."""
    if not 1 <= len(bench) <= BENCH_MOST:
        return f"a bench's name has 1 to {BENCH_MOST} characters, not {len(bench)}"
    if "@" in bench:
        return "a bench's name may not have @: it stands between an id and its bench here"
    if not bench.isprintable():
        return "a bench's name holds characters that cannot be shown"
    return None


def there(name: str, bench: str) -> str:
    """The name in the archive of what `bench` calls `name`."""
    return f"{name}@{bench}"


def there_or_none(name: str | None, bench: str) -> str | None:
    return None if name is None else there(name, bench)


def apart(name: str) -> tuple[str, str]:
    """A name in the archive as the bench's own name and the bench: `("T1", "corner")`; the bench is "" without one."""
    own, at, bench = name.rpartition("@")
    return (own, bench) if at else (name, "")


def number_there(number: int, share: int) -> int:
    """The number in the archive of a bench's own `number`; `share` is the bench's (from 1).

    Raises ValueError for one that would be another bench's.
    """
    if not 0 <= number < SHARE:
        raise ValueError(f"number {number} is not in 0..{SHARE - 1}")
    return share * SHARE + number
