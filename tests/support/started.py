"""Starting benchd quickly: a process that has imported the libraries forks for each start.

What starts is a process of its own with its own folder, environment, input and output, that runs `python -m benchd`
from the first line; only the importing of the libraries (0.7 s of processor time a start) was done once before. Tests
of how the interpreter itself starts (encodings, missing outputs, imports) start a real one.
"""

from __future__ import annotations

import array
import atexit
import contextlib
import json
import os
import runpy
import select
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import IO, Any

PRELOADED = (
    "alembic.command", "benchd.daemon", "benchd.rom", "benchd.settings", "benchd.store", "benchd.studies.service",
    "benchd.sinks.mqtt.sink", "benchd.watch.replay", "benchd.web.app", "numpy", "scipy.stats",
    "serial", "typer", "uvicorn",
)  # fmt: skip
TESTS = Path(__file__).resolve().parents[1]


class Process:
    """A started process, used as `subprocess.Popen` is: `pid`, `poll`, `wait`, `send_signal`, `kill`, `returncode`."""

    def __init__(self, answers: socket.socket) -> None:
        self._answers = answers
        self._lines = answers.makefile("r")
        self.pid = int(self._lines.readline())
        self.returncode: int | None = None

    def poll(self) -> int | None:
        if self.returncode is None and select.select([self._answers], [], [], 0)[0]:
            self.returncode = int(self._lines.readline())
            self._lines.close()
            self._answers.close()
        return self.returncode

    def wait(self, timeout: float | None = None) -> int:
        if self.returncode is None and not select.select([self._answers], [], [], timeout)[0]:
            raise subprocess.TimeoutExpired(["benchd"], timeout or 0.0)
        code = self.poll()
        assert code is not None
        return code

    def send_signal(self, number: int) -> None:
        if self.poll() is None:
            os.kill(self.pid, number)

    def kill(self) -> None:
        self.send_signal(signal.SIGKILL)

    def terminate(self) -> None:
        self.send_signal(signal.SIGTERM)


def start(
    words: Sequence[str],
    stdin: int | IO[Any] | None,
    stdout: int | IO[Any],
    stderr: int | IO[Any],
    *,
    cwd: Path | str | None = None,
    env: Mapping[str, str] | None = None,
) -> Process:
    """Start `benchd WORDS` on these open files (None: no input)."""
    answers = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    answers.connect(_server())
    request = {
        "words": list(words),
        "cwd": str(cwd or Path.cwd()),
        "env": dict(os.environ if env is None else env),
    }
    with open(os.devnull) as nothing:
        files = [nothing if stdin is None else stdin, stdout, stderr]
        numbers = array.array("i", [one if isinstance(one, int) else one.fileno() for one in files])
        data = json.dumps(request).encode()
        rights = [(socket.SOL_SOCKET, socket.SCM_RIGHTS, numbers)]
        answers.sendmsg([len(data).to_bytes(4, "big")], rights)
        answers.sendall(data)
        return Process(answers)


def run(
    words: Sequence[str],
    *,
    cwd: Path | str | None = None,
    env: Mapping[str, str] | None = None,
    stdin: str | None = None,
    timeout: float = 120,
) -> subprocess.CompletedProcess[str]:
    """Run `benchd WORDS` to its end, as `subprocess.run` with `capture_output` does."""
    with tempfile.TemporaryFile() as given, tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        given.write((stdin or "").encode())
        given.seek(0)
        process = start(words, given, out, err, cwd=cwd, env=env)
        try:
            code = process.wait(timeout)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
            raise
        texts = []
        for file in (out, err):
            file.seek(0)
            texts.append(file.read().decode())
    return subprocess.CompletedProcess(["benchd", *words], code, *texts)


# ---------------------------------------------------------------------- the process that forks


_address: str | None = None


def _server() -> str:
    """Return where this test process's own server listens; start it at first need."""
    global _address
    if _address is None:
        folder = tempfile.mkdtemp(prefix="benchd-tests-")
        address = f"{folder}/started"
        environ = os.environ | {"PYTHONPATH": str(TESTS)}
        # Its input is a pipe from here: the server ends when this process does.
        server = subprocess.Popen(
            [sys.executable, "-m", "support.started", address], stdin=subprocess.PIPE, env=environ
        )
        atexit.register(_end, server, folder)
        deadline = time.monotonic() + 60
        while not Path(address).exists():
            assert server.poll() is None and time.monotonic() < deadline, "the starting process does not start"
            time.sleep(0.01)
        _address = address
    return _address


def _end(server: subprocess.Popen[bytes], folder: str) -> None:
    assert server.stdin is not None
    server.stdin.close()
    server.wait()
    with contextlib.suppress(OSError):
        os.unlink(f"{folder}/started")
        os.rmdir(folder)


def _serve(address: str) -> list[str] | None:
    """Fork for each request; return only in the process that shall run benchd, with its words."""
    for name in PRELOADED:
        __import__(name)
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # what ended is nobody's concern here: its waiter reports
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as listener:
        listener.bind(f"{address}.new")
        listener.listen(64)
        os.rename(f"{address}.new", address)
        while True:
            ready, _, _ = select.select([listener, 0], [], [])
            if 0 in ready:
                return None
            answers, _ = listener.accept()
            if os.fork() == 0:
                listener.close()
                return _wait_for_one(answers)
            answers.close()


def _wait_for_one(answers: socket.socket) -> list[str] | None:
    """Fork the process asked for; report its number and how it ended. Returns as `_serve` does."""
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    head, files, _, _ = socket.recv_fds(answers, 4, 3)
    data = b""
    while len(data) < int.from_bytes(head, "big"):
        data += answers.recv(1 << 20)
    request = json.loads(data)
    child = os.fork()
    if child == 0:
        answers.close()
        for number, file in enumerate(files):
            os.dup2(file, number)
            os.close(file)
        os.chdir(request["cwd"])
        os.environ.clear()
        os.environ.update(request["env"])
        return request["words"]  # type: ignore[no-any-return]
    for file in [*files, 0]:
        os.close(file)
    with contextlib.suppress(OSError):  # nobody may wait any more
        answers.sendall(f"{child}\n".encode())
        _, status = os.waitpid(child, 0)
        answers.sendall(f"{os.waitstatus_to_exitcode(status)}\n".encode())
    os._exit(0)


if __name__ == "__main__":
    if (asked := _serve(sys.argv[1])) is not None:
        # As `python -m benchd` has it: no folder of the tests to import from.
        sys.path[:] = ["", *(one for one in sys.path if Path(one or ".").resolve() != TESTS)]
        sys.argv = ["benchd", *asked]
        runpy.run_module("benchd", run_name="__main__", alter_sys=True)
