"""The archive equals the sum of the benches' stores, whatever is killed: real benches' outboxes and sessions, a real
broker, two archive processes, a real PostgreSQL."""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from archive.archive_peer import ArchiveProcess, wait
from archive.telling import Bench, as_read, summed
from sinks.broker_peer import Mosquitto
from store.conftest import Cluster

from benchd.archive.database import ArchiveStore
from benchd.store import Store

pytestmark = pytest.mark.peer("mosquitto", "postgresql")
TESTS = Path(__file__).resolve().parents[1]


class Swarm:
    """A process of benches `first` to `last`."""

    def __init__(self, folder: Path, port: int, first: int, last: int, boots: int) -> None:
        self.folder, self.words = folder, [str(folder), str(port), str(first), str(last), str(boots)]
        self.names = [f"bench{n:03d}" for n in range(first, last + 1)]
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with (self.folder / "swarm.log").open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, str(Path(__file__).with_name("swarm.py")), *self.words],
                stdout=log, stderr=log, env=os.environ | {"PYTHONPATH": f"{TESTS}{os.pathsep}{TESTS.parent}"},
            )  # fmt: skip

    def kill(self) -> None:
        assert self.process is not None
        self.process.kill()
        self.process.wait(10)

    def stop(self) -> None:
        if self.process is not None:
            self.process.terminate()
            self.process.wait(60)
            self.process = None

    def drained(self) -> bool:
        assert self.process is not None and self.process.poll() is None, (self.folder / "swarm.log").read_text()[-3000:]
        return all((self.folder / name / "drained").exists() for name in self.names)


@dataclass
class Club:
    """All parts, and how each of them is killed and started again."""

    folder: Path
    broker: Mosquitto
    cluster: Cluster
    place: str
    archives: list[ArchiveProcess]
    swarms: list[Swarm]

    def parts(self) -> dict[str, Callable[[], None]]:
        return {
            **{f"archive {one.folder.name}": lambda one=one: (one.kill(), one.start()) for one in self.archives},  # type: ignore[misc]
            **{f"benches {one.names[0]}": lambda one=one: (one.kill(), one.start()) for one in self.swarms},  # type: ignore[misc]
            "broker with its store": lambda: (self.broker.stop(), self.broker.start()),  # type: ignore[func-returns-value]
            "broker without its store": self.broker_forgets,
            "database": lambda: (self.cluster.stop(), self.cluster.start()),  # type: ignore[func-returns-value]
            "database killed": lambda: (self.cluster.kill(), self.cluster.start()),  # type: ignore[func-returns-value]
        }

    def broker_forgets(self) -> None:
        assert self.broker.process is not None
        self.broker.process.kill()
        self.broker.process.wait(10)
        for left in self.broker.folder.glob("*.db"):
            left.unlink()
        self.broker.start()

    def fill(self) -> str:
        words = ["archive", "fill", "--wait", "60s", "--config", str(self.archives[0].config)]
        done = subprocess.run(
            [sys.executable, "-m", "benchd", *words], capture_output=True, text=True, check=False, timeout=300
        )
        assert done.returncode in (0, 1), done.stderr
        return done.stdout + done.stderr if done.returncode else ""

    def database_bytes(self) -> int:
        engine = sa.create_engine(self.place.replace("postgresql://", "postgresql+psycopg://"))
        with engine.connect() as connection:
            size = connection.execute(sa.text("SELECT pg_database_size(current_database())")).scalar_one()
        engine.dispose()
        return int(size)

    def missing(self) -> int:
        found = self.archives[0].get("/api/archive/behind")
        return int(found["missing"]) if found else -1


@pytest.fixture
def club(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Callable[..., Club]]:
    """A function that sets a club up: so many benches in so many processes, each with so many boots."""
    folder = Path(tempfile.mkdtemp(prefix="club", dir="/dev/shm" if os.access("/dev/shm", os.W_OK) else None))
    made: list[Club] = []

    def make(processes: int, each: int, boots: int) -> Club:
        cluster: Cluster = request.getfixturevalue("cluster")
        broker = Mosquitto(folder / "broker", ["allow_anonymous true", "max_inflight_messages 200"])
        broker.start()
        place = cluster.new_database()
        archives = [ArchiveProcess(folder / name, broker.port, place, name) for name in ("one", "two")]
        swarms = [Swarm(folder, broker.port, n * each, n * each + each - 1, boots) for n in range(processes)]
        made.append(Club(folder, broker, cluster, place, archives, swarms))
        for one in archives:
            one.start()
        for one in archives:
            wait(one.online, "the archive is online")
        return made[0]

    try:
        yield make
    finally:
        for club in made:
            for part in (*club.swarms, *club.archives):
                part.stop()
            club.broker.stop()
        shutil.rmtree(folder, ignore_errors=True)


def prove(
    club: Club, rounds: int, seed: int, *, most_s: float = 4.0, away_s: float = 0.0, patience_s: float = 200.0
) -> dict[str, Any]:
    """Let benches live while parts are killed in turn; then the archive must be the sum. Returns figures.

    Between two kills are 0.5 to `most_s` seconds; `away_s`: the database is stopped for so long after them.
    """
    rng = random.Random(seed)
    began = time.monotonic()
    for swarm in club.swarms:
        swarm.start()
    parts = list(club.parts().items())
    for number in range(rounds):
        time.sleep(rng.uniform(0.5, most_s))
        parts[number % len(parts)][1]()
    if away_s:
        club.cluster.stop()
        time.sleep(away_s)
        club.cluster.start()
    wait(lambda: all(swarm.drained() for swarm in club.swarms), "all benches have told all", patience_s)
    wait(lambda: all(one.online() for one in club.archives), "both archives are online")
    said = "not asked"
    for _ in range(6):
        if not (said := club.fill()) and club.missing() == 0:
            break
        time.sleep(2)
    assert said == "", said
    took_s = time.monotonic() - began
    for swarm in club.swarms:
        swarm.stop()
    benches = [
        Bench(name, Store.open(club.folder / name / "benchd.db")) for swarm in club.swarms for name in swarm.names
    ]
    with ArchiveStore.at(club.place) as store:
        there, wanted = as_read(store), summed(benches)
        for kind in wanted:
            assert len(there[kind]) == len(wanted[kind]), kind
            different = [(a, b) for a, b in zip(there[kind], wanted[kind], strict=True) if a != b]
            assert not different, (kind, different[:2])
        assert len(store.log()) == sum(len(bench.store.log()) for bench in benches if bench.store)
    boots = len(wanted["boots"])
    sinks = [one.get("/api/health")["sinks"][0] for one in club.archives]
    return {
        "boots": boots,
        "seconds": round(took_s),
        "boots_a_second": round(boots / took_s, 1),
        "bytes_an_event": round(sum(one["bytes"] for one in sinks) / max(1, sum(one["taken"] for one in sinks))),
        "events_a_batch": round(sum(one["taken"] for one in sinks) / max(1, sum(one["batches"] for one in sinks)), 1),
        "database_bytes_a_boot": round(club.database_bytes() / boots),
    }


def test_a_small_club_through_kills(club: Callable[..., Club]) -> None:
    """Two benches, each part killed or restarted once: record by record the sum."""
    made = club(1, 2, 40)
    figures = prove(made, len(made.parts()), seed=7)
    assert figures["boots"] >= 76


def test_an_archive_that_is_new_is_filled(club: Callable[..., Club]) -> None:
    """It misses all that was told before it; the bench tells that again when asked, or it is said why it cannot."""
    made = club(1, 1, 12)
    (swarm,) = made.swarms
    swarm.start()
    wait(swarm.drained, "the bench has told all")
    for one in made.archives:
        one.stop()
    made.place = made.cluster.new_database()
    made.archives[:] = [ArchiveProcess(made.folder / "new", made.broker.port, made.place, "new", share="new")]
    made.archives[0].start()
    wait(made.archives[0].online, "the new archive is online")
    wait(lambda: made.missing() > 20, "it knows by the bench's status what it lacks")
    assert made.fill() == ""
    bench = Bench(swarm.names[0], Store.open(made.folder / swarm.names[0] / "benchd.db"))
    with ArchiveStore.at(made.place) as store:
        assert as_read(store) == summed([bench])
    swarm.stop()
    wait(lambda: made.archives[0].get("/api/archive/behind")["silent"] == swarm.names, "the bench is silent")
    words = ["archive", "fill", swarm.names[0], "--everything", "--config", str(made.archives[0].config)]
    done = subprocess.run([sys.executable, "-m", "benchd", *words], capture_output=True, text=True, check=False)
    assert done.returncode == 1
    why = "not asked: it is not there now (stopped): ask again when it is; nothing lacks"
    assert done.stdout == f"{swarm.names[0]}: {why}\n"
    words = ["archive", "status", "--config", str(made.archives[0].config)]
    done = subprocess.run([sys.executable, "-m", "benchd", *words], capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "nothing missing, 1 of 1 benches silent" in done.stdout
    assert "SILENT" in done.stdout


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_fifty_benches_and_twenty_thousand_boots(club: Callable[..., Club]) -> None:
    """Eleven parts killed twice each, at random times, the database away for a minute: record by record the sum."""
    made = club(5, 10, 412)
    figures = prove(made, 2 * len(made.parts()), seed=11, most_s=25.0, away_s=60.0, patience_s=2400.0)
    print(figures)
    assert figures["boots"] >= 20_000
