"""Old boots are read in threads of their own: few at once, a short queue, ended when nobody waits."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from fastapi import HTTPException
from live.by_capture import GOOD, NS, codes, write
from support.story import TABLE
from web.rig import Rig

from benchd.demo import at286
from benchd.vocabulary.events import BootStarted
from benchd.vocabulary.models import Boot
from benchd.vocabulary.records import Annotation
from benchd.watch.replay import Replay
from benchd.web import record as recording
from benchd.web.record import Records


@pytest.fixture
def records(tmp_path: Path) -> Iterator[Records]:
    found = Records(tmp_path)
    yield found
    found.close()


def capture(folder: Path, boots: int, name: str = "a") -> tuple[Path, list[str]]:
    whole = [record for n in range(boots) for record in codes(1 + 20 * n)]
    path = write(folder / f"{name}.pcapng", [*whole, Annotation(10**9 * NS, "end", "")], text=TABLE, machine=name)
    return path, [e.boot.id for e in Replay([path]).events() if isinstance(e, BootStarted)]


def test_a_record_is_kept_once_the_boot_is_over(tmp_path: Path, records: Records) -> None:
    """Codes as sent; read again while the boot may still change, from memory afterwards."""
    path, (first, second) = capture(tmp_path, 2)
    assert [code.code for code in records.of(first, path, False).codes] == [f"{code:02X}" for _, code in GOOD]
    whole = records.of(second, path, True)
    path.unlink()
    assert records.of(second, path, True) == whole
    assert records.of(first, path, False).problem == "its capture is not there any more"
    assert "does not hold" in str(records.of("pc-x", write(path, codes(1), text=TABLE), True).problem)


def test_readers_are_few_and_the_queue_is_short(tmp_path: Path, records: Records) -> None:
    """Two threads, eight boots at most; then 503 and why; the same boot again costs no place. All are answered."""
    files = [capture(tmp_path, 150, f"m{n}") for n in range(10)]
    asked = []
    for path, ids in files[: recording.WAITING]:
        asked.append(records.ask(ids[-1], path, True))
    with pytest.raises(HTTPException) as refused:
        records.ask(files[8][1][-1], files[8][0], True)
    assert refused.value.status_code == 503 and refused.value.detail == (
        f"{recording.WAITING} boots are being read already: ask again in a moment"
    )
    assert records.ask(files[7][1][-1], files[7][0], True) is asked[7]
    busy = [thread for thread in threading.enumerate() if thread.name.startswith("old-boots")]
    assert 1 <= len(busy) <= recording.AT_ONCE
    for reading in asked:
        assert len(reading.future.result(60).codes) == len(GOOD)
    assert len(records.ask(files[8][1][-1], files[8][0], True).future.result(60).codes) == len(GOOD)


@pytest.mark.parametrize("how", ["close", "leave"])
def test_a_reading_is_ended_at_once(tmp_path: Path, records: Records, how: str) -> None:
    """Seconds of work are given up within a fraction of one when benchd ends, or nobody waits any more."""
    path, ids = capture(tmp_path, 2000)
    reading = records.ask(ids[-1], path, True)
    time.sleep(0.1)
    assert not reading.future.done()
    began = time.monotonic()
    records.close() if how == "close" else records.leave(reading)
    assert reading.future.result(5).problem == "benchd is ending"
    assert time.monotonic() - began < 1.0
    if how == "leave":
        small, (other,) = capture(tmp_path, 1, "b")
        assert len(records.of(other, small, True).codes) == len(GOOD)


def test_reading_old_boots_holds_up_nothing(tmp_path: Path) -> None:
    """A daemon asked for six boots late in captures of minutes' work: boots are stored, captures synced, it stops."""
    rig = Rig(tmp_path)
    try:
        wanted = []
        for n in range(6):
            name = f"old{n}"
            folder = rig.folder / "data/captures" / name
            records = [record for k in range(3000) for record in codes(1 + 20 * k)]
            path = write(folder / "a.pcapng", [*records, Annotation(10**9 * NS, "end", "")], text=TABLE, machine=name)
            boot = Boot(id=f"{name}-x", machine=name, outcome="finished", started="2026-03-01T20:00:00+00:00")
            rig.store.save_boot(boot, capture=str(path))
            wanted.append(boot.id)
        rig.start()
        rig.wait_links()
        answers: list[int] = []

        def ask(boot: str) -> None:
            with contextlib.suppress(httpx.HTTPError), httpx.Client(trust_env=False, timeout=60) as client:
                answers.append(client.get(f"{rig.url}/api/boots/{boot}/record").status_code)

        asking = [threading.Thread(target=ask, args=(boot,), daemon=True) for boot in wanted]
        for thread in asking:
            thread.start()
        rig.play(at286.boot_script(at286.START, "ready"))
        rig.boot_ended(1)
        assert not answers, "the captures are too small for this test"
        assert rig.process is not None
        began = time.monotonic()
        rig.process.terminate()
        assert rig.process.wait(10) == 0
        assert time.monotonic() - began < 6
    finally:
        rig.close()
