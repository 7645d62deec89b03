"""Time stamps at the beginning of lines, as programs that save a terminal's text write them: which kind, and when.

`Stamp.t_ns` is what the stamp says (since 1970 UTC, or since some start), `res_ns` how long it stays the same: the line
came in that time. `ts` of moreutils stamps a line at its end, in local time, `-i` since the line before.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone

from benchd.vocabulary.times import NS

DAY_NS = 86_400 * NS
FRACTION = rb"(?:[.,](\d{1,9}))?"
KINDS = {
    "iso": rb"(\d{4})-(\d\d)-(\d\d)[T ](\d\d):(\d\d):(\d\d)" + FRACTION + rb" ?(Z|[+-]\d\d:?\d\d)?",
    "date": rb"([A-Z][a-z]{2}) ([ \d]\d) (\d\d):(\d\d):(\d\d)" + FRACTION,
    "epoch": rb"(\d{9,11})" + FRACTION,
    "seconds": rb"(\d{1,8})" + FRACTION,
    "clock": rb"(\d\d):(\d\d):(\d\d)" + FRACTION,
}
"""Kind: how it looks. `date` has no year, `clock` is a time of day or since a start, `seconds` since a start."""
ABSOLUTE = ("iso", "date", "epoch")
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_FORMS = {kind: re.compile(rb"(\[?)" + form + rb"(\]?:?)(?:[ \t]|(?=\r?\n?$))") for kind, form in KINDS.items()}
MOSTLY = 0.9
"""So many of the lines that are not blank must begin with a stamp for a kind to be found by itself."""


@dataclass(frozen=True, slots=True)
class Stamp:
    """A stamp: its time, how fine it is, and how many bytes of the line it takes."""

    t_ns: int
    res_ns: int
    length: int


def find_kind(lines: list[bytes]) -> str | None:
    """Return the kind of stamp that most lines begin with, None where there is none.

    Seconds are only taken for a recorder's with a fraction and without brackets: kernels print theirs in brackets.
    """
    said = [line for line in lines if line.strip()]
    for kind, form in _FORMS.items():
        found = [match for line in said if (match := form.match(line))]
        if kind == "seconds":
            found = [match for match in found if match[3] is not None and not match[1]]
        if said and len(found) >= MOSTLY * len(said):
            return kind
    return None


def read_stamp(kind: str, line: bytes, year: int) -> Stamp | None:
    """Return the stamp of a line, None where it has none; `year` is for dates. Raises ValueError for no such time."""
    found = _FORMS[kind].match(line)
    if found is None:
        return None
    parts = [None if part is None else part.decode() for part in found.groups()[1:-1]]
    fraction = parts[6] if kind == "iso" else parts[-1]
    fine_ns = int((fraction or "").ljust(9, "0")) if fraction else 0
    res_ns = NS // 10 ** len(fraction or "")
    return Stamp(_whole(kind, parts, year) * NS + fine_ns, max(res_ns, 1), found.end())


def _whole(kind: str, parts: list[str | None], year: int) -> int:
    """Return the stamp in whole seconds."""
    if kind in ("epoch", "seconds"):
        return int(parts[0] or 0)
    if kind == "clock":
        return _of_day(*(int(part or 0) for part in parts[:3]))
    if kind == "date":
        if parts[0] not in MONTHS:
            raise ValueError("there is no such month")
        numbers = [year, MONTHS.index(parts[0]) + 1, *(int(part or 0) for part in parts[1:5])]
        return int(_leap(numbers).astimezone().timestamp())
    return _with_zone(datetime(*(int(part or 0) for part in parts[:6])), parts[7])  # type: ignore[arg-type]


def _of_day(hours: int, minutes: int, seconds: int) -> int:
    if hours > 23 or minutes > 59 or seconds > 60:
        raise ValueError("there is no such time of day")
    return hours * 3600 + minutes * 60 + seconds


def _with_zone(moment: datetime, zone: str | None) -> int:
    """Return a time in seconds since 1970; without a zone it is meant where this computer is."""
    if zone is None:
        return int(moment.astimezone().timestamp())
    digits = zone.replace(":", "")
    offset = timedelta() if zone == "Z" else timedelta(hours=int(digits[:3]), minutes=int(digits[0] + digits[3:]))
    return int(moment.replace(tzinfo=timezone(offset)).timestamp())


def _leap(numbers: list[int]) -> datetime:
    """Return a date whose year was guessed: the 29th of February is of the leap year before."""
    while numbers[1:3] == [2, 29] and (numbers[0] % 4 or (numbers[0] % 100 == 0 and numbers[0] % 400)):
        numbers[0] -= 1
    return datetime(*numbers)  # type: ignore[arg-type]
