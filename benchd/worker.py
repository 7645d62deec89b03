"""A thread that does one kind of job after another, beside the event loop; left behind, not waited for, at the end."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from concurrent.futures import Future
from contextlib import suppress
from queue import SimpleQueue
from typing import Any, TypeVar

T = TypeVar("T")


class Worker:
    """Runs jobs in one daemon thread, in order. What keeps data has its own, so that no web request delays it."""

    def __init__(self, name: str) -> None:
        self.name = name
        self._jobs: SimpleQueue[tuple[Future[Any], Callable[[], Any]] | None] = SimpleQueue()
        self._thread: threading.Thread | None = None

    async def run(self, job: Callable[..., T], *args: Any) -> T:
        """Do `job(*args)` in the thread and return what it returns, or raise what it raises."""
        if self._thread is None:
            self._thread = threading.Thread(target=self._work, name=self.name, daemon=True)
            self._thread.start()
        future: Future[T] = Future()
        self._jobs.put((future, lambda: job(*args)))
        return await asyncio.wrap_future(future)

    def close(self) -> None:
        """Let the thread end after its present job."""
        self._jobs.put(None)

    def _work(self) -> None:
        while (next_job := self._jobs.get()) is not None:
            future, job = next_job
            if not future.set_running_or_notify_cancel():
                continue
            # The loop that waited may be closed by the time the job is done.
            with suppress(RuntimeError):
                try:
                    result = job()
                except BaseException as error:
                    future.set_exception(error)
                else:
                    future.set_result(result)
