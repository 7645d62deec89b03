"""The test firmware's rule table, held against what the emulated PCs really write.

Bytes are taken by relays from the emulator and judged afterwards on a virtual clock, so silences cost no time.
"""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from benchd.rules import Matcher
from benchd.rules.table import check_text
from benchd.vocabulary.events import BootChanged, BootOver, BootSettled, FindingRaised
from benchd.vocabulary.models import Boot
from benchd.vocabulary.records import Chunk, ClockMark, LinkInfo
from benchd.vocabulary.times import Anchor
from benchd.watch.pipeline import Pipeline
from peers.firmware import SCENARIOS
from peers.qemu import EmulatedPc
from peers.relay import PacedRelay, PortReader

TABLE = Path(__file__).parents[2] / "config" / "rules" / "test-firmware.toml"
LINKS = [
    LinkInfo("post", "post", "raw", paced=False, code_port=0x80),
    LinkInfo("console", "console", "text", paced=False),
]
FAST = {"STEP_MS": 3, "COUNT_MS": 5}

pytestmark = pytest.mark.peer("qemu", "nasm")


def taken(name: str, **defines: int) -> list[tuple[int, str, int]]:
    """What both links of a scenario carry until a second of silence (loops: for a second), in order of time."""
    scenario = SCENARIOS[name]
    with (
        EmulatedPc.scenario(name, **{**FAST, **scenario.defines, **defines}) as pc,
        PacedRelay(pc.post_port) as post,
        PacedRelay(pc.console_port) as console,
    ):
        readers = [PortReader(post.path), PortReader(console.path)]
        pc.go()
        if scenario.repeats:
            time.sleep(1)
            pc.stop()
        else:
            readers[0].collect(quiet_s=1.0 + defines.get("SLOW_MS", 0) / 1000)
        for reader in readers:
            reader.close()
        rows = [(t, "post", byte) for t, byte in post.capture]
        rows += [(t, "console", byte) for t, byte in console.capture]
    return sorted(rows)


def judge(rows: list[tuple[int, str, int]], silence_s: int = 10) -> tuple[list[Boot], list[FindingRaised]]:
    """The last state of each boot, and all findings raised, after `silence_s` more on the clock."""
    table, lints = check_text(TABLE.read_text(), TABLE.name)
    assert lints == []
    pipeline = Pipeline("pc", LINKS, Matcher(table), Anchor(1_600_000_000_000_000_000, 0))
    events = []
    now = rows[0][0]
    for t_ns, link, byte in rows:
        while now + 100_000_000 < t_ns:
            now += 100_000_000
            events += pipeline.feed(ClockMark(now))
        now = t_ns
        events += pipeline.feed(Chunk(link, t_ns, bytes([byte])))
    for tick in range(1, silence_s * 10 + 1):
        events += pipeline.feed(ClockMark(now + tick * 100_000_000))
    events += pipeline.drain()
    boots = {event.boot.id: event.boot for event in events if isinstance(event, BootChanged | BootSettled | BootOver)}
    return list(boots.values()), [event for event in events if isinstance(event, FindingRaised)]


@pytest.mark.parametrize(
    ("name", "outcome", "last_code", "findings"),
    [
        ("good", "finished", "60", []),
        ("good-rom-at-d800", "finished", "60", []),
        ("unfinished-line", "finished", "60", []),
        ("rom-code", "finished", "60", []),
        ("rom-absent", "finished", "60", [("skipped", "storage-rom")]),
        ("rom-bad-checksum", "finished", "60", [("skipped", "storage-rom")]),
        ("rom-bad-checksum-told", "finished", "60", [("fault", "rom-damaged"), ("skipped", "storage-rom")]),
        ("hang-halted", "stalled", "22", [("stall", "memory-stands")]),
        ("hang-spinning", "stalled", "30", [("stall", "display-stands")]),
        ("hang-at-first-code", "stalled", "01", [("stall", "start-stands")]),
        ("rom-never-returns", "stalled", "40", [("stall", "rom-never-returns")]),
        ("word-writes", "finished", "60", []),
    ],
)
def test_judgement(name: str, outcome: str, last_code: str, findings: list[tuple[str, str]]) -> None:
    """Each scenario ends as it should, with the findings it should have and no other."""
    (boot,), _ = judge(taken(name))
    assert (boot.outcome, boot.last_code) == (outcome, last_code)
    assert sorted((f.kind, f.rule or f.stage) for f in boot.findings) == findings


@pytest.mark.parametrize("name", [name for name, scenario in SCENARIOS.items() if scenario.repeats])
def test_loops_are_loops(name: str) -> None:
    """Every way of resetting over and over is found to be a loop."""
    boots, raised = judge(taken(name), silence_s=0)
    assert {boot.outcome for boot in boots} == {"looped"}
    assert [(event.finding.kind, event.finding.rule) for event in raised] == [("loop", "restart-loop")]
    codes = " ".join(f"{code:02X}" for code in SCENARIOS[name].codes)
    assert codes in (raised[0].finding.detail or "")


def test_stall_clears_when_the_machine_moves_on() -> None:
    """A pause longer than the stall's quiet time raises it; the boot finishes all the same."""
    (boot,), raised = judge(taken("pause-then-on", SLOW_MS=2600))
    assert boot.outcome == "finished"
    assert [event.finding.rule for event in raised] == ["display-stands"]
