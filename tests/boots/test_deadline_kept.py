"""Lines that are nothing but life go a short way, and deadlines are kept: judged the same as by the long way."""

from __future__ import annotations

import random
from collections.abc import Sequence

import pytest
from boots.test_boot_invariants import NO_STARTS, RICH, observations
from hypothesis import given, settings
from hypothesis import strategies as st
from support.pipelines import ANCHOR, MS, NS, matcher
from support.story import CONSOLE, POST

from benchd.boots import BootTracker
from benchd.boots.machine import ROWS, TOUCHED
from benchd.boots.repeats import Sayings, gist
from benchd.boots.steady import Steady
from benchd.boots.tracker import PAST
from benchd.rules import Matcher
from benchd.vocabulary.observations import Code, Observation, Text
from benchd.vocabulary.records import LinkInfo
from benchd.vocabulary.times import Anchor

RECORDING = '[table]\nname = "record"\nsource = "invented for tests"\njudges = false\n'
SLOW = RICH.replace('limit = "9s"', 'limit = "4s"').replace('quiet = "30s"', 'quiet = "2s"')
ASKS = (
    SLOW
    + """
[[stall]]
name = "loads"
after = { text = "^loading" }
quiet = "300ms"
[[stall]]
name = "disk"
after = { text = "disk ready" }
quiet = "2500ms"
[[stall]]
name = "code"
after = { code = "22" }
quiet = "600ms"
"""
)


class NoShortWay(Steady):
    def run(self, seen: Sequence[Observation], start: int, *_: object) -> int:
        return start


class Anew(BootTracker):
    """The definition: all goes the long way, and what falls next is worked out whenever time is told."""

    def __init__(self, name: str, by: Matcher, links: Sequence[LinkInfo], anchor: Anchor) -> None:
        super().__init__(name, by, links, anchor)
        self._steady = NoShortWay(self.machine, by, self._lines)

    def _advance(self, t_ns: int) -> None:
        self._clear_ns = PAST
        super()._advance(t_ns)
        self._clear_ns = PAST


def state(tracker: BootTracker) -> tuple[object, ...]:
    """What later judgements go by."""
    machine, boot = tracker.machine, tracker.machine.boot
    kept = boot and (boot.model(), boot.texts, boot.last_ns, boot.again_ns, boot.after, boot.said._texts)
    codes = boot and (boot.recent, boot.values, boot.unknown)
    return machine.phase, machine.since_start, machine.off_ns, machine.pass_codes, tracker._floating, kept, codes


def same(table: str, seen: list[Observation], end_ns: int) -> None:
    kept, anew = (kind("at286", matcher(table), (POST, CONSOLE), ANCHOR) for kind in (BootTracker, Anew))
    rng, place = random.Random(len(seen)), 0
    while place < len(seen):
        part = seen[place : place + rng.randint(1, 6)]
        place += len(part)
        until_ns = part[-1].at_ns + rng.choice((0, 0, MS, 300 * MS))
        until_ns = min([until_ns, *(one.at_ns for one in seen[place:])])
        assert kept.feed_all(part, until_ns) == anew.feed_all(part, until_ns), part
        assert kept.next_deadline() == anew.next_deadline()
        assert state(kept) == state(anew)
    assert kept.advance(end_ns) == anew.advance(end_ns)
    assert kept.judged == anew.judged and kept.stand() == anew.stand()


@settings(deadline=None, max_examples=300)
@given(seen=st.lists(observations, max_size=40), table=st.sampled_from([RICH, NO_STARTS, SLOW, RECORDING]))
def test_any_observations_are_judged_the_same(seen: list[Observation], table: str) -> None:
    same(table, sorted(seen, key=lambda one: one.at_ns), 200 * NS)


def life(rng: random.Random) -> list[Observation]:
    """Mostly lines and codes that change nothing, as a running machine's are, with pauses about the limits."""
    said = [
        "loading",
        "loading.",
        "loading..",
        "count 1",
        "count 22",
        "disk ready",
        "Press F1",
        "Testing memory",
        "BIOS",
    ]
    t_ns, out, line = NS, [], 0
    codes = rng.choice((0.0, 0.05, 0.5))
    for _ in range(rng.randint(5, 90)):
        t_ns += rng.choice((1, 1, 5, 5, 5, 400, 690, 710, 1990, 2010, 2990, 4100, 8900)) * MS
        if rng.random() < codes:
            out.append(Code("post", t_ns, 1000, rng.choice((1, 5, 0x20, 0x21, 0x22, 0x40, 0x99, 0xAA, 0xFF))))
        else:
            line += rng.random() < 0.8
            text = rng.choice(said) if rng.random() < 0.4 else "".join(rng.choices("ghijkl mn09.", k=9))
            ago = rng.choice((0, 3, 300)) * MS
            link = rng.choice(("console", "console", "console", "serial"))
            out.append(Text(link, t_ns - ago, 1000, t_ns, line, text, False, ((0, t_ns - ago),), MS))
    return out


@pytest.mark.parametrize(
    "table", [RICH, NO_STARTS, SLOW, RECORDING, ASKS], ids=["rich", "no starts", "slow", "recording", "asks"]
)
def test_running_machines_are_judged_the_same(table: str) -> None:
    for seed in range(150):
        seen = life(random.Random(seed))
        same(table, seen, seen[-1].at_ns + 100 * NS)


CODES = (
    RICH.replace("times = 2", "times = 3")
    + """
[[stall]]
name = "at-30"
after = { code = "30-32" }
quiet = "1s"
[[stall]]
name = "at-32"
after = { code = "32-33" }
quiet = "2s"
[[stage]]
name = "port"
enter = [{ code = "31", port = "300" }]
"""
)
IGNORING = CODES.replace("[table]", '[table]\nunknown_codes = "ignore"\nports = ["80", "300"]', 1)
LEAVES_OUT = CODES.replace("[boot]", '[boot]\nignore = [{ code = "41" }, { text = "count ok" }]', 1)


def climbing(rng: random.Random) -> list[Observation]:
    """Codes as a card sends them, most of them again and again, one at a time and in reads; few lines between."""
    steady = rng.choices((0x20, 0x21, 0x22, 0x10, 0x99, 0x9A, 0x41, 0x30, 0x30, 0x32, 0x33), k=rng.randint(1, 4))
    others = (1, 5, 0x20, 0x21, 0x30, 0x31, 0x40, 0x66, 0xAA, 0xFF, *range(0x80, 0xA0))
    t_ns, out = NS, [Code("post", NS, 1000, 1)]
    share = rng.choice((0.02, 0.1, 0.6))
    for n in range(rng.randint(5, 120)):
        t_ns += rng.choice((0, 1, 1, 1, 5, 400, 990, 1010, 3010)) * MS if rng.random() < 0.3 else 87_000
        value = rng.choice(others) if rng.random() < share else steady[n % len(steady)]
        port, wide = rng.choice((None, None, None, None, 0x80, 0x300, 0x84)), rng.random() < 0.05
        out.append(Code("post", t_ns, 1000, value + 0x2000 * wide, port, wide))
        if rng.random() < 0.05:
            text = rng.choice(("Press F1", "PARITY", f"line {n} of text", "count ok"))
            out.append(Text("console", t_ns, 1000, t_ns, n, text, False, ((0, t_ns),), MS))
    return out


@pytest.mark.parametrize("table", [RICH, CODES, IGNORING, LEAVES_OUT], ids=["rich", "codes", "ignoring", "leaves out"])
def test_codes_that_change_nothing_are_judged_the_same(table: str) -> None:
    for seed in range(150):
        seen = climbing(random.Random(seed))
        same(table, seen, seen[-1].at_ns + 100 * NS)


def test_codes_of_a_stage_go_the_short_way() -> None:
    """What is checked above is what runs: once each was seen, codes that change nothing take no step of their own."""
    tracker = BootTracker("at286", matcher(RICH), (POST, CONSOLE), ANCHOR)
    codes = [Code("post", NS + n * MS, 1000, (1, 0x22, 0x10, 0x13)[n % 4 if n < 4 else n % 3 + 1]) for n in range(900)]
    tracker.feed_all(codes[:100], codes[99].at_ns)
    tracker._on_code = None  # type: ignore[method-assign, assignment]
    for n in range(100, 900, 8):
        assert len(tracker.feed_all(codes[n : n + 8], codes[n + 7].at_ns)) == 8


def test_a_sign_of_life_is_taken_aside_only_where_the_table_does_no_more() -> None:
    rows = {row.states: row for row in ROWS if row.kind == "life" and "running" in row.states}
    assert {"running"} == TOUCHED
    assert [(row.when, row.do, row.to) for row in rows.values()] == [(None, ("touch",), "running")]


words = st.sampled_from(
    ["usb 1-1", "..", "...", "|", "/", "00FF", "0ff9", "reading", "readding", "gg0g", "ggg", "é", "\u0663", "12"]
)
texts = st.lists(words, max_size=6).map(" ".join) | st.text(max_size=12) | st.text("ghG0a .|é", max_size=230)


@settings(deadline=None, max_examples=500)
@given(lines=st.lists(texts, max_size=14), size=st.integers(1, 5))
def test_lines_taken_together_are_new(lines: list[str], size: int) -> None:
    """Of lines looked at together each that is taken says something new; the others are left as they are."""
    sayings, slow = Sayings(), Sayings()
    while lines:
        taken = sayings.take_new(lines[:size])
        for text in lines[:taken]:
            assert not slow.has(text)
            slow.add(text)
        if not taken and not slow.has(lines[0]):
            sayings.add(lines[0])
            slow.add(lines[0])
        assert vars(sayings) == vars(slow)
        lines = lines[max(taken, 1) :]


@settings(deadline=None, max_examples=500)
@given(lines=st.lists(texts, max_size=14))
def test_what_was_said_is_known_as_by_its_gist(lines: list[str]) -> None:
    """The cheap look never says "new" of what a full comparison knows, nor the other way round."""
    sayings = Sayings()
    known: list[str] = []
    for text in lines:
        again = gist(text) in known[-8:]
        assert sayings.has(text) == again
        if not again:
            sayings.add(text)
            known.append(gist(text))
