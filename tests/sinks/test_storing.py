"""The store's sink: the latest record of each boot gets in, whatever the store does meanwhile."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from typing import Any

import pytest
from sinks.broker_peer import until
from sinks.story import Teller

from benchd.clock import Backoff
from benchd.errors import ExternalError, UsageError
from benchd.sinks import store_sink as storing
from benchd.sinks.store_sink import StoreSink
from benchd.vocabulary.events import BootChanged
from benchd.vocabulary.models import Boot


class FakeStore:
    """Keeps what is saved; `trouble(boot)` may raise first."""

    def __init__(self) -> None:
        self.saved: list[tuple[Boot, str | None]] = []
        self.trouble: Callable[[Boot], None] = lambda boot: None
        self.unopened = ""

    def save_boot(self, boot: Boot, *, capture: str | None = None) -> None:
        self.trouble(boot)
        self.saved.append((boot, capture))

    @property
    def latest(self) -> dict[str, Boot]:
        return {boot.id: boot for boot, _ in self.saved}


def make(store: FakeStore, saved: Callable[[Boot], None] = lambda boot: None) -> StoreSink:
    sink = StoreSink(store, lambda machine: f"{machine}.pcapng", saved)  # type: ignore[arg-type]
    sink._backoff = Backoff(first_s=0.01, cap_s=0.02)
    return sink


def run(story: Callable[[StoreSink], Any], store: FakeStore, **more: Any) -> StoreSink:
    """Run the sink while `story(sink)` is told, then close it as the daemon does."""

    async def work() -> StoreSink:
        sink = make(store, **more)
        task = asyncio.create_task(sink.run())
        await story(sink)
        await sink.close()
        await asyncio.wait_for(task, 30)
        return sink

    return asyncio.run(work())


def raiser(error: Exception) -> Callable[[Boot], None]:
    def trouble(boot: Boot) -> None:
        raise error

    return trouble


def test_many_changes_are_few_saves() -> None:
    """Changes that come while nothing was saved yet become one save of the newest; other events are ignored."""
    store, t = FakeStore(), Teller()

    async def story(sink: StoreSink) -> None:
        sink.offer(t.started())
        for n in range(100):
            sink.offer(t.code(0.1, "20"))
            sink.offer(BootChanged("at286", 0, t.boot(codes=n)))
        await until(lambda: store.saved)

    run(story, store)
    ((boot, capture),) = store.saved
    assert boot.codes == 99 and capture == "at286.pcapng"


@pytest.mark.parametrize("error", [ExternalError("store: disk full"), ZeroDivisionError("of a library")])
def test_trouble_is_told_and_tried_again(error: Exception) -> None:
    """While the store refuses, for whatever reason, boots wait and the status says why; then all get in, once."""
    store, t, done = FakeStore(), Teller(), []
    store.trouble = raiser(error)

    async def story(sink: StoreSink) -> None:
        sink.offer(t.started())
        sink.offer(t.ended(3.0))
        sink.offer(t.started(5.0, "b2"))
        await until(lambda: sink.status()["state"] == "degraded")
        assert sink.status()["reason"] == str(error)
        sink.offer(t.ended(9.0, "stalled", "b2"))
        store.trouble = lambda boot: None
        await until(lambda: len(store.latest) == 2 and sink.status()["state"] == "running")
        assert sink.status()["queued"] == 0

    run(story, store, saved=lambda boot: done.append(boot.id))
    assert {i: b.outcome for i, b in store.latest.items()} == {"b1": "finished", "b2": "stalled"}
    assert done.count("b1") == 1


def test_an_old_save_that_failed_does_not_come_after_a_newer_one() -> None:
    """A boot that changed while its save failed: the newer record is what is tried next, and what is in the end."""
    store, t = FakeStore(), Teller()
    saving, go_on = threading.Event(), threading.Event()

    def trouble(boot: Boot) -> None:
        store.trouble = lambda boot: None
        saving.set()
        go_on.wait(10)
        raise ExternalError("store: locked")

    store.trouble = trouble

    async def story(sink: StoreSink) -> None:
        sink.offer(t.started())
        await until(saving.is_set)
        sink.offer(t.ended(3.0))
        go_on.set()
        await until(lambda: store.saved)

    run(story, store)
    assert [boot.outcome for boot, _ in store.saved] == ["finished"]


def test_a_boot_that_can_never_be_stored_holds_up_no_other() -> None:
    """One that the store calls wrong is left out and counted; those after it get in."""
    store, t, done = FakeStore(), Teller(), []

    def trouble(boot: Boot) -> None:
        if boot.id == "b1":
            raise UsageError("the time has no zone")

    store.trouble = trouble

    async def story(sink: StoreSink) -> None:
        sink.offer(t.ended(1.0))
        sink.offer(t.ended(2.0, id_="b2"))
        await until(lambda: "b2" in store.latest)

    sink = run(story, store, saved=lambda boot: done.append(boot.id))
    assert set(store.latest) == {"b2"} == set(done) and sink.status()["dropped"] == {"boot": 1}


def test_closing_saves_what_waits() -> None:
    """What was offered just before the end is in the store after it."""
    store, t = FakeStore(), Teller()

    async def story(sink: StoreSink) -> None:
        sink.offer(t.ended(1.0))

    run(story, store)
    assert set(store.latest) == {"b1"}


def test_closing_with_a_store_that_refuses(caplog: pytest.LogCaptureFixture) -> None:
    """It ends all the same, and says how many boots are not in the store."""
    store, t = FakeStore(), Teller()
    store.trouble = raiser(ExternalError("store: gone"))

    async def story(sink: StoreSink) -> None:
        sink.offer(t.ended(1.0))
        await until(lambda: sink.status()["state"] == "degraded")

    run(story, store)
    assert "1 boots could not be saved: store: gone" in caplog.text


def test_what_waits_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    """Boots beyond the bound are counted; a change of one that waits is always taken."""
    monkeypatch.setattr(storing, "MAX_WAITING", 3)
    monkeypatch.setattr(storing, "MAX_KNOWN", 2)
    t = Teller()

    async def work() -> StoreSink:
        sink = make(FakeStore())
        for n in range(5):
            sink.offer(t.started(float(n), f"b{n}"))
        sink.offer(t.ended(9.0, id_="b0"))
        return sink

    sink = asyncio.run(work())
    assert sink.status()["queued"] == 3 and sink.status()["dropped"] == {"boot": 2}
    assert sink._waiting["b0"][0].outcome == "finished" and len(sink._captures) == 2
