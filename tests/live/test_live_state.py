"""One picture for all: page, MQTT, gauge and alerts are drawn from one reducer and never disagree."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sinks.story import Teller
from support.story import TABLE, Story

from benchd.live_state import LiveState
from benchd.sinks.alerts.policy import AlertPolicy
from benchd.sinks.metrics import Metrics
from benchd.sinks.mqtt.mqtt_events import Retained
from benchd.sinks.page_feed import PageFeed
from benchd.vocabulary.events import BOOT_EVENTS, BootOver, Event
from benchd.vocabulary.times import NS

KINDS = ("stall", "loop", "quiet", "fault", "skipped", "late", "slow", "unknown-code",
         "wrong-table", "wrong-speed", "swapped-links", "link")  # fmt: skip


class Drawn:
    """Everything that says what stands, fed with the same events."""

    def __init__(self) -> None:
        self.page = PageFeed()
        self.page.add("at286", "t", [], ["post", "console"])
        self.metrics = Metrics(machines=["at286"])
        self.mqtt = Retained("b", ["at286"], lambda t_ns: datetime.fromtimestamp(t_ns / NS, UTC))
        self.alerts = AlertPolicy(KINDS, link_delay_s=0, flaps=10**9, window_s=1)
        self.raised: set[tuple[str, str]] = set()

    def feed(self, events: list[Event]) -> None:
        for event in events:
            self.page.offer(event)
            self.metrics.offer(event)
            self.mqtt.feed(event)
            for notice in self.alerts.feed(event):
                key = notice.standing.key[1:]
                if notice.state == "raised":
                    self.raised.add(key)
                else:
                    self.raised.discard(key)

    def agree(self) -> None:
        picture = self.page.picture("at286")
        state = self.mqtt.payload("at286", "state", 0).model_dump()
        alert = self.mqtt.payload("at286", "alert", 0).model_dump()
        gauge = self.metrics.registry.get_sample_value("benchd_stalled", {"machine": "at286"})
        stuck = picture.standing is not None
        assert stuck == state["stuck"] == bool(gauge)
        assert stuck == any(kind in ("stall", "loop", "quiet") for kind, _ in self.raised)
        told = {(one["kind"], one["rule"]) for one in alert["standing"]}
        assert told <= self.raised
        assert {key for key in self.raised if key[0] in ("stall", "loop", "quiet", "fault", "link")} == told
        assert (picture.boot.id if picture.boot else None) == state["boot"]
        assert (picture.boot.outcome if picture.boot else None) == state["outcome"]
        assert picture.stage == state["stage"]
        assert {name: link.up for name, link in picture.links.items() if link.reason != "not opened yet"} == {
            name: up for name, up in state["links"].items() if picture.links[name].reason != "not opened yet"
        }


WORDS = ["01", "05", "20", "30", "40", "AA", "99", "FF", "RESET", "ON", "OFF", "DOWN", "UP", "> Memory", "> Ready"]
LIVES = st.lists(st.tuples(st.sampled_from([1, 50, 400, 2500, 11_000, 40_000]), st.sampled_from(WORDS)), max_size=40)


@settings(deadline=None, max_examples=300)
@given(life=LIVES)
def test_random_lives_are_told_alike_everywhere(life: list[tuple[int, str]]) -> None:
    """After each observation and each silence, page, MQTT, gauge and alerts say the same."""
    story, drawn, t_ms = Story(TABLE), Drawn(), 0
    for wait_ms, word in life:
        for what in (None, word):
            told = len(story.events)
            if what is None:
                t_ms += wait_ms
                story.tell(until=t_ms / 1000)
            else:
                story.tell((t_ms / 1000, what))
            drawn.feed(story.events[told:])
            drawn.agree()


@settings(deadline=None, max_examples=200)
@given(life=LIVES)
def test_record_metric_and_last_message_agree_on_every_boot(life: list[tuple[int, str]]) -> None:
    """What is counted when a boot is over is what its record says for ever after."""
    story, t_ms = Story(TABLE), 0
    for wait_ms, word in life:
        t_ms += wait_ms
        story.tell((t_ms / 1000, word))
    metrics = Metrics()
    for event in story.events:
        metrics.offer(event)
    over = {event.boot.id: event.boot.outcome for event in story.events if isinstance(event, BootOver)}
    last = {event.boot.id: event.boot for event in story.events if isinstance(event, BOOT_EVENTS)}
    assert {name: last[name].outcome for name in over} == over
    for outcome in ("finished", "stalled", "looped", "cut-short", "link-lost"):
        counted = metrics.registry.get_sample_value(
            "benchd_boots_total", {"machine": "at286", "trial": "", "outcome": outcome}
        )
        assert (counted or 0) == sum(one == outcome for one in over.values())


def test_a_stall_ends_with_the_power_everywhere() -> None:
    """Hung, alarm, switched off: nothing rings on, on the page no more than in the gauge."""
    story, drawn = Story(TABLE), Drawn()
    story.tell((0, "01"), (0.1, "05"), until=100)
    drawn.feed(story.events)
    assert drawn.page.picture("at286").standing is not None
    told = len(story.events)
    story.tell((120, "OFF"), until=130)
    drawn.feed(story.events[told:])
    drawn.agree()
    picture = drawn.page.picture("at286")
    assert picture.standing is None and picture.boot is not None and picture.boot.outcome == "stalled"


def test_a_pause_inside_a_loop_leaves_the_loop_standing() -> None:
    """Looping, then a pause that is a stall, then on: the loop still stands, here and there."""
    drawn, t = Drawn(), Teller()
    drawn.feed([t.started(), t.raised(1, "loop", "restart-loop"), t.raised(5, "stall", "unknown")])
    drawn.agree()
    drawn.feed([t.cleared(9, 4.0, "stall", "unknown")])
    drawn.agree()
    standing = drawn.page.picture("at286").standing
    assert standing is not None and standing.kind == "loop"


@pytest.mark.parametrize(("other", "stands"), [("quiet", True), ("stall", False)])
def test_a_thing_is_ended_by_its_kind_and_rule(other: str, stands: bool) -> None:
    """Cleared is what was named: another kind of the same rule, or another rule of the kind, stays."""
    live, t = LiveState(), Teller()
    for event in (
        t.started(),
        t.raised(5, "stall", "a"),
        t.cleared(6, 1.0, "stall", "b"),
        t.cleared(6, 1.0, other, "a"),
    ):
        live.feed(event)
    assert live.stuck("at286") is stands


def test_a_start_leaves_what_belongs_to_the_boot_that_starts() -> None:
    """A finding told before its boot's start (a loop's last pass) is not ended by that start."""
    live, t = LiveState(), Teller()
    live.feed(t.started(0, "b1"))
    live.feed(t.raised(1, "loop", "restart-loop", "b2"))
    live.feed(t.started(2, "b2"))
    assert live.stuck("at286")
    live.feed(t.started(3, "b3"))
    assert not live.stuck("at286")


def test_the_page_feed_never_waits() -> None:
    """Closing ends its listeners."""

    async def listen() -> list[set[str]]:
        page = PageFeed()
        page.add("at286", "t", [], [])
        seen = []
        task = asyncio.ensure_future(anext(page.changes()))
        await asyncio.sleep(0)
        page.offer(Teller().started())
        seen.append(await task)
        await page.close()
        return seen

    assert asyncio.run(listen()) == [{"at286"}]
