"""Old captures compressed and let go, in small steps: by a running daemon beside its work, or by hand."""

from __future__ import annotations

import logging
import os
import shutil
import threading
import time
from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Protocol

from benchd.capture import letgo
from benchd.capture.packed import file_of, pack
from benchd.clock import SYSTEM, Clock
from benchd.errors import BenchError, ExternalError, system_words
from benchd.settings import BenchPart, LoadedSettings
from benchd.store import Store
from benchd.upkeep.holdings import Holdings, Lying, lying
from benchd.upkeep.retention import DAY_S, GB, Keeping, to_let_go
from benchd.watch.discard import take_away
from benchd.worker import Worker

log = logging.getLogger(__name__)

LOOK_S = 10.0
"""How often it is looked whether the disk has its reserve."""
TURN_S = 300.0
"""How often it is looked whether captures are due."""
SLICE_S = 5.0
"""So long a turn compresses; what is left waits for the next."""
LEAST_NICE = 19
"""The lowest priority that a thread can have; see setpriority(2), which on Linux is for a thread."""


class Abandoned(Exception):
    """The work was asked to stop."""


class Gauges(Protocol):
    """What of the metrics is set from here."""

    def disk(self, free: int, below: bool) -> None: ...

    def captures_lie(self, stored: int) -> None: ...

    def captures_let_go(self, count: int) -> None: ...


@dataclass(slots=True)
class Tidied:
    """What a turn did: captures compressed, with their bytes before and after; captures let go, with their bytes."""

    packed: int = 0
    before: int = 0
    after: int = 0
    let_go: int = 0
    freed: int = 0
    problems: list[str] = field(default_factory=list)


def keeping_of(bench: BenchPart) -> Keeping:
    """Return what of the settings says how long captures stay."""
    return Keeping(bench.keep_days, bench.keep_gb, round(bench.reserve_gb * GB))


class Tidier:
    """Works on one data folder. `writing` gives the captures that are written to now, `pause` is called in between.

    Raises BenchError where the store fails; what the disk refuses of one capture is told in the answer.
    """

    def __init__(
        self,
        loaded: LoadedSettings,
        store: Store,
        writing: Callable[[], Collection[Path]] = tuple,
        pause: Callable[[], None] = lambda: None,
        clock: Clock = SYSTEM,
    ) -> None:
        self._data, self._store, self._clock = loaded.data, store, clock
        self._writing, self._pause = writing, pause
        self._pack_s = loaded.settings.bench.pack_days * DAY_S
        self.keeping = keeping_of(loaded.settings.bench)
        self._holdings = Holdings(loaded.data)

    def turn(self, slice_s: float = float("inf")) -> Tidied:
        """Let go what is due, then compress what is due for about `slice_s`."""
        out = Tidied()
        captures = lying(self._data)
        now_s = self._clock.time_ns() / 1e9
        gone = self._let_go(captures, now_s, out) if self.keeping.lets_go else set()
        if self._pack_s > 0:
            until = time.monotonic() + slice_s
            for one in captures:
                if time.monotonic() >= until:
                    break
                if not one.packed and one.capture not in gone and now_s - one.written_s > self._pack_s:
                    self._pack(one, out)
        return out

    def _pack(self, one: Lying, out: Tidied) -> None:
        if one.capture in self._writing():
            return
        try:
            pack(one.capture, self._pause)
            packed = file_of(one.capture)
            out.after += packed.stat().st_size if packed else 0
        except (ExternalError, OSError) as error:
            out.problems.append(str(error))
        else:
            out.packed, out.before = out.packed + 1, out.before + one.size

    def _let_go(self, captures: list[Lying], now_s: float, out: Tidied) -> set[Path]:
        stored, free = sum(one.size for one in captures), free_bytes(self._data)
        oldest_s = min((one.written_s for one in captures), default=now_s)
        keeping, gone = self.keeping, set[Path]()
        old = keeping.keep_days is not None and now_s - oldest_s > keeping.keep_days * DAY_S
        if not (old or free < keeping.reserve or (keeping.keep_gb is not None and stored > keeping.keep_gb * GB)):
            return gone  # most turns: nothing of the captures themselves is read
        units = self._holdings.units(captures, self._store.boots_by_capture(), now_s)
        for unit, why in to_let_go(units, keeping, now_s, stored, free):
            if gone_now := self._take(unit.captures, why, now_s, out):
                out.let_go, out.freed = out.let_go + len(gone_now), out.freed + unit.size
                gone |= gone_now
            self._pause()
        return gone

    def _take(self, captures: tuple[Path, ...], why: str, now_s: float, out: Tidied) -> set[Path]:
        if set(captures) & set(self._writing()):
            return set()
        at = datetime.fromtimestamp(now_s).astimezone().isoformat(timespec="seconds")
        try:
            for capture in captures:
                letgo.write_down(capture, at, why)
            for capture in captures:
                take_away(capture)
        except OSError as error:
            out.problems.append(f"{captures[0]} cannot be let go: {system_words(error)}; check the disk")
            return set()
        return set(captures)


def free_bytes(folder: Path) -> int:
    """Return how many bytes of the disk below a folder are free for this user. Raises ExternalError."""
    try:
        return shutil.disk_usage(folder).free
    except OSError as error:
        raise ExternalError(f"{folder}: how much is free cannot be told: {system_words(error)}") from error


class Tidying:
    """Tidying up as part of a running daemon: in a thread of the lowest priority that rests as long as it works.

    `free` is None until the disk was looked at first; `below` says whether it has less than its reserve.
    """

    def __init__(
        self,
        loaded: LoadedSettings,
        store: Store,
        writing: Callable[[], Collection[Path]],
        gauges: Gauges,
        clock: Clock = SYSTEM,
    ) -> None:
        self._data, self._gauges, self._clock = loaded.data, gauges, clock
        self._tidier = Tidier(loaded, store, writing, self._pause, clock)
        self._worker = Worker("tidy")
        self._stopped = False
        self._due_ns = clock.monotonic_ns() + round(LOOK_S * 1e9)
        """The first turn comes after the work of a start."""
        self._worked_s = 0.0
        self._trouble = ""
        self.free: int | None = None
        self.below = False
        self.stored: int | None = None

    async def work(self) -> None:
        """Look at the disk and, now and then, at the captures."""
        try:
            free, done = await self._worker.run(self._look)
        except (BenchError, Abandoned) as error:
            self._tell(str(error))
            return
        self._told_of_disk(free)
        if done is not None:
            self._told_of_work(done)

    def stop(self) -> None:
        """End the work after its present step."""
        self._stopped = True

    def close(self) -> None:
        self.stop()
        self._worker.close()

    def health(self) -> dict[str, object]:
        """Return what is known of the disk, in bytes; None until it was looked at."""
        reserve = self._tidier.keeping.reserve
        return {"free": self.free, "reserve": reserve, "below_reserve": self.below, "captures": self.stored}

    def _look(self) -> tuple[int, Tidied | None]:
        if hasattr(os, "setpriority"):
            os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), LEAST_NICE)
        free, done = free_bytes(self._data), None
        if not self._stopped and self._clock.monotonic_ns() >= self._due_ns:
            self._due_ns = self._clock.monotonic_ns() + round(TURN_S * 1e9)
            self._worked_s = time.monotonic()
            done = self._tidier.turn(SLICE_S)
            self.stored = sum(one.size for one in lying(self._data))
        return free, done

    def _pause(self) -> None:
        if self._stopped:
            raise Abandoned
        time.sleep(min(0.1, time.monotonic() - self._worked_s))
        self._worked_s = time.monotonic()

    def _told_of_disk(self, free: int) -> None:
        keeping, before = self._tidier.keeping, self.below
        self.free, self.below = free, free < keeping.reserve
        self._gauges.disk(free, self.below)
        has = f"{free / GB:.2f} GB free, bench.reserve_gb is {keeping.reserve / GB:g}"
        if self.below and not before:
            log.error("the disk of %s has %s: make room; `benchd space` says what takes it", self._data, has)
        elif before and not self.below:
            log.warning("the disk of %s has room again: %s", self._data, has)

    def _told_of_work(self, done: Tidied) -> None:
        self._gauges.captures_lie(self.stored or 0)
        self._gauges.captures_let_go(done.let_go)
        if done.packed:
            log.info("%d old captures compressed: %d bytes, before %d", done.packed, done.after, done.before)
        if done.let_go:
            log.info("%d old captures let go to make room: %d bytes", done.let_go, done.freed)
        self._tell("; ".join(done.problems))

    def _tell(self, trouble: str) -> None:
        if trouble and trouble != self._trouble:
            log.warning("%s", trouble)
        self._trouble = trouble
