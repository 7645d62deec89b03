"""`benchd run`: the daemon in the foreground."""

from __future__ import annotations

import asyncio
import logging
import os
import signal
import sys
from pathlib import Path
from typing import Annotated

import typer

from benchd.cli.common import ConfigOption, settings_of
from benchd.cli.first_settings import first_settings
from benchd.cli.serving import LooseThreads, leave, set_up_logging, stays, watched
from benchd.daemon import Daemon
from benchd.settings import LoadedSettings

SWITCH_S = 0.0005


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

    await watched(daemon.run, ready)
    log.info("stopped; captures are in %s", loaded.data / "captures")


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
    stays()
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
