"""Following the running trial: what the picture of a machine says of it, and a trial that was left running."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest
from support.pipelines import ANCHOR, HandClock

from benchd.sinks.page_feed import PageFeed
from benchd.store import Hand, Store, StoredStudy
from benchd.studies.undo import forgotten
from benchd.vocabulary.times import NS
from benchd.watch.telling import Telling
from benchd.watch.trials import TrialFollower

WALL = datetime.fromtimestamp(ANCHOR.wall_ns / NS).astimezone()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "b.db") as opened:
        at = WALL.isoformat()
        opened.save_study(StoredStudy(name="s", created=at, edited=at))
        yield opened


def begin(store: Store, ago: timedelta) -> str:
    started = (WALL - ago).isoformat(timespec="seconds")
    return store.start_trial(study="s", machine="pc", setup={}, changed={}, started=started).id


class Followed:
    """A machine that is followed: what captures are told, and its picture on the page."""

    def __init__(self, store: Store) -> None:
        self.clock = HandClock(ANCHOR.mono_ns)
        self.feed = PageFeed(self.clock)
        self.feed.add("pc", "t", [], [])
        self.noted: list[str] = []
        run = SimpleNamespace(anchor=ANCHOR, note=lambda key, value, t_ns: self.noted.append(value))
        runs = cast(Any, {"pc": run})
        self.telling = Telling()
        self.follower = TrialFollower(store, runs, self._described, self.clock, forgotten)

    def _described(self, name: str, facts: dict[str, str | None]) -> None:
        self.feed.describe(name, **facts)
        self.telling.trial(name, facts)

    def look(self) -> dict[str, Any]:
        asyncio.run(self.follower.work())
        picture = self.feed.picture("pc").model_dump()
        return {name: picture[name] for name in ("trial", "trial_study", "trial_started", "trial_left")}


def test_the_picture_tells_of_the_trial(store: Store) -> None:
    """Its study and start; nothing once it ended, or was deleted while it ran."""
    followed = Followed(store)
    nothing = {"trial": None, "trial_study": None, "trial_started": None, "trial_left": None}
    assert followed.look() == nothing and followed.noted == []
    trial = begin(store, timedelta(seconds=1))
    told = followed.look()
    assert (told["trial"], told["trial_study"], told["trial_left"]) == (trial, "s", None)
    assert datetime.fromisoformat(told["trial_started"]) <= WALL
    store.delete_trial(trial, Hand(WALL.isoformat()))
    assert followed.look() == nothing and followed.noted == [trial, ""]
    followed.follower.close()


def test_a_trial_left_running_is_told_once_and_shown(store: Store, caplog: pytest.LogCaptureFixture) -> None:
    """At a start, and when the day changes under it; looked at again and again it is told once."""
    followed = Followed(store)
    begin(store, timedelta(hours=30))
    with caplog.at_level(logging.WARNING):
        told = [followed.look() for _ in range(3)]
    assert "boots of today go into it" in str(told[-1]["trial_left"])
    assert [record.getMessage() for record in caplog.records if "runs since" in record.getMessage()] == [
        f"pc: {told[0]['trial_left']}"
    ]
    later = Followed(store)
    begin(store, timedelta(seconds=1))
    assert later.look()["trial_left"] is None
    later.clock.now_ns += 36 * 3600 * NS
    assert "runs since" in str(later.look()["trial_left"])
    for one in (followed, later):
        one.follower.close()
