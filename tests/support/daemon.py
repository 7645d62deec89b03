"""A real `benchd run` in a process of its own, with settings made for the test; ended by its pid."""

from __future__ import annotations

import contextlib
import json
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any, TypeVar

from support import started

T = TypeVar("T")
BENCHD = (sys.executable, "-m", "benchd")


def free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


def wait_for(what: Callable[[], T], limit_s: float = 60.0, every_s: float = 0.02) -> T:
    """Return the first true value of `what()`; fail with its last value after `limit_s`."""
    deadline = time.monotonic() + limit_s
    while True:
        value = what()
        if value:
            return value
        assert time.monotonic() < deadline, f"nothing after {limit_s} s; last value {value!r}"
        time.sleep(every_s)


def link_toml(kind: str, port: str, **keys: object) -> str:
    lines = [f'[[machine.link]]\nkind = "{kind}"\nport = {json.dumps(port)}']
    lines += [f"{key} = {json.dumps(value)}" for key, value in keys.items()]
    return "\n".join(lines) + "\n"


def benchd(*words: str, code: int | None = 0, cwd: Path | None = None, stdin: str | None = None) -> str:
    """Run a command; return its standard output. Fails unless it ends with `code` (None: any)."""
    done = started.run(words, cwd=cwd, stdin=stdin)
    assert code is None or done.returncode == code, f"exit {done.returncode}\n{done.stdout}\n{done.stderr}"
    return done.stdout


class DaemonProcess:
    """`benchd run` on a settings file in `folder`. `machines` is the TOML of the machines.

    `prefix` is put before the command: a program that runs it with fewer rights, for example.
    """

    def __init__(self, folder: Path, machines: str, extra: str = "", prefix: Sequence[str] = ()) -> None:
        self.folder = folder
        self.prefix = prefix
        self.port = free_port()
        self.config = folder / "bench.toml"
        self.config.write_text(
            f'[bench]\nname = "bench1"\ndata = "data"\n[http]\nlisten = "127.0.0.1:{self.port}"\n{extra}\n{machines}'
        )
        self.log = folder / "run.log"
        self.process: subprocess.Popen[bytes] | started.Process | None = None

    def start(self) -> DaemonProcess:
        with self.log.open("ab") as log:
            words = ("run", "--config", str(self.config))
            if self.prefix:
                self.process = subprocess.Popen([*self.prefix, *BENCHD, *words], stdout=log, stderr=log)
            else:
                self.process = started.start(words, None, log, log)
        try:
            wait_for(self._up)
        except BaseException:
            self.process.kill()
            self.process.wait()
            raise
        return self

    def _up(self) -> bool:
        assert self.process is not None
        assert self.process.poll() is None, self.log.read_text()
        with contextlib.suppress(OSError):
            return "sinks" in self.api("/api/health")
        return False

    def api(self, path: str) -> Any:
        opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
        with opener.open(f"http://127.0.0.1:{self.port}{path}", timeout=10) as answer:
            body = answer.read().decode()
            return json.loads(body) if "json" in answer.headers["Content-Type"] else body

    def links_up(self) -> bool:
        return all(link["up"] for machine in self.api("/api/machines") for link in machine["links"].values())

    def metric(self, name: str, **labels: str) -> float:
        """Return the sum of the samples with this name and these labels."""
        from prometheus_client.parser import text_string_to_metric_families

        return sum(
            sample.value
            for family in text_string_to_metric_families(self.api("/metrics"))
            for sample in family.samples
            if sample.name == name and labels.items() <= sample.labels.items()
        )

    def boots(self, *words: str) -> list[dict[str, Any]]:
        """Return `benchd boots --json`, or [] while there is no store."""
        done = started.run(["boots", "--json", "--config", str(self.config), *words])
        if done.returncode == 2 and ("nothing is stored yet" in done.stderr or "is set up by the first" in done.stderr):
            return []
        assert done.returncode == 0, done.stderr
        return json.loads(done.stdout)  # type: ignore[no-any-return]

    def captures(self) -> list[Path]:
        return sorted((self.folder / "data/captures").rglob("*.pcapng"))

    def end(self, how: int = signal.SIGTERM) -> int:
        assert self.process is not None
        if self.process.poll() is None:
            self.process.send_signal(how)
        return self.process.wait(60)

    def __enter__(self) -> DaemonProcess:
        return self.start()

    def __exit__(self, *exc: object) -> None:
        if self.process is not None and self.process.poll() is None:
            try:
                self.end()
            except subprocess.TimeoutExpired:
                self.process.kill()
                raise


@contextlib.contextmanager
def closing(*things: Any) -> Iterator[Sequence[Any]]:
    """Close all of `things` at the end, in reverse order."""
    with contextlib.ExitStack() as stack:
        for thing in things:
            stack.callback(thing.close)
        yield things
