"""After a kill: the store gets what the captures have, what had ended stays as it was, nothing stays running."""

from __future__ import annotations

import logging
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from live.by_capture import GOOD, NS, codes, write
from support.story import TABLE

from benchd.capture.keeper import folder_name
from benchd.store import Store
from benchd.vocabulary.records import Annotation
from benchd.watch.recover import REASON, recover
from benchd.watch.replay import Replay

END = [Annotation(500 * NS, "end", "stopped")]


@pytest.fixture
def bench(tmp_path: Path) -> Any:
    """A store, the captures' folder, and as much of a MachineWatcher as recovering looks at."""
    store = Store.open(str(tmp_path / "benchd.db"))
    yield SimpleNamespace(store=store, run=SimpleNamespace(name="pc/1", base=tmp_path), captures=tmp_path / "captures")
    store.close()


def file(bench: Any, name: str) -> Path:
    return bench.captures / folder_name("pc/1") / name  # type: ignore[no-any-return]


def test_a_boot_under_way_is_rebuilt_and_closed(bench: Any) -> None:
    """The store had heard of two codes; the capture has three: cut-short, with three, and why."""
    path = write(file(bench, "a.pcapng"), codes(1, GOOD[:3]), machine="pc/1", text=TABLE)
    (whole,) = Replay([path]).boots()
    bench.store.save_boot(whole.model_copy(update={"codes": 2, "stages": whole.stages[:1]}), capture=None)
    recover(bench.store, bench.run, bench.captures)
    (boot,) = bench.store.boots()
    assert (boot.outcome, boot.codes, len(boot.stages)) == ("cut-short", 3, 2)
    assert bench.store.capture_of(boot.id) == str(path) and bench.store.closed_reason(boot.id) == REASON
    recover(bench.store, bench.run, bench.captures)
    assert bench.store.boots()[0].outcome == "cut-short"


def test_a_boot_that_the_store_never_heard_of(bench: Any) -> None:
    """Killed before the first save: the boots are made from the captures alone, over several files of the run."""
    whole = codes(1) + codes(20, GOOD[:3])
    write(file(bench, "20250101-000000.pcapng"), whole[:3], machine="pc/1", text=TABLE)
    second = write(file(bench, "20250101-000000-2.pcapng"), whole[3:], machine="pc/1", text=TABLE)
    recover(bench.store, bench.run, bench.captures)
    good, cut = bench.store.boots(newest_first=False)
    assert (good.outcome, good.codes, cut.outcome, cut.codes) == ("finished", 5, "cut-short", 3)
    assert bench.store.capture_of(cut.id) == str(second)


def test_what_had_ended_is_not_judged_again(bench: Any) -> None:
    """The table may have changed since, a person may have moved the boot to another trial: it stays."""
    path = write(file(bench, "a.pcapng"), codes(1) + codes(20, GOOD[:1]), machine="pc/1", text=TABLE)
    first = Replay([path]).boots()[0]
    bench.store.save_boot(first.model_copy(update={"trial": "moved"}), capture=str(path))
    recover(bench.store, bench.run, bench.captures)
    assert [b.trial for b in bench.store.boots(newest_first=False)] == ["moved", None]


def test_a_run_that_ended_needs_nothing(bench: Any) -> None:
    """With the last note in place nothing is read again; older runs are left alone."""
    write(file(bench, "a.pcapng"), codes(1, GOOD[:2]), machine="pc/1", text=TABLE)
    write(
        file(bench, "b.pcapng"),
        [*codes(1001, GOOD[:2]), Annotation(1100 * NS, "end", "")],
        machine="pc/1",
        run=1,
        text=TABLE,
    )
    recover(bench.store, bench.run, bench.captures)
    assert bench.store.boots() == []


def test_captures_that_cannot_be_read(bench: Any, caplog: pytest.LogCaptureFixture) -> None:
    """A file that is no capture, one that breaks off, a table that is gone: told, and the daemon starts."""
    path = write(file(bench, "a.pcapng"), codes(1), machine="pc/1", text=TABLE)
    path.write_bytes(path.read_bytes()[:-6])
    file(bench, "b.pcapng").write_text("no capture at all")
    file(bench, "c.pcapng").write_bytes(b"")
    with caplog.at_level(logging.WARNING):
        recover(bench.store, bench.run, bench.captures)
    (boot,) = bench.store.boots()
    assert boot.codes == 4 and boot.outcome == "cut-short"
    assert "b.pcapng is not a capture" in caplog.text and "a.pcapng" in caplog.text and "offset" in caplog.text
    write(file(bench, "d.pcapng"), codes(1001), machine="pc/1", run=1, table="gone")
    with caplog.at_level(logging.ERROR):
        recover(bench.store, bench.run, bench.captures)
    assert "no rule table 'gone'" in caplog.text


def test_nothing_there(bench: Any) -> None:
    """The first start of all."""
    recover(bench.store, bench.run, bench.captures)
    assert bench.store.boots() == []
