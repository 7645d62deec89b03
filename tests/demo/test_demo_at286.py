"""The machine of the demo: its hidden cause, its noise, and what the rule table makes of its boots."""

from __future__ import annotations

import random
from collections import Counter
from pathlib import Path

import pytest

from benchd.demo import at286
from benchd.demo.steps import Post, PowerOff, Script, timeline
from benchd.rules import Matcher
from benchd.rules.table import check_text
from benchd.vocabulary.events import BootOver
from benchd.vocabulary.models import Boot
from benchd.vocabulary.records import Chunk, ClockMark, LinkInfo
from benchd.vocabulary.times import Anchor
from benchd.watch.pipeline import Pipeline

RULES = Path(__file__).parents[2] / "config" / "rules"
LINKS = [LinkInfo("post", "post", "raw", code_port=0x80), LinkInfo("console", "console", "text")]


def judged(scripts: list[Script], table: str = "demo-at286", speed: float = 1.0) -> list[Boot]:
    """The boots that benchd sees when the scripts are played one after the other, on a virtual clock."""
    text = (RULES / f"{table}.toml").read_text()
    rules, lints = check_text(text, table)
    assert lints == []
    pipeline = Pipeline("at286", LINKS, Matcher(rules), Anchor(1_600_000_000_000_000_000, 0))
    events, start = [], 1_000_000_000
    for number, script in enumerate([*scripts, [Post(0x01)]]):
        wires = timeline(script, random.Random(number), speed=speed)
        now = start
        for sent in wires.sent:
            at = start + round(sent.t_s * 1e9)
            while now + 500_000_000 < at:
                now += 500_000_000
                events += pipeline.feed(ClockMark(now))
            now = at
            events += pipeline.feed(Chunk(sent.link, at, bytes([sent.byte])))
        end = start + round(wires.seconds * 1e9)
        while now < end:
            now += 500_000_000
            events += pipeline.feed(ClockMark(now))
        start = now + 1
    events += pipeline.drain()
    return [event.boot for event in events if isinstance(event, BootOver)]


def setup(**levels: str) -> dict[str, str]:
    return {**at286.START, **{key.replace("_", "-"): value for key, value in levels.items()}}


def test_tables_of_the_room_agree() -> None:
    """Every factor has a cost, the start and the cause are levels, and hardware is marked as such."""
    at286.check(at286.START)
    assert at286.COST_MINUTES.keys() == at286.FACTORS.keys() == at286.START.keys()
    assert all(level in at286.FACTORS[factor] for factor, level in at286.TRUE_CAUSE)
    assert at286.FACTORS.keys() - at286.NEEDS_POWER_OFF == {"boot-device"}


def test_conflict_is_the_true_cause_and_nothing_else() -> None:
    """By arithmetic of addresses the windows meet exactly where the cause says."""
    for base in at286.FACTORS["rom-base"]:
        for network in at286.FACTORS["network-card"]:
            both = (("rom-base", base), ("network-card", network)) == at286.TRUE_CAUSE
            assert at286.conflict(setup(rom_base=base, network_card=network)) is both


@pytest.mark.parametrize(
    ("levels", "low", "high"),
    [
        ({}, 0.92, 0.98),
        ({"storage_card": "second", "rom_image": "late", "slot": "5", "cable": "long"}, 0.92, 0.98),
        ({"rom_base": "D800"}, 0.02, 0.06),
        ({"network_card": "window-off"}, 0.02, 0.06),
        ({"network_card": "none"}, 0.02, 0.06),
    ],
)
def test_failure_rates(levels: dict[str, str], low: float, high: float) -> None:
    """The storage ROM fails at 95 % under the conflict and at 4 % otherwise, whatever else is changed."""
    rng = random.Random(1)
    fates = Counter(at286.fate(setup(**levels), rng) for _ in range(2000))
    assert low <= 1 - fates["ready"] / 2000 <= high


def test_unknown_levels_are_refused() -> None:
    """A setup that cannot exist is the caller's mistake."""
    with pytest.raises(ValueError, match="rom-base is 'E000'"):
        at286.behaviour(setup(rom_base="E000"), random.Random(0))
    with pytest.raises(ValueError, match="no such factor: colour"):
        at286.behaviour(setup(colour="red"), random.Random(0))


@pytest.mark.parametrize("image", ["early", "late"])
@pytest.mark.parametrize("speed", [1.0, 8.0])
def test_what_benchd_makes_of_each_fate(image: str, speed: float) -> None:
    """Good boots finish without findings; a passed-by ROM is skipped; a hang is the known stall point."""
    fates: list[at286.Fate] = ["ready", "skipped", "no-drive", "stuck", "ready"]
    level = setup(rom_image=image)
    scripts = [(*at286.boot_script(level, fate), PowerOff(2)) for fate in fates]
    ready, skipped, no_drive, stuck, again = judged(scripts, speed=speed)
    for good in (ready, again):
        assert (good.outcome, good.findings, good.last_code) == ("finished", [], "6F")
        assert "storage-rom" in [stage.name for stage in good.stages]
    assert skipped.outcome == "finished"
    assert [(f.kind, f.stage) for f in skipped.findings] == [("skipped", "storage-rom")]
    assert {f.kind for f in no_drive.findings} == {"skipped", "fault"}
    assert (stuck.outcome, stuck.last_code) == ("stalled", "40")
    assert [f.rule for f in stuck.findings if f.kind == "stall"] == ["stands-at-rom-scan"]


def test_length_of_a_boot() -> None:
    """A boot that finishes takes 10 to 20 s of the machine's time."""
    for number in range(50):
        rng = random.Random(number)
        fate = "ready" if number % 2 else "skipped"
        level = {factor: rng.choice(levels) for factor, levels in at286.FACTORS.items()}
        assert 10 <= timeline(at286.boot_script(level, fate), rng).seconds <= 20
