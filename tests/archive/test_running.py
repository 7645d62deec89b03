"""`benchd archive run` at a real broker: what was acknowledged is in the database, what was not comes again."""

from __future__ import annotations

import random
from pathlib import Path

import httpx
import pytest
from archive.archive_peer import ArchiveProcess, say, wait
from archive.telling import Bench, as_read, summed
from sinks.broker_peer import Mosquitto
from store.conftest import Cluster

from benchd.archive.database import ArchiveStore
from benchd.store.database import Database

pytestmark = pytest.mark.peer("mosquitto")


def missing(archive: ArchiveProcess) -> int:
    found = archive.get("/api/archive/behind")
    return int(found["missing"]) if found else -1


def whole(archive: ArchiveProcess, events: int) -> bool:
    found = archive.get("/api/archive/behind")
    return bool(found) and found["missing"] == 0 and sum(one["told"] for one in found["benches"]) == events


def test_an_archive_is_read_only_and_says_how_far_it_is(
    archive: ArchiveProcess,
    broker: Mosquitto,
    tmp_path: Path,
    benches: list[Bench],
) -> None:
    """The sum of the stores is read over HTTP; no change is taken, with one sentence; hostile messages are counted."""
    wait(archive.online, "the archive is online")
    messages = [message for bench in benches for message in bench.everything()]
    random.Random(1).shuffle(messages)
    hostile = [
        ("benchd/corner/entry", b"{"),
        ("benchd/a%40b/status", b"{}"),
        ("benchd/corner/machine/x/boot", messages[0][1]),
        ("benchd/corner/machine/x/code", b"\xff\x00"),
    ]
    say(broker.port, [*messages[:50], *hostile, *messages[50:], *(bench.status() for bench in benches)])
    wait(lambda: whole(archive, sum(bench.seq for bench in benches)), "all events are there")
    with ArchiveStore.at(tmp_path / "archive.db") as store:
        assert as_read(store) == summed(benches)
    found = archive.get("/api/archive/behind")
    assert sum(one["count"] for one in found["refused"]) == len(hostile)
    assert {"not-json", "wrong-name"} <= {one["reason"] for one in found["refused"]}
    with httpx.Client(trust_env=False, base_url=archive.url, timeout=60) as client:
        answer = client.post("/api/results", json={"check": "x", "passed": True, "trial": "T1@corner"})
        assert answer.status_code == 403
        assert answer.json()["detail"] == (
            "this is an archive of several benches, which is only read: make changes at the bench itself"
        )
        assert (
            client.delete(
                "/api/trials/T1@corner", headers={"Content-Type": "application/json", "Content-Length": "0"}
            ).status_code
            == 403
        )
        metrics = client.get("/metrics").text
        assert 'benchd_archive_boots{bench="corner"} 24.0' in metrics
        boot = client.get("/api/boots", params={"machine": "at286@corner", "limit": 1}).json()[0]["id"]
        assert client.get(f"/api/boots/{boot}/page").json()["capture"] is None
        assert "on its bench" in client.get(f"/api/boots/{boot}/record").json()["problem"]
        assert client.get("/api/studies/storage rom@corner/why").status_code == 200
    assert archive.stop() == 0


def test_what_came_while_it_was_away_or_killed_is_not_lost(
    archive: ArchiveProcess,
    broker: Mosquitto,
    tmp_path: Path,
    benches: list[Bench],
) -> None:
    """Killed in the middle, started again, the broker restarted with its store: the archive is the sum."""
    wait(archive.online, "the archive is online")
    messages = [message for bench in benches for message in bench.everything()]
    say(broker.port, messages[:60])
    archive.kill()
    say(broker.port, messages[60:120])
    archive.start()
    wait(archive.online, "the archive is online again")
    say(broker.port, messages[120:150])
    broker.stop()
    broker.start()
    wait(lambda: "connected to" in archive.log(), "the archive found the broker again")
    say(broker.port, [*messages[150:], *(bench.status() for bench in benches)])
    wait(lambda: whole(archive, sum(bench.seq for bench in benches)), "all events are there")
    with ArchiveStore.at(tmp_path / "archive.db") as store:
        assert as_read(store) == summed(benches)


def test_what_the_broker_forgot_is_missing_by_its_numbers(
    archive: ArchiveProcess,
    broker: Mosquitto,
    benches: list[Bench],
) -> None:
    """A broker whose session store is lost drops what comes before the archive is back: it is told exactly."""
    wait(archive.online, "the archive is online")
    bench = benches[0]
    messages = bench.everything()
    say(broker.port, messages[:30])
    wait(lambda: archive.get("/api/health")["sinks"][0]["taken"] >= 30, "they are there")
    archive.stop()
    broker.stop()
    for left in broker.folder.glob("*.db"):
        left.unlink()
    broker.start()
    say(broker.port, messages[30:40])
    archive.start()
    wait(archive.online, "the archive is online again")
    say(broker.port, [*messages[40:], bench.status()])
    wait(lambda: missing(archive) == 10, "ten events are missing")
    assert archive.get("/api/archive/behind")["benches"][0]["boxes"][0]["ranges"] == [[31, 40]]


@pytest.mark.peer("postgresql")
def test_the_database_stops_and_two_processes_share_the_work(
    broker: Mosquitto,
    tmp_path: Path,
    cluster: Cluster,
    benches: list[Bench],
) -> None:
    """Nothing is acknowledged while the database is away, and nothing is lost."""
    place = cluster.new_database()
    both = [ArchiveProcess(tmp_path / name, broker.port, place, name) for name in ("one", "two")]
    try:
        for one in both:
            one.start()
        for one in both:
            wait(one.online, "both are online")
        messages = [message for bench in benches for message in bench.everything()]
        say(broker.port, messages[:40])
        cluster.stop()
        try:
            say(broker.port, messages[40:])
            wait(lambda: any("not acknowledged" in one.log() for one in both), "it is said that the database is away")
        finally:
            cluster.start()
        say(broker.port, [bench.status() for bench in benches])
        wait(lambda: whole(both[0], sum(bench.seq for bench in benches)), "all events are there")
        with ArchiveStore.at(place) as store:
            assert as_read(store) == summed(benches)
        counts = [one.get("/api/health")["sinks"][0]["taken"] for one in both]
        assert all(counts), counts
    finally:
        for one in both:
            one.stop()


def test_a_database_of_something_else_is_refused(tmp_path: Path) -> None:
    """A bench's store is no archive: nothing is changed in it, and it is said before anything runs."""
    Database(tmp_path / "benchd.db", create=True, read_only=False).close()
    process = ArchiveProcess(tmp_path / "archive", 1, str(tmp_path / "benchd.db"))
    process.start()
    assert process.process is not None
    assert process.process.wait(30) == 2
    process.process = None
    assert "the store of a bench, not an archive" in process.log()
