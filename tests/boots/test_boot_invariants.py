"""Whatever is observed, the boots stay sane: invariants of the event stream under arbitrary observations."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st
from support.pipelines import ANCHOR, MS, NS, boots_of, invariants, matcher
from support.story import CONSOLE, POST, TABLE

from benchd.boots import BootTracker
from benchd.boots.state import MAX_FINDINGS
from benchd.vocabulary.events import BootOver, Event, FindingCleared, FindingRaised
from benchd.vocabulary.observations import Break, Code, LinkChange, Lost, Observation, Power, Reset, Text
from benchd.vocabulary.records import Annotation

RICH = (
    TABLE.replace('{ code = "01" }]', '{ code = "01" }, { text = "BIOS" }]')
    + """
[[loop]]
name = "twice"
codes = ["20", "21"]
times = 2
[[order]]
name = "rom-first"
first = "storage-rom"
then = "rom-scan"
[[stall]]
name = "memory-stands"
in = "memory"
quiet = "3s"
[[stall]]
name = "asks"
after = { text = "Press" }
quiet = "700ms"
[[fault]]
name = "parity"
seen = { text = "PARITY" }
[[fault]]
name = "beep"
seen = { code = "66" }
[[check]]
name = "count"
pass = "count ok"
fail = "count bad"
"""
)
NO_STARTS = RICH.replace('starts = [{ code = "01" }, { text = "BIOS" }]', "starts = []")
TEXTS = ["BIOS v1", "Testing memory", "storage rom ready", "Starting", "Press F1", "PARITY", "count ok", "count bad",
         "x", "", "\ud800\x00"]  # fmt: skip
times = st.integers(0, 90_000).map(lambda ms: ms * MS)
links = st.sampled_from(["post", "console"])
u = st.sampled_from([0, 1000, 2 * MS, 400 * MS])
gone = st.integers(0, 5000).map(lambda ms: ms * MS)


@st.composite
def texts(draw: st.DrawFn) -> Text:
    """A line that became known up to five seconds after it began, with or without marks."""
    at, ago = draw(times), draw(gone)
    text = draw(st.sampled_from(TEXTS))
    marks = draw(st.sampled_from([(), ((0, at - ago),), ((0, at - ago), (2, at - ago // 2))]))
    return Text("console", at - ago, draw(u), at, draw(st.integers(0, 9)), text, draw(st.booleans()), marks, MS)


observations = st.one_of(
    st.builds(Code, links, times, u, st.sampled_from([1, 5, 0x20, 0x21, 0x40, 0x66, 0xAA, 0xFF, 0x99]),
              st.sampled_from([None, 0x80, 0x300]), st.booleans()),
    texts(),
    st.builds(Reset, links, times, u),
    st.builds(Power, links, times, u, st.booleans()),
    st.builds(Lost, links, times, u, st.just("noise"), st.integers(1, 9)),
    st.builds(Break, links, times, u),
    st.builds(LinkChange, links, times, u, st.booleans(), st.just("test")),
    st.builds(Annotation, times, st.just("trial"), st.sampled_from(["", "T1"])),
    st.builds(Annotation, times, st.just("limit"),
              st.sampled_from(["memory=0.5:learned-normal:7", "early=2.0:distribution-free:5"])),
    st.builds(Annotation, times, st.just("phase"), st.sampled_from(["over", "off", "off 5", "off x"])),
    st.builds(Annotation, times, st.just("end"), st.just("stopped")),
    st.builds(Annotation, times, st.just("attention"), st.sampled_from(["0.7", "40.0", "x", "nan", "1e300"])),
)  # fmt: skip


def fed(table: str, seen: list[Observation], until_ns: int) -> list[Event]:
    tracker = BootTracker("at286", matcher(table), (POST, CONSOLE), ANCHOR)
    events = [event for one in seen for event in tracker.feed(one)]
    return events + tracker.advance(until_ns)


@settings(deadline=None, max_examples=400)
@given(seen=st.lists(observations, max_size=40), table=st.sampled_from([RICH, NO_STARTS]))
def test_any_observations_in_order(seen: list[Observation], table: str) -> None:
    """In order of `at_ns`, as the pipeline gives them: all invariants hold, and silence settles what is open."""
    invariants(fed(table, sorted(seen, key=lambda one: one.at_ns), 200 * NS))


@settings(deadline=None, max_examples=200)
@given(seen=st.lists(observations, max_size=40))
def test_any_observations_in_any_order(seen: list[Observation]) -> None:
    """A pipeline that broke its promise of order would get strange times, but no contradictions and no crash."""
    invariants(fed(RICH, seen, 200 * NS))


@settings(deadline=None, max_examples=100)
@given(
    codes=st.lists(st.sampled_from([1, 5, 0x20, 0xAA, 0xFF]), max_size=60),
    step_ns=st.sampled_from([0, 1, 1000, 86_805]),
)
def test_boots_within_the_same_millisecond_are_told_apart(codes: list[int], step_ns: int) -> None:
    """A card behind a socket, or 115,200 baud: many boots in a millisecond, and each has an id of its own."""
    invariants(fed(RICH, [Code("post", NS + i * step_ns, 0, code) for i, code in enumerate(codes)], 99 * NS))


def test_stalls_that_come_and_go_are_raised_and_cleared_in_turn() -> None:
    """For days: every clearing has its raising, beyond the number of findings that are kept too."""
    seen: list[Observation] = [Code("post", NS, 0, 1)]
    seen += [Code("post", (2 + 31 * i) * NS, 0, 5) for i in range(MAX_FINDINGS + 100)]
    events = fed(RICH, seen, 31 * 301 * NS)
    invariants(events)
    count = [sum(isinstance(event, kind) for event in events) for kind in (FindingRaised, FindingCleared)]
    assert count[0] - count[1] == 1 and count[0] > MAX_FINDINGS
    assert len(boots_of(events)[0].findings) == MAX_FINDINGS


def test_a_start_mark_moves_what_was_found_before_it() -> None:
    """Joined in the middle, then the start: a finding made meanwhile is counted from the start as well."""
    seen = [Code("post", NS, 0, 0x99), Code("post", 3 * NS, 0, 0x98), Code("post", 5 * NS, 0, 1)]
    (boot,) = boots_of(fed(RICH, list(seen), 6 * NS))
    assert [(f.rule, f.t) for f in boot.findings] == [("code-99", 0.0), ("code-98", 0.0)]
    assert boot.started.endswith(":45.000+00:00")


def test_a_boot_that_is_over_is_not_closed_again() -> None:
    """Power off just after the hand-over, then the next boot: the record of the first stays as it was told."""
    seen: list[Observation] = [Code("post", t * MS, 0, code) for t, code in ((0, 1), (100, 5), (200, 0xAA))]
    seen += [Power("console", 300 * MS, 0, False), Code("post", 900 * MS, 0, 1)]
    events = fed(RICH, seen, 901 * MS)
    first, second = boots_of(events)
    assert first.outcome == "finished" and first.ended is not None and first.ended.endswith(":40.200+00:00")
    last = max(i for i, e in enumerate(events) if getattr(getattr(e, "boot", None), "id", None) == first.id)
    assert isinstance(events[last], BootOver) and second.outcome == "running"
