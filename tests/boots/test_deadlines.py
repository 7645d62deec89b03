"""Silence judged the slow way: step a clock by 1 ms, ask at each step what the rules in prose say, compare.

The reference below follows the numbered sentences of `benchd/boots/deadlines.py` and knows nothing of
deadlines: it only asks "how long has it been silent?". It is our own reading of them, not an outside source.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.pipelines import ANCHOR, MS, matcher

from benchd.boots import BootTracker
from benchd.boots.deadlines import SETTLE_NS
from benchd.vocabulary.events import BootSettled, FindingCleared, FindingRaised
from benchd.vocabulary.observations import Code, Power, Text
from benchd.vocabulary.records import LinkInfo

POST = LinkInfo("post", "post", "raw")
QUIET, POWER_QUIET = 900, 500
STAGES = {0x05: ("early", None), 0x20: ("memory", 350), 0x30: ("disk", 1500), 0x40: ("scan", 250)}
"""Code: (stage, limit in ms)."""
AFTER = {0x20: [("m-stands", 420)], 0x33: [("slow-point", 700), ("quick-point", 120)]}
"""Code: [(stall rule, quiet in ms)]."""
INSIDE = {"disk": [("disk-stands", 610)]}
TABLE = f"""
[table]
name = "silence"
source = "invented for tests"
unknown_codes = "ignore"
[boot]
starts = [{{ code = "01" }}]
quiet = "{QUIET}ms"
power_quiet = "{POWER_QUIET}ms"
"""
TABLE += "".join(
    f'[[stage]]\nname = "{name}"\nenter = [{{ code = "{code:02X}" }}]\n' + (f'limit = "{ms}ms"\n' if ms else "")
    for code, (name, ms) in STAGES.items()
)
TABLE += "".join(
    f'[[stall]]\nname = "{name}"\nafter = {{ code = "{code:02X}" }}\nquiet = "{ms}ms"\n'
    for code, rows in AFTER.items()
    for name, ms in rows
)
TABLE += "".join(
    f'[[stall]]\nname = "{name}"\nin = "{stage}"\nquiet = "{ms}ms"\n'
    for stage, rows in INSIDE.items()
    for name, ms in rows
)


@dataclass
class Reference:
    """One boot from a start code at 0 ms, looked at every millisecond."""

    last: int = 0
    last_code: int = 0x01
    entered: dict[str, int] = field(default_factory=dict)
    stage: tuple[str, int | None] | None = None
    standing: bool = False
    told: list[tuple[int, str]] = field(default_factory=list)

    def code(self, t: int, code: int) -> None:
        if self.standing:
            self.told.append((t, "clear"))
        self.standing, self.last, self.last_code = False, t, code
        stage = STAGES.get(code)
        if stage is not None and stage[0] not in self.entered:
            self.entered[stage[0]] = t
            self.stage = stage

    def look(self, t: int) -> None:
        silent = t - self.last
        verdict = None
        known = AFTER.get(self.last_code) or (INSIDE.get(self.stage[0]) if self.stage else None)
        if known:
            name, quiet = min(known, key=lambda row: row[1])
            verdict = name if silent >= quiet else None
        elif self.stage and self.stage[1]:
            name, limit = self.stage
            over = t - self.entered[name] >= limit
            verdict = "unknown" if over and silent >= min(limit, QUIET) else None
        elif silent >= QUIET:
            verdict = "unknown"
        if verdict and not self.standing:
            self.standing = True
            self.told.append((t, verdict))


def by_reference(codes: list[tuple[int, int]], end: int) -> list[tuple[int, str]]:
    reference = Reference()
    todo = list(codes)
    for t in range(1, end + 1):
        reference.look(t)  # a code at the very instant comes after the judgement, as in the tracker
        while todo and todo[0][0] == t:
            reference.code(*todo.pop(0))
    return reference.told


def by_tracker(codes: list[tuple[int, int]], end: int, looks: list[int]) -> list[tuple[int, str]]:
    tracker = BootTracker("m", matcher(TABLE), (POST,), ANCHOR)
    events = tracker.feed(Code("post", 0, 0, 0x01))
    for t, code in sorted([*codes, *((t, -1) for t in looks)], key=lambda row: row[0]):
        events += tracker.advance(t * MS) if code < 0 else tracker.feed(Code("post", t * MS, 0, code))
    events += tracker.advance(end * MS)
    out = []
    for event in events:
        if isinstance(event, FindingRaised) and event.finding.kind == "stall":
            out.append((event.t_ns // MS, event.finding.rule))
        elif isinstance(event, FindingCleared):
            out.append((event.t_ns // MS, "clear"))
    return out


STEPS = st.lists(
    st.tuples(st.one_of(st.integers(1, 400), st.sampled_from([120, 250, 350, 420, 500, 610, 900, 1500])),
              st.sampled_from([0x05, 0x20, 0x30, 0x33, 0x40, 0x77])),
    max_size=10,
)  # fmt: skip


@settings(deadline=None, max_examples=300)
@given(steps=STEPS, looks=st.lists(st.integers(1, 6000), max_size=10))
def test_stalls_fall_when_stepping_by_a_millisecond_finds_them(steps: list[tuple[int, int]], looks: list[int]) -> None:
    """Same verdicts at the same millisecond, however often time is looked at."""
    t, codes = 0, []
    for pause, code in steps:
        t += pause
        codes.append((t, code))
    assert by_tracker(codes, t + 2500, [x for x in looks if x <= t + 2500]) == by_reference(codes, t + 2500)


def test_the_reference_can_tell_verdicts_apart() -> None:
    """The reference itself: each of its verdicts occurs, so that the comparison above is not of empty lists."""
    codes = [(10, 0x05), (1200, 0x20), (1700, 0x30), (2500, 0x33), (2700, 0x40), (3000, 0x77)]
    assert by_reference(codes, 4000) == [
        (910, "unknown"), (1200, "clear"), (1620, "m-stands"), (1700, "clear"), (2310, "disk-stands"),
        (2500, "clear"), (2620, "quick-point"), (2700, "clear"), (2950, "unknown"), (3000, "clear"), (3250, "unknown"),
    ]  # fmt: skip


@pytest.mark.parametrize("rule", ["quick-point", "m-stands"])
def test_a_stall_that_stands_is_settled_after_the_settling_time(rule: str) -> None:
    """Five seconds after the stall, once; a moment earlier nothing is settled."""
    code, quiet = {"quick-point": (0x33, 120), "m-stands": (0x20, 420)}[rule]
    tracker = BootTracker("m", matcher(TABLE), (POST,), ANCHOR)
    tracker.feed(Code("post", 0, 0, 0x01))
    tracker.feed(Code("post", 10 * MS, 0, code))
    due = (10 + quiet) * MS + SETTLE_NS
    assert not [e for e in tracker.advance(due - 1) if isinstance(e, BootSettled)]
    assert [e.t_ns for e in tracker.advance(due) if isinstance(e, BootSettled)] == [due]
    assert tracker.advance(due + 100 * SETTLE_NS) == []


@pytest.mark.parametrize(("first", "rule"), [("text", "m-stands"), ("code", "asks")])
def test_of_two_things_seen_the_later_names_the_stall(first: str, rule: str) -> None:
    """A code and a text that both have a stall point: the one seen last, though the other is the shorter."""
    table = TABLE + '[[stall]]\nname = "asks"\nafter = { text = "Press" }\nquiet = "430ms"\n'
    tracker = BootTracker("m", matcher(table), (POST,), ANCHOR)
    tracker.feed(Code("post", 0, 0, 0x01))
    code_ms, text_ms = (20, 10) if first == "text" else (10, 20)
    seen = [Code("post", code_ms * MS, 0, 0x20), Text("console", text_ms * MS, 0, text_ms * MS, 1, "Press F1")]
    for one in sorted(seen, key=lambda one: one.at_ns):
        tracker.feed(one)
    (raised,) = [e for e in tracker.advance(5000 * MS) if isinstance(e, FindingRaised) and e.finding.kind == "stall"]
    assert raised.finding.rule == rule


def test_nothing_at_all_after_power_on_has_its_own_limit() -> None:
    """Neither a code nor a line: the table's power_quiet, counted from power-on."""
    tracker = BootTracker("m", matcher(TABLE), (POST,), ANCHOR)
    tracker.feed(Power("post", 0, 0, True))
    assert not [e for e in tracker.advance(POWER_QUIET * MS - 1) if isinstance(e, FindingRaised)]
    (raised,) = [e for e in tracker.advance(POWER_QUIET * MS) if isinstance(e, FindingRaised)]
    assert (raised.finding.kind, raised.t_ns) == ("quiet", POWER_QUIET * MS)
