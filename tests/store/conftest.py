"""Stores to test on: a SQLite file, and a PostgreSQL cluster of our own that lives as long as the test run."""

from __future__ import annotations

import glob
import itertools
import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from benchd.store import Store

_numbers = itertools.count(1)


class Cluster:
    """A PostgreSQL server on a unix socket only, run as user postgres when the tests run as root."""

    def __init__(self, room: Path) -> None:
        self.room = room
        self.bin = Path(sorted(glob.glob("/usr/lib/postgresql/*/bin"))[-1])
        self.as_user = ["runuser", "-u", "postgres", "--"] if os.geteuid() == 0 else []
        if self.as_user:
            owner = pwd.getpwnam("postgres")
            os.chown(room, owner.pw_uid, owner.pw_gid)

    def run(self, program: str, *args: str) -> str:
        command = [*self.as_user, str(self.bin / program), *args]
        done = subprocess.run(command, capture_output=True, text=True, timeout=120, cwd="/")
        assert done.returncode == 0, f"{command}: {done.stdout}{done.stderr}"
        return done.stdout

    def make(self) -> None:
        data = str(self.room / "data")
        self.run("initdb", "-D", data, "-U", "postgres", "--auth=trust", "--encoding=UTF8", "--no-sync")

    def start(self) -> None:
        data = str(self.room / "data")
        options = f"-c listen_addresses='' -c unix_socket_directories='{self.room}' -c fsync=off"
        self.run("pg_ctl", "-D", data, "-o", options, "-l", str(self.room / "log"), "-w", "start")

    def stop(self) -> None:
        self.run("pg_ctl", "-D", str(self.room / "data"), "-m", "immediate", "-w", "stop")

    def kill(self) -> None:
        """Kill the server's first process as `kill -9` does; wait until what it left is gone too.

        Its other processes end by themselves as soon as they see that; until none is left, nor known to the kernel, a
        server refuses to start on the same folder (PostgreSQL 15 documentation, 19.5).
        """
        first = int((self.room / "data" / "postmaster.pid").read_text().split()[0])
        left = [first, *children(first)]
        os.kill(first, signal.SIGKILL)
        end = time.monotonic() + 60
        while alive := [process for process in left if Path(f"/proc/{process}").exists()]:
            assert time.monotonic() < end, f"of a killed server there are still {alive}"
            time.sleep(0.01)

    def new_database(self) -> str:
        """The URL of a new, empty database."""
        name = f"bench{next(_numbers)}"
        self.run("createdb", "-h", str(self.room), "-U", "postgres", name)
        return f"postgresql://postgres@/{name}?host={self.room}"


def children(parent: int) -> list[int]:
    """The processes that a process has started, by the kernel."""
    return [
        int(word) for task in Path(f"/proc/{parent}/task").iterdir() for word in (task / "children").read_text().split()
    ]


@pytest.fixture(scope="session")
def cluster() -> Iterator[Cluster]:
    room = Path(tempfile.mkdtemp(prefix="pg"))  # short: a socket's path may have 107 bytes
    try:
        cluster = Cluster(room)
        cluster.make()
        cluster.start()
        try:
            yield cluster
        finally:
            cluster.stop()
    finally:
        shutil.rmtree(room)


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.peer("postgresql"))])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Where a new store can be: a path or a URL."""
    if request.param == "sqlite":
        return str(tmp_path / "bench.db")
    made: Callable[[], str] = request.getfixturevalue("cluster").new_database
    return made()


@pytest.fixture
def store(place: str) -> Iterator[Store]:
    with Store.open(place) as opened:
        yield opened
