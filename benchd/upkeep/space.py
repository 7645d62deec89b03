"""What takes room on a bench's disk, how fast it grows, how long it lasts, and what would be let go next."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from benchd.capture.packed import file_of
from benchd.settings import LoadedSettings
from benchd.store import Store
from benchd.upkeep.backup import OUTBOX, named_files
from benchd.upkeep.holdings import IN_TRIAL, Holdings, Lying, lying
from benchd.upkeep.retention import DAY_S, GB, Keeping, Unit, in_turn, to_let_go
from benchd.upkeep.tidying import free_bytes, keeping_of

PACE_DAYS = 30
NEXT = 5
What = Literal["captures", "captures-compressed", "store", "outbox", "images", "other"]


class Part(BaseModel):
    """One kind of thing: how many files, how many bytes."""

    model_config = ConfigDict(frozen=True)

    what: What
    files: int
    bytes: int


class NextToGo(BaseModel):
    """What would be let go: captures that go together, how many boots began in them, by which setting, and when.

    `at` is a day; None: now, or when captures have grown so far.
    """

    model_config = ConfigDict(frozen=True)

    captures: list[str]
    bytes: int
    boots: int
    why: str
    at: str | None = None


class Space(BaseModel):
    """The room that a bench takes, in bytes. `pace` is bytes a day over the last 30 days, None before the first day."""

    model_config = ConfigDict(frozen=True)

    free: int
    reserve: int
    below_reserve: bool
    parts: list[Part]
    held: int = Field(description="of captures with boots of trials, or noted, labelled or left out: never let go")
    pace: float | None
    days_left: float | None = Field(description="until only the reserve is left, at this pace; None: no end in sight")
    keep_days: float | None
    keep_gb: float | None
    pack_days: float
    next: list[NextToGo]


def space_of(loaded: LoadedSettings, store: Store, now_s: float) -> Space:
    """Look at a bench's disk. Raises ExternalError where disk or store fails."""
    data, bench = loaded.data, loaded.settings.bench
    keeping = keeping_of(bench)
    captures = lying(data)
    units = Holdings(data).units(captures, store.boots_by_capture(), now_s)
    stored, free = sum(one.size for one in captures), free_bytes(data)
    pace = _pace(captures, now_s)
    return Space(
        free=free,
        reserve=keeping.reserve,
        below_reserve=free < keeping.reserve,
        parts=_parts(loaded, captures),
        held=sum(unit.size for unit in units if unit.held == IN_TRIAL),
        pace=pace,
        days_left=_days_left(units, keeping, free, stored, pace),
        keep_days=bench.keep_days,
        keep_gb=bench.keep_gb,
        pack_days=bench.pack_days,
        next=_next(units, keeping, now_s, stored, free),
    )


def _parts(loaded: LoadedSettings, captures: list[Lying]) -> list[Part]:
    every = [path for path in loaded.data.rglob("*") if path.is_file() and not path.is_symlink()]
    of_store = _of_store(every, loaded.store_url)
    outbox = [path for path in every if path.name.startswith(OUTBOX)]
    images = sorted(set(named_files(loaded, [])))
    known = {*of_store, *outbox, *images, *(file_of(one.capture) for one in captures)}
    return [
        _part("captures", [one.size for one in captures if not one.packed]),
        _part("captures-compressed", [one.size for one in captures if one.packed]),
        _part("store", map(_size, of_store)),
        _part("outbox", map(_size, outbox)),
        _part("images", map(_size, images)),
        _part("other", [_size(path) for path in every if path not in known]),
    ]


def _of_store(files: list[Path], store: str) -> list[Path]:
    """Return the files of a store in a file, those of its writing included; none of a server's."""
    return [] if "://" in store else [path for path in files if str(path).startswith(store)]


def _part(what: What, sizes: Iterable[int]) -> Part:
    listed = list(sizes)
    return Part(what=what, files=len(listed), bytes=sum(listed))


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:  # taken away meanwhile
        return 0


def _pace(captures: list[Lying], now_s: float) -> float | None:
    """Bytes a day that captures of the last days have; of fewer days where the oldest of all is younger."""
    own = [one for one in captures if not one.imported]
    days = min(PACE_DAYS, (now_s - min((one.written_s for one in own), default=now_s)) / DAY_S)
    if days < 1:
        return None
    return sum(one.size for one in own if now_s - one.written_s <= days * DAY_S) / days


def _days_left(units: list[Unit], keeping: Keeping, free: int, stored: int, pace: float | None) -> float | None:
    if not pace:
        return None
    room = max(0, free - keeping.reserve)
    stay = sum(unit.size for unit in units if unit.held)
    if keeping.keep_gb is not None and keeping.keep_gb * GB - stored <= room and stay < keeping.keep_gb * GB:
        return None  # what comes takes the place of what goes
    if keeping.keep_days is not None and keeping.keep_days * pace - (stored - stay) <= room:
        return None
    return room / pace


def _next(units: list[Unit], keeping: Keeping, now_s: float, stored: int, free: int) -> list[NextToGo]:
    due = to_let_go(units, keeping, now_s, stored, free)
    out = [_told(unit, why, None) for unit, why in due[:NEXT]]
    gone = {unit.captures for unit, _ in due}
    for unit in in_turn(units):
        if len(out) >= NEXT or not keeping.lets_go:
            break
        if unit.captures in gone:
            continue
        if keeping.keep_days is not None:
            at = datetime.fromtimestamp(unit.written_s + keeping.keep_days * DAY_S).astimezone()
            out.append(_told(unit, "bench.keep_days", at.date().isoformat()))
        else:
            out.append(_told(unit, "bench.keep_gb", None))
    return out


def _told(unit: Unit, why: str, at: str | None) -> NextToGo:
    names = ["/".join(path.parts[-2:]) for path in unit.captures]
    return NextToGo(captures=names, bytes=unit.size, boots=unit.boots, why=why, at=at)
