"""Alerts that are told and not delivered, in one small file, so that the next start delivers them.

The file is the channels' queues as they are, written anew and put in place at once; what is in it is at most a write
behind. So after a kill an alert may come a second time, with the same id, but none is missing.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Literal, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from benchd.clock import Backoff
from benchd.errors import system_words
from benchd.sinks.alerts.message import AlertMessage

log = logging.getLogger(__name__)
T = TypeVar("T")


class KeptAlert(BaseModel):
    """One alert that a channel has still to deliver."""

    model_config = ConfigDict(defer_build=True, extra="forbid", frozen=True, serialize_by_alias=True)

    channel: str
    message: AlertMessage


class KeptFile(BaseModel):
    """What the file holds, oldest first in each channel."""

    model_config = ConfigDict(defer_build=True, extra="forbid", frozen=True, serialize_by_alias=True)

    version: Literal[1] = 1
    waiting: list[KeptAlert]


class Kept:
    """Keeps what `waiting` returns in the file at `path`; without a path nothing is kept."""

    def __init__(self, path: Path | None, waiting: Callable[[], list[KeptAlert]]) -> None:
        self.reason = ""
        self._path = path
        self._waiting = waiting
        self._dirty = asyncio.Event()
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="alerts-kept")  # waits for nobody else's work

    def touch(self) -> None:
        """Say that something changed."""
        if self._path is not None:
            self._dirty.set()

    async def load(self) -> list[KeptAlert]:
        """Return what was left. A file that cannot be understood is told and set aside."""
        return [] if self._path is None else await self._work(_load, self._path)

    async def work(self) -> None:
        """Write whenever something changed; a disk that refuses is told once and tried again."""
        wait = Backoff(0.2, 5.0)
        while True:
            await self._dirty.wait()
            if await self.saved():
                wait.reset()
            else:
                await asyncio.sleep(wait.next_s())

    async def saved(self) -> bool:
        """Write what changed; return whether all is in the file."""
        if self._path is None or not self._dirty.is_set():
            return self._path is not None
        text = KeptFile(waiting=self._waiting()).model_dump_json()
        self._dirty.clear()
        try:
            await self._work(_replace, self._path, text)
        except asyncio.CancelledError:
            self._dirty.set()
            raise
        except OSError as error:
            self._dirty.set()
            reason = f"{self._path}: cannot keep alerts: {system_words(error)}: those not delivered are lost at a stop"
            if reason != self.reason:
                log.error("alerts: %s", reason)
            self.reason = reason
            return False
        self.reason = ""
        return True

    async def _work(self, work: Callable[..., T], *args: object) -> T:
        return await asyncio.get_running_loop().run_in_executor(self._thread, work, *args)


def _load(path: Path) -> list[KeptAlert]:
    try:
        return KeptFile.model_validate_json(path.read_bytes()).waiting
    except FileNotFoundError:
        return []
    except (OSError, ValidationError) as error:
        aside = path.with_name(f"{path.name}.damaged-{time.time_ns()}")
        what = system_words(error) if isinstance(error, OSError) else "it is damaged, or of a newer program"
        log.error("alerts: %s cannot be read: %s; put aside as %s, its alerts stay untold", path, what, aside.name)
        with contextlib.suppress(OSError):
            os.rename(path, aside)
        return []


def _replace(path: Path, text: str) -> None:
    """Put a new content in place: after a power cut there is the old one or the new one. Raises OSError."""
    new = path.with_name(f"{path.name}.new")
    with open(new, "w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    os.replace(new, path)
    folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
