"""What commands share that stay until they are stopped: logging, garbage, the service manager, the end."""

from __future__ import annotations

import asyncio
import gc
import logging
import os
import sys
from collections.abc import Awaitable, Callable
from concurrent.futures import ThreadPoolExecutor

from benchd.cli.output import clean_lines
from benchd.cli.start import NO_PLUGINS, USUAL_GARBAGE
from benchd.sdnotify import keep_watchdog, notify


class LooseThreads(ThreadPoolExecutor):
    """Threads for what may take its time (web requests): whoever hangs in a database is not waited for at the end."""

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        super().shutdown(wait=False, cancel_futures=True)


def leave() -> None:
    """End this process at once: everything is closed, and no thread that hangs in a database is waited for.

    Taking the interpreter down in good order took 3 s on a busy computer (measured at load 15 on two cores).
    """
    logging.shutdown()
    sys.stdout.flush()
    os._exit(0)


class CleanFormatter(logging.Formatter):
    """Log lines may quote what came over a wire: only harmless characters reach the terminal."""

    def format(self, record: logging.LogRecord) -> str:
        return clean_lines(super().format(record))


def set_up_logging(verbose: bool = False, quiet: bool = False) -> None:
    """Log to standard error, one line an event, wall time first; `quiet`: nothing of boots and trials."""
    handler = logging.StreamHandler()
    handler.setFormatter(CleanFormatter("%(asctime)s %(levelname)-7s %(message)s", "%H:%M:%S"))
    logging.basicConfig(level=logging.DEBUG if verbose else logging.INFO, handlers=[handler], force=True)
    for noisy in ("uvicorn", "uvicorn.error", "mqtt", "aiomqtt", "alembic", "sqlalchemy", "asyncio"):
        logging.getLogger(noisy).setLevel(logging.WARNING)
    if quiet:
        logging.getLogger("benchd.boots").setLevel(logging.CRITICAL)


def stays() -> None:
    """Make of a process that was to end soon one that stays: garbage is looked for as usual, in what comes from now on.

    The hundred thousand objects of the libraries are left out of each look, which would keep readers waiting.
    """
    if os.environ.get(NO_PLUGINS) == "__all__":
        del os.environ[NO_PLUGINS]  # what alerts call is not to inherit it
    gc.unfreeze()
    gc.collect()  # what is garbage by now would be kept for ever
    gc.freeze()
    gc.set_threshold(*USUAL_GARBAGE)


async def watched(work: Callable[[Callable[[], None]], Awaitable[None]], ready: Callable[[], None]) -> None:
    """Do `work`, which calls what it is given when it is ready; the service manager hears of start, life and end."""

    def told() -> None:
        ready()
        notify("READY=1")

    alive = asyncio.create_task(keep_watchdog(), name="watchdog")
    try:
        await work(told)
    finally:
        alive.cancel()
        notify("STOPPING=1")
