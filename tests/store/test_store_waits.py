"""A store that does not answer, is not there yet or may not be written: told within a stated time, and got over."""

from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from benchd.errors import ExternalError, UsageError
from benchd.store import Store, StoredStudy, database
from benchd.vocabulary.models import Boot

BOOT = Boot(id="b1", machine="at286", table="t", started="2026-03-01T20:00:00+01:00", outcome="finished")


def seconds(work: Any) -> float:
    began = time.monotonic()
    with pytest.raises(ExternalError):
        work()
    return time.monotonic() - began


@pytest.mark.peer("postgresql")
def test_a_server_that_stands_still(cluster: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every process of the server stopped (SIGSTOP): reading, writing and opening end in time, and work afterwards."""
    monkeypatch.setattr(database, "CALL_S", 1.0)
    monkeypatch.setattr(database, "BUSY_S", 1.0)
    place = cluster.new_database()
    with Store.open(place) as store:
        store.save_boot(BOOT)
        head = int((cluster.room / "data/postmaster.pid").read_text().split()[0])
        found = subprocess.run(["pgrep", "-P", str(head)], capture_output=True, text=True, check=True).stdout
        processes = [head, *map(int, found.split())]
        for process in processes:
            os.kill(process, signal.SIGSTOP)
        try:
            assert seconds(lambda: store.save_boot(BOOT)) < 4
            assert seconds(store.boots) < 4
            assert seconds(lambda: Store.open(place)) < 4
        finally:
            for process in processes:
                os.kill(process, signal.SIGCONT)
        assert store.boots() == [BOOT]
        store.save_boot(BOOT)


@pytest.mark.peer("postgresql")
def test_a_connection_that_was_cut_is_replaced(cluster: Any) -> None:
    """The server restarted between two calls: the second one does not see it."""
    with Store.open(cluster.new_database()) as store:
        store.save_boot(BOOT)
        cluster.stop()
        assert seconds(store.boots) < 10
        cluster.start()
        assert store.boots() == [BOOT]


@pytest.mark.peer("postgresql")
def test_a_lock_that_is_held(cluster: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """A table locked by somebody: the server's own time-out ends the call, in words."""
    monkeypatch.setattr(database, "BUSY_S", 0.5)
    place = cluster.new_database()
    with Store.open(place) as store:
        holder = sa.create_engine(place.replace("postgresql://", "postgresql+psycopg://"))
        with holder.begin() as connection:
            connection.execute(sa.text("LOCK TABLE boot"))
            began = time.monotonic()
            with pytest.raises(ExternalError, match=r"no answer within 0\.5 s"):
                store.save_boot(BOOT)
            assert time.monotonic() - began < 3
        holder.dispose()
        store.save_boot(BOOT)


def test_a_store_opened_later(tmp_path: Path) -> None:
    """Opened lazily, a damaged file is told by each call, as trouble from outside; put right, it works by itself."""
    path = tmp_path / "data" / "bench.db"
    path.parent.mkdir()
    path.write_text("not a database, but long enough to be looked at by one\n" * 40)
    with Store.open(path, lazily=True) as store:
        for _ in range(2):
            with pytest.raises(ExternalError, match="not a database"):
                store.save_boot(BOOT)
        path.unlink()
        path.mkdir()
        with pytest.raises(ExternalError, match="is a directory"):
            store.boots()
        path.rmdir()
        store.save_boot(BOOT)
        assert store.boots() == [BOOT]
    with pytest.raises(UsageError, match="'mysql' database"):
        Store.open("mysql://h/d", lazily=True)
    assert Store.open(tmp_path / "none" / "x.db", lazily=True).close() is None
    assert not (tmp_path / "none").exists()


def test_a_lock_on_the_file_is_waited_for_a_stated_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Also while a store is opened, and by calls at once in many threads."""
    monkeypatch.setattr(database, "BUSY_S", 0.3)
    path = tmp_path / "bench.db"
    Store.open(path).close()
    holder = sqlite3.connect(path, isolation_level=None)
    holder.execute("BEGIN EXCLUSIVE")
    with Store.open(path, lazily=True) as store:
        assert seconds(lambda: store.save_boot(BOOT)) < 2
        holder.execute("ROLLBACK")
        store.save_boot(BOOT)
    holder.close()


# ------------------------------------------------------------------ folders that may only be read


@pytest.fixture
def folder() -> Iterator[Path]:
    """A data folder that another user may look into."""
    found = Path(tempfile.mkdtemp())
    found.chmod(0o755)
    yield found
    for path in [found, *found.rglob("*")]:
        path.chmod(0o755 if path.is_dir() else 0o644)
    shutil.rmtree(found)


def as_reader(*command: str, cwd: Path) -> str:
    """Run a command bound by the modes of files, as any user but root is: without root's rights to pass them over."""
    bound = ["setpriv", "--bounding-set=-dac_override,-dac_read_search,-fowner"] if os.geteuid() == 0 else []
    done = subprocess.run([*bound, *command], capture_output=True, text=True, cwd=cwd, timeout=60)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def closed(folder: Path) -> None:
    for path in [*folder.rglob("*"), folder]:
        path.chmod(0o555 if path.is_dir() else 0o444)


QUESTION = {
    "question": "why does the storage card's ROM not run?",
    "goal": {"kind": "stage-reached", "target": "hand-over"},
    "factor": [{"name": "rom-base", "levels": ["C800", "D800"], "minutes": 6.5}],
}
LISTER = (
    "import sys; from benchd.store import Store; print([b.id for b in Store.open(sys.argv[1], create=False).boots()])"
)


@pytest.mark.parametrize("left", ["closed", "killed", "killed, log only", "written still"])
def test_a_folder_that_may_only_be_read(folder: Path, left: str) -> None:
    """Closed, left by a kill with a log to apply, or still written: all boots are seen, nothing is made."""
    path = folder / "bench.db"
    store = Store.open(path)
    store.save_boot(BOOT)
    if left == "closed":
        store.close()
    elif left.startswith("killed"):
        copies = {kind: (folder / f"bench.db{kind}").read_bytes() for kind in ("", "-wal", "-shm")}
        store.close()
        for kind, data in copies.items():
            if kind != "-shm" or left == "killed":
                (folder / f"bench.db{kind}").write_bytes(data)
        assert copies["-wal"]
    before = sorted(folder.iterdir())
    closed(folder)
    if left == "written still":
        store.save_boot(BOOT.model_copy(update={"id": "b2"}))
    told = as_reader(sys.executable, "-W", "error", "-c", LISTER, str(path), cwd=Path(__file__).parents[2])
    assert told == ("['b2', 'b1']\n" if left == "written still" else "['b1']\n")
    assert sorted(folder.iterdir()) == before
    store.close()


def test_reading_commands_on_a_folder_that_may_only_be_read(folder: Path) -> None:
    """`boots`, `show`, its trace (whose index cannot be written), `why`, `trial show`: as on the folder before."""
    from live.by_capture import codes, write
    from support.story import TABLE

    from benchd.vocabulary.records import Annotation
    from benchd.watch.replay import Replay

    records = [record for n in range(20) for record in codes(1 + 20 * n)]
    capture = write(folder / "data/captures/pc/a.pcapng", [*records, Annotation(10**12, "end", "")], text=TABLE)
    with Store.open(folder / "data/benchd.db") as store:
        for boot in Replay([capture]).boots():
            store.save_boot(boot.model_copy(update={"trial": "T1"}), capture=str(capture))
        store.save_study(StoredStudy(name="s", document=QUESTION, created=BOOT.started, edited=BOOT.started))
        for level in ("C800", "D800"):
            store.start_trial(study="s", machine="pc", setup={"rom-base": level}, changed={}, started=BOOT.started)
    (folder / "story.toml").write_text(TABLE)
    (folder / "bench.toml").write_text(
        '[bench]\nname = "b"\n[[machine]]\nname = "pc"\nrules = "story.toml"\n'
        '[[machine.link]]\nkind = "post"\nport = "/dev/none"\n'
    )
    commands = [["boots"], ["boots", "--json"], ["show", "last"], ["show", "last", "--trace"]]
    commands += [["why", "s"], ["why", "s", "--json"], ["trial", "show", "T1"], ["trial", "show", "T1", "--json"]]

    def ask() -> list[str]:
        return [as_reader(sys.executable, "-m", "benchd", *command, cwd=folder) for command in commands]

    written = ask()
    (folder / "data/captures/pc/a.pcapng.index").unlink()
    closed(folder)
    assert ask() == written
    assert all(word in written[n] for n, word in enumerate(["finished", "finished", "hand-over", "hand-over"]))
    assert "rom-base" in written[4] and '"causes"' in written[5] and "T1" in written[6] and '"ok": 20' in written[7]
    assert not (folder / "data/captures/pc/a.pcapng.index").exists()
