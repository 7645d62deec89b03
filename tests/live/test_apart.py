"""Calculations in a process of their own: what comes back, and what becomes of the process."""

from __future__ import annotations

import contextlib
import os
import runpy
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from benchd.apart import Apart
from benchd.errors import ExternalError, UsageError
from benchd.store.boots import microseconds


def until(what: str, holds: Callable[[], object]) -> None:
    end = time.monotonic() + 60
    while not holds():
        assert time.monotonic() < end, what
        time.sleep(0.01)


def runs(pid: int) -> bool:
    with contextlib.suppress(ProcessLookupError):
        os.kill(pid, 0)
        return True
    return False


@pytest.fixture
def apart() -> Iterator[Apart]:
    made = Apart()
    yield made
    made.close()


def test_answers_and_errors_come_back(apart: Apart) -> None:
    """From one other process, which outlives an error; errors of ours as what they are."""
    pid = apart(os.getpid)
    assert pid == apart.pid != os.getpid()
    assert apart(divmod, 7, 2) == (3, 1)
    with pytest.raises(UsageError) as here:
        microseconds("soon")
    with pytest.raises(UsageError) as there:
        apart(microseconds, "soon")
    assert str(there.value) == str(here.value)
    with pytest.raises(ValueError, match="invalid literal"):
        apart(int, "x")
    assert apart(os.getpid) == pid


def test_a_process_that_is_killed_is_told_and_the_next_call_has_another(apart: Apart, tmp_path: Path) -> None:
    """While it calculates (short memory ends it so) the call fails, in words; while it waits nobody notices."""
    first = apart(os.getpid)
    begun, work = tmp_path / "begun", tmp_path / "work.py"
    work.write_text(f"import pathlib, time\npathlib.Path({str(begun)!r}).touch()\ntime.sleep(600)\n")
    told: list[BaseException] = []

    def ask() -> None:
        try:
            apart(runpy.run_path, str(work))
        except ExternalError as error:
            told.append(error)

    asking = threading.Thread(target=ask)
    asking.start()
    until("it calculates", begun.exists)
    os.kill(first, 9)
    asking.join(60)
    assert "has ended (signal 9)" in str(told[0])
    second = apart(os.getpid)
    os.kill(second, 9)
    until("it is gone", lambda: apart._process is not None and apart._process.poll() is not None)
    assert apart(os.getpid) not in (first, second)


def test_a_calculation_that_takes_too_long_is_given_up() -> None:
    apart = Apart(limit_s=0.1)
    with pytest.raises(ExternalError, match=r"longer than 0\.1 s"):
        apart(time.sleep, 600)
    assert apart.pid is None


def test_it_ends_when_nobody_calculates_any_more() -> None:
    """And with the process that began it, however that ends."""
    apart = Apart(idle_s=0.05)
    pid = apart(os.getpid)
    until("it has ended", lambda: not runs(pid))
    assert apart.pid is None and apart(os.getpid) != pid
    apart.close()
    code = "import os; from benchd.apart import Apart; print(Apart()(os.getpid), flush=True); os._exit(0)"
    pid = int(subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout)
    until("it has ended too", lambda: not runs(pid))
