"""The queue in front of a sink: what is dropped, when, and how that is counted."""

from __future__ import annotations

import random
import time
from typing import get_args

from sinks.story import Teller

from benchd.clock import Backoff, wall_of
from benchd.sinks.base import KINDS, MINOR, EventQueue
from benchd.vocabulary.events import Event


def test_every_event_has_a_kind() -> None:
    """The table of kinds covers the contract of events; stages, findings and boots are never minor."""
    assert set(KINDS) == set(get_args(Event))
    assert not MINOR & {"stage", "finding", "boot", "link"}


def test_codes_go_first_and_are_counted() -> None:
    """From the high mark on codes are dropped, stages are not; each drop is counted and told."""
    t, told = Teller(), []
    queue = EventQueue(high=10, full=30, on_drop=told.append)
    for n in range(15):
        queue.put(t.code(n, "01"))
    for n in range(15):
        queue.put(t.stage(n, "s"))
    assert (len(queue), queue.dropped["code"], queue.dropped["stage"], len(told)) == (25, 5, 0, 5)


def test_full_drops_the_oldest() -> None:
    """At the second mark even stages go, the oldest first, and it shows."""
    t = Teller()
    queue = EventQueue(high=5, full=20)
    for n in range(30):
        queue.put(t.stage(n, f"s{n}"))
    assert queue.dropped["stage"] == 10 and len(queue) == 20
    assert [e.stage for e in queue.take(3)] == ["s10", "s11", "s12"]  # type: ignore[union-attr]
    assert [e.stage for e in queue.take(100)] == [f"s{n}" for n in range(13, 30)]  # type: ignore[union-attr]


def test_backoff_is_jittered_grows_and_is_capped() -> None:
    """Waits stay within the doubling cap, reach it, differ between instances, and start small after a reset."""
    one, other = Backoff(0.5, 8.0, random.Random(1)), Backoff(0.5, 8.0, random.Random(2))
    waits = [one.next_s() for _ in range(2000)]
    assert all(w <= min(8.0, 0.5 * 2 ** min(n, 9)) for n, w in enumerate(waits)) and max(waits) > 7.5
    assert waits[:5] != [other.next_s() for _ in range(5)]
    one.reset()
    assert one.next_s() <= 0.5


def test_wall_label() -> None:
    """The wall time of now is now, with a zone; of a second ago, a second earlier."""
    now = time.monotonic_ns()
    assert abs(wall_of(now).timestamp() - time.time()) < 0.5 and wall_of(now).tzinfo is not None
    assert abs((wall_of(now) - wall_of(now - 10**9)).total_seconds() - 1) < 0.5
