"""A process of its own for calculations whose libraries take much memory: both are gone soon after the last one.

It is a fresh interpreter, not a copy of this one, whose threads hold locks. Nothing that is calculated there holds up
the threads here either.
"""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import threading
import traceback
from collections.abc import Callable
from contextlib import AbstractContextManager, ExitStack, suppress
from multiprocessing.connection import Connection
from typing import Any, TypeVar

from benchd.errors import BenchError, ExternalError

T = TypeVar("T")

IDLE_S = 30.0
LIMIT_S = 120.0
"""How long a calculation may take."""
NICER = 5
"""Priority below this process: what comes from the machines is read and judged first."""
START = "import sys; sys.path[:] = {path!r}; from benchd.apart import serve; serve({number})"


class Apart:
    """Calls functions in another process, one at a time. It is begun by the first call and ended `idle_s` after one."""

    def __init__(self, idle_s: float = IDLE_S, limit_s: float = LIMIT_S) -> None:
        self._idle_s, self._limit_s = idle_s, limit_s
        self._turn = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None
        self._line: Connection | None = None
        self._ending: threading.Timer | None = None

    @property
    def pid(self) -> int | None:
        """The process, None while there is none."""
        return None if self._process is None else self._process.pid

    def __call__(self, function: Callable[..., T], *given: Any) -> T:
        """Return what `function(*given)` returns there, or raise what it raises there.

        All of them travel by pickle: a function by its name, a `Store` as where it is (it is opened there for reading,
        and closed after the call). Raises ExternalError where the process ends or takes longer than `limit_s`.
        """
        with self._turn:
            if self._ending is not None:
                self._ending.cancel()
            try:
                if self._process is None or self._process.poll() is not None:
                    self._begin()
                assert self._line is not None
                self._line.send((function, given))
                if not self._line.poll(self._limit_s):
                    self._end()
                    raise ExternalError(f"this took longer than {self._limit_s:g} s and was given up: ask for less")
                done, told = self._line.recv()
            except (OSError, EOFError) as error:
                code = self._end()
                raise ExternalError(
                    f"the process that calculates this has ended ({code}); if memory is short, ask for less, "
                    "else ask again"
                ) from error
            self._end_later()
        if done:
            return told  # type: ignore[no-any-return]
        raise told

    def close(self) -> None:
        """End the process, if there is one."""
        with self._turn:
            self._end()

    def _begin(self) -> None:
        self._end()
        here, there = socket.socketpair()
        with there:
            command = [sys.executable, "-c", START.format(path=sys.path, number=there.fileno())]
            try:
                self._process = subprocess.Popen(command, pass_fds=[there.fileno()], stdin=subprocess.DEVNULL)
            except OSError:
                here.close()
                raise
        self._line = Connection(here.detach())

    def _end_later(self) -> None:
        self._ending = threading.Timer(self._idle_s, self._end_idle, [self._process])
        self._ending.daemon = True
        self._ending.start()

    def _end_idle(self, process: subprocess.Popen[bytes]) -> None:
        with self._turn:  # whoever got it first may have begun another one, or put the end off
            if self._process is process and self._ending is threading.current_thread():
                self._end()

    def _end(self) -> str:
        """End the process; say how it ended."""
        process, self._process, line, self._line = self._process, None, self._line, None
        if line is not None:
            line.close()
        if process is None:
            return "it could not be started"
        with suppress(subprocess.TimeoutExpired):
            process.wait(0.5)  # one that ended by itself tells how; one that waits for calls ends as the line does
        process.kill()
        code = process.wait()
        return f"signal {-code}" if code < 0 else f"exit code {code}"


def serve(number: int) -> None:
    """Answer calls that come over a socket until its other end is closed; in the process that is apart."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C at a terminal is for the daemon, whose end closes the socket
    os.nice(NICER)
    line = Connection(number)
    with suppress(EOFError, BrokenPipeError, ConnectionResetError):
        while True:
            line.send(_answer(*line.recv()))


def _answer(function: Callable[..., Any], given: tuple[Any, ...]) -> tuple[bool, Any]:
    try:
        with ExitStack() as opened:
            for one in given:
                if isinstance(one, AbstractContextManager):
                    opened.enter_context(one)
            return True, function(*given)
    except Exception as error:
        if not isinstance(error, (BenchError, ModuleNotFoundError)):
            traceback.print_exc()  # the log says where; what is sent on has lost it
        return False, error
