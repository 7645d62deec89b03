"""What was promised to be kept is there: after kills, on a full disk, with several processes at work."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from benchd.capture import read_capture
from benchd.errors import ExternalError
from benchd.store import Store
from benchd.vocabulary.models import Boot
from benchd.vocabulary.records import Chunk

KILLS = 30
SEED = 20260301

COMMON = """
import json, os, random, resource, signal, sys, time
from benchd.capture import CaptureWriter
from benchd.errors import ExternalError
from benchd.vocabulary.models import Boot, Finding, Stage
from benchd.vocabulary.records import Chunk, LinkInfo
from benchd.store import Store

def boot(name, outcome="finished", n=8):
    return Boot(id=name, machine="at286", started="2026-03-01T20:00:00+01:00", outcome=outcome, codes=n,
                stages=[Stage(name=f"s{i}", t=i, u=0.5) for i in range(n)],
                findings=[Finding(kind="slow", rule="r", t=1.0, try_=["a"])])
"""

KILLED = (
    COMMON
    + """
room, seed, kills = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
chance = random.Random(seed)

def work(number):
    told = os.open(f"{room}/told-{number}", os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    tell = lambda *what: os.write(told, (json.dumps(what) + "\\n").encode())
    writer = CaptureWriter(f"{room}/{number}.pcapng", machine="at286", table="t", wall_ns=10**18, mono_ns=0,
                           links=[LinkInfo("post", "post", "raw")])
    store = Store.open(f"{room}/bench.db")
    records = boots = 0
    while True:
        boots += 1
        store.save_boot(boot(f"{number}-{boots}", "running", 3), capture=f"{number}.pcapng")
        for _ in range(5):
            writer.write(Chunk("post", records, records.to_bytes(4, "big") * (records % 7)))
            records += 1
            tell("written", records)
        writer.sync()
        tell("synced", records)
        store.save_boot(boot(f"{number}-{boots}"))
        tell("finished", f"{number}-{boots}")

for number in range(kills):
    child = os.fork()
    if child == 0:
        try:
            work(number)
        finally:
            os._exit(1)
    # Told lines are waited for, so that a busy machine kills as deep into the work as an idle one;
    # every fifth child is killed while it still opens its files.
    wanted = 0 if number % 5 == 0 else chance.randrange(1, 4000)
    path = f"{room}/told-{number}"
    while not os.path.exists(path) or os.path.getsize(path) < wanted:
        assert os.waitpid(child, os.WNOHANG) == (0, 0)
        time.sleep(0.0005)
    time.sleep(chance.uniform(0, 0.03 if wanted == 0 else 0.005))
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGKILL, status
"""
)


def python(script: str, *args: str, timeout: int = 120) -> str:
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", script, *args], capture_output=True, text=True, timeout=timeout
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_kill_9_loses_nothing_that_was_reported(tmp_path: Path) -> None:
    """30 writers killed at random moments: each record written, each finished boot saved is there, whole."""
    python(KILLED, str(tmp_path), str(SEED), str(KILLS))
    with Store.open(tmp_path / "bench.db", create=False) as store:
        boots = {boot.id: boot for boot in store.boots()}
        captures = {boot.id: store.capture_of(boot.id) for boot in store.boots()}
        running = sorted(name for name, boot in boots.items() if boot.outcome == "running")
        assert sorted(store.close_running("at286", "killed")) == running
    finished = in_midst = 0
    for number in range(KILLS):
        told = [json.loads(line) for line in (tmp_path / f"told-{number}").read_text().splitlines()]
        path = tmp_path / f"{number}.pcapng"
        if not told and not path.exists():
            continue  # killed before it made its capture
        records = list(read_capture(path).records())
        written = max([count for what, count in told if what in ("written", "synced")], default=0)
        assert written <= len(records) <= written + 1, f"seed {SEED}, kill {number}"
        assert records == [Chunk("post", n, n.to_bytes(4, "big") * (n % 7)) for n in range(len(records))]
        for name in (count for what, count in told if what == "finished"):
            assert boots[name].outcome == "finished", f"seed {SEED}, kill {number}: {name}"
            assert captures[name] == str(path)
            finished += 1
        in_midst += bool(told)
    for boot in boots.values():  # never half a boot
        stages = 3 if boot.outcome == "running" else 8
        assert (len(boot.stages), boot.codes, len(boot.findings)) == (stages, stages, 1)
    # The test proves nothing unless most children were killed while at work.
    assert in_midst > KILLS // 2 and finished > KILLS


FULL = (
    COMMON
    + """
store = Store.open(sys.argv[1])
resource.setrlimit(resource.RLIMIT_FSIZE, (2_000_000, resource.RLIM_INFINITY))
done = 0
try:
    while True:
        store.save_boot(boot(f"b{done}"))
        done += 1
except ExternalError as error:
    print(error)
print(done, len(store.boots()))
resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
store.save_boot(boot("after"))
print(len(store.boots()))
store.close()
"""
)


def test_a_full_disk_is_told_and_the_store_goes_on(tmp_path: Path) -> None:
    """A file that may not grow: an error with path and advice; saved boots stay readable; later it goes on."""
    path = tmp_path / "bench.db"
    message, counts, after = python(FULL, str(path)).strip().split("\n")
    assert message.startswith(f"store {path}: the disk ") and "free space" in message
    done, listed = map(int, counts.split())
    assert done == listed > 10
    assert int(after) == done + 1
    with Store.open(path, create=False) as store:
        assert len(store.boots()) == done + 1


WRITER = (
    COMMON
    + """
store = Store.open(sys.argv[1])
for n in range(40):
    store.save_boot(boot(f"{sys.argv[2]}-{n}", "running", 3))
    store.save_boot(boot(f"{sys.argv[2]}-{n}"))
store.close()
"""
)


def test_two_processes_write_while_a_third_reads(place: str) -> None:
    """All boots of both writers arrive; the reader always sees whole boots and never fewer than before."""
    Store.open(place).close()
    command = [sys.executable, "-W", "error", "-c", WRITER, place]
    writers = [subprocess.Popen([*command, name], stderr=subprocess.PIPE, text=True) for name in "ab"]
    seen = looked = 0
    with Store.open(place, read_only=True) as reader:
        while any(writer.poll() is None for writer in writers):
            found = reader.boots()
            assert len(found) >= seen
            seen, looked = len(found), looked + 1
            for boot in found:
                assert len(boot.stages) == boot.codes == (3 if boot.outcome == "running" else 8)
        errors = [writer.communicate(timeout=60)[1] for writer in writers]
        assert [writer.returncode for writer in writers] == [0, 0], errors
        names = {boot.id for boot in reader.boots(outcome="finished")}
    assert names == {f"{name}-{n}" for name in "ab" for n in range(40)}
    assert looked > 1


@pytest.mark.peer("postgresql")
def test_a_restarted_server_is_used_again(cluster) -> None:  # type: ignore[no-untyped-def]
    """While PostgreSQL is away saving fails with an ExternalError; when it is back the same store goes on."""
    boot = Boot(id="b1", machine="m", started="2026-03-01T20:00:00+01:00", outcome="finished")
    with Store.open(cluster.new_database()) as store:
        store.save_boot(boot)
        cluster.stop()
        with pytest.raises(ExternalError, match="server"):
            store.save_boot(boot)
        cluster.start()
        assert store.boots() == [boot]
        store.save_boot(boot.model_copy(update={"id": "b2"}))
        assert len(store.boots()) == 2
