"""`benchd run`: the daemon in the foreground."""

from __future__ import annotations

import asyncio
import gc
import logging
import os
import signal
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Annotated

import typer

from benchd.cli.common import ConfigOption, settings_of
from benchd.cli.first_settings import first_settings
from benchd.cli.output import clean_lines
from benchd.cli.start import NO_PLUGINS, USUAL_GARBAGE
from benchd.daemon import Daemon
from benchd.sdnotify import keep_watchdog, notify
from benchd.settings import LoadedSettings

SWITCH_S = 0.0005


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


def has_terminal() -> bool:
    """Whether a terminal controls this process: /dev/tty opens then and not otherwise (POSIX.1, 10.1)."""
    try:
        os.close(os.open("/dev/tty", os.O_RDONLY | os.O_NOCTTY))
    except OSError:
        return False
    return True


async def serve(loaded: LoadedSettings) -> None:
    """Run the daemon until SIGINT, SIGTERM, or the end of its terminal; else SIGHUP reads the rule tables again.

    A process started with hang-ups ignored (nohup) outlives its terminal.
    """
    log = logging.getLogger("benchd")
    if not loaded.settings.machine:
        log.warning("%s names no [[machine]]; nothing will be watched", loaded.path)
    loop = asyncio.get_running_loop()
    loop.set_default_executor(LooseThreads())
    daemon = Daemon(loaded)
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, daemon.stop)
    bound = has_terminal() and signal.getsignal(signal.SIGHUP) != signal.SIG_IGN

    def hung_up() -> None:
        if bound and not has_terminal():
            log.info("the terminal is gone; ending")
            daemon.stop()
        else:
            daemon.reload()

    loop.add_signal_handler(signal.SIGHUP, hung_up)

    def ready() -> None:
        for run in daemon.runs.values():
            links = ", ".join(f"{info.name} at {info.port}" for info in run.links)
            log.info("watching %s (rules %s): %s", run.name, run.table.name, links)
        log.info("metrics and page at %s", daemon.server.url)
        notify("READY=1")

    alive = asyncio.create_task(keep_watchdog(), name="watchdog")
    try:
        await daemon.run(ready)
    finally:
        alive.cancel()
        notify("STOPPING=1")
    log.info("stopped; captures are in %s", loaded.data / "captures")


def _stays() -> None:
    """Make of a process that was to end soon one that stays: garbage is looked for as usual, in what comes from now on.

    The hundred thousand objects of the libraries are left out of each look, which would keep readers waiting.
    """
    if os.environ.get(NO_PLUGINS) == "__all__":
        del os.environ[NO_PLUGINS]  # what alerts call is not to inherit it
    gc.collect()  # what is garbage by now would be kept for ever
    gc.freeze()
    gc.set_threshold(*USUAL_GARBAGE)


def judged_by(loaded: LoadedSettings, rules: str) -> LoadedSettings:
    """Return the settings with another table for every machine: a file as seen from here, or a name."""
    table = str(Path(rules).absolute()) if Path(rules).is_file() else rules
    machines = [part.model_copy(update={"rules": table}) for part in loaded.settings.machine]
    return LoadedSettings(loaded.settings.model_copy(update={"machine": machines}), loaded.path)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(run)


def run(
    config: ConfigOption = None,
    verbose: Annotated[bool, typer.Option("--verbose", help="Log more.")] = False,
    quiet: Annotated[
        bool, typer.Option("--quiet", help="Say nothing of boots and trials: only the start, links and trouble.")
    ] = False,
    console: Annotated[
        str | None, typer.Option(help="Without a settings file: the console's port, as PORT or PORT@SPEED.")
    ] = None,
    post: Annotated[
        str | None, typer.Option(help="Without a settings file: the diagnostic card's port, as PORT or PORT@SPEED.")
    ] = None,
    machine: Annotated[str, typer.Option(help="The machine's name, with --console or --post.")] = "pc",
    rules: Annotated[str | None, typer.Option(help="Judge by this table instead of the settings'.")] = None,
) -> None:
    """Watch the machines of a settings file until Ctrl-C.

    With --console or --post no file is needed: bench.toml is written, and boots are recorded only, without --rules.

    Exit codes: 0 stopped on request, 1 something outside failed (address in use, store), 2 wrong settings.
    """
    set_up_logging(verbose, quiet)
    _stays()
    # A busy interpreter thread must not keep a reader from stamping what arrives (measured: 5 ms at the
    # default of 5 ms, below 1 ms at this).
    sys.setswitchinterval(SWITCH_S)
    if console is not None or post is not None:
        loaded = first_settings({"post": post, "console": console}, machine, rules)
        logging.getLogger("benchd").info("%s written", loaded.path)
    else:
        loaded = settings_of(config)
        if rules is not None:
            loaded = judged_by(loaded, rules)
    try:
        asyncio.run(serve(loaded))
    except* KeyboardInterrupt:
        pass
    leave()
