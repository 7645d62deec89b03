"""Where a command begins: standard streams, errors of ours as one message, exit codes. Imports next to nothing.

Exit codes: 0 fine, 1 the thing asked about failed, 2 wrong use.
"""

from __future__ import annotations

import gc
import io
import os
import sys

from benchd import __version__
from benchd.cli.output import clean_lines, say
from benchd.errors import BenchError, system_words
from benchd.leftout import missing

USUAL_GARBAGE = gc.get_threshold()
GARBAGE_AFTER = 50_000
"""New objects after which a loaded command looks for garbage. `benchd run`, which stays, goes back to what is usual."""
NO_PLUGINS = "PYDANTIC_DISABLE_PLUGINS"


def main() -> None:
    """Entry point: run a command, print errors of ours as one message, exit 0, 1 or 2.

    What the operating system refuses, and no room has put in words, is told in its own.
    """
    _streams()
    try:
        try:
            _run()
        finally:
            sys.stdout.flush()
            gc.freeze()  # the end looks for garbage several times: nothing is to be found that matters any more
    except BenchError as error:
        print(clean_lines(f"benchd: {error}"), file=sys.stderr)
        sys.exit(error.exit_code)
    except ModuleNotFoundError as error:
        if (told := missing(error)) is None:
            raise
        print(f"benchd: {told}", file=sys.stderr)
        sys.exit(told.exit_code)
    except BrokenPipeError:
        _silence()
        sys.exit(1)
    except OSError as error:
        where = "" if error.filename is None else f"{os.fsdecode(error.filename)}: "
        _silence()
        print(clean_lines(f"benchd: {where}{system_words(error)}"), file=sys.stderr)
        sys.exit(1)


def _run() -> None:
    """Run what was asked for. The version is asked for by scripts: it costs no import of the commands' library."""
    if sys.argv[1:] == ["--version"]:
        say(f"benchd {__version__}")
        return
    # What a start makes stays: the default looks through all of it time and again, a tenth of listing boots.
    gc.disable()
    gc.set_threshold(GARBAGE_AFTER)
    # Nobody's plugins check our models; looking for some reads what is told of each package that is installed.
    os.environ.setdefault(NO_PLUGINS, "__all__")
    try:
        from benchd.cli.main import build, load

        load(sys.argv[1:2])
        gc.freeze()
    finally:
        gc.enable()
    build()()


def _streams() -> None:
    """Stand in for standard streams that were closed: a store must not become file 1 and be printed into."""
    for number, name, mode in ((0, "stdin", "r"), (1, "stdout", "w"), (2, "stderr", "w")):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest free number, which is this one
        if getattr(sys, name) is None:
            setattr(sys, name, open(number, mode, closefd=False))  # noqa: SIM115 - for the whole run
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def _silence() -> None:
    """Let what is still buffered go nowhere, or the interpreter complains of it when it ends."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, sys.stdout.fileno())
    os.close(nowhere)
