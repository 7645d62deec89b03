"""What `benchd live` draws: any picture, at any width, without an exception and without hostile characters."""

from __future__ import annotations

import io
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from live.test_harmless import ANY, harmless
from rich.console import Console
from sinks.story import Teller

from benchd.cli.live import BAR, alarm_due, bar, draw
from benchd.sinks.page_feed import PageFeed
from benchd.vocabulary.events import BootChanged, LineSeen
from benchd.vocabulary.models import Finding, Stage

WIDTHS = (60, 80, 120)


def drawn(picture: dict[str, Any], width: int = 80) -> str:
    out = io.StringIO()
    console = Console(file=out, width=width, color_system=None, force_terminal=False, legacy_windows=False)
    console.print(draw(picture))
    return out.getvalue()


def picture(*events: Any, ladder: tuple[str, ...] = ("early", "memory", "hand-over"), **facts: Any) -> dict[str, Any]:
    sink = PageFeed()
    sink.add("at286", "story", list(ladder), ["post", "console"])
    for event in events:
        sink.offer(event)
    sink.describe("at286", **facts)
    return sink.picture("at286").model_dump(mode="json", by_alias=True)


def stalled() -> dict[str, Any]:
    t = Teller()
    stages = [Stage(name="early", t=0.0, u=0.004), Stage(name="memory", t=2.5, u=0.004)]
    skipped = Finding(kind="skipped", rule="x", stage="hand-over", t=3.0)
    return picture(
        t.started(),
        t.code(0.1, "20"),
        LineSeen("at286", 0, 0, "console", "b1", 0.2, 1, "640K OK", False),
        t.stage(2.5, "memory"),
        t.raised(9.0, caution="Power off first."),
        BootChanged("at286", 0, t.boot(outcome="stalled", stages=stages, findings=[skipped])),
        limits={"memory": 9.0},
        trial="t1",
    )


@pytest.mark.parametrize("width", WIDTHS)
def test_empty_pictures(width: int) -> None:
    """Before any boot, and at the first moment of one, there is something to show."""
    assert "switch the machine on" in drawn(picture(), width)
    assert "running" in drawn(picture(Teller().started()), width)
    assert drawn(picture(ladder=()), width)


@pytest.mark.parametrize("width", WIDTHS)
def test_a_stall(width: int) -> None:
    """Where, which code, what it means, what to try, with care; the ladder with what each rung took."""
    text = drawn(stalled(), width)
    assert all(len(line) <= width for line in text.split("\n"))
    flat = " ".join(text.split())
    for part in ("STALLED in rom-scan, last code 40", "a ROM does not return", "try 1: take the card out",
                 "CAUTION: Power off first.", "took 2.50 s", "the boot went without it", "640K OK",
                 "codes 20", "trial t1", "post DOWN"):  # fmt: skip
        assert part in flat, part


def test_steps_left_out_are_counted() -> None:
    """Four things to try fit; what is not shown is told of, with the command that shows it."""
    shown = stalled()
    shown["standing"]["try"] = [f"step {n}" for n in range(6)]
    text = drawn(shown)
    assert "try 4: step 3" in text and "step 4" not in text and "2 more: benchd show last" in text
    shown["standing"]["try"] = shown["standing"]["try"][:4]
    assert "more:" not in drawn(shown)


def test_the_bar() -> None:
    """Of fixed width, full at the limit and beyond, empty without a limit."""
    assert bar(5, 10).startswith("█" * 10 + "░" * 10 + " ")
    assert bar(1e9, 10).count("█") == BAR and "░" not in bar(1e9, 10)
    assert bar(5, None) == bar(5, 0) == ""


@settings(deadline=None, max_examples=60)
@given(ANY, ANY, st.sampled_from(WIDTHS))
def test_hostile_text(one: str, two: str, width: int) -> None:
    """Terminal orders, markup, wrong nesting of it: shown as text, from wherever it comes."""
    for bad in (one, f"[red]{two}", "[/]", "[/foo]", "[link=file:///x]y[/link]", ":boom:", "\x1b]8;;x\x07" + two):
        shown = stalled()
        shown |= {"machine": bad, "table": bad, "trial": bad, "ladder": [bad, "memory"], "stage": bad}
        shown["boot"]["id"] = bad
        shown["boot"]["stages"] = [{"name": bad, "t": 0.0, "u": 0.1}, {"name": "memory", "t": 1.0, "u": 0.1}]
        shown["standing"] |= {"stage": bad, "rule": bad, "means": bad, "try": [bad], "caution": bad, "code": bad}
        shown["lines"][0]["text"] = shown["codes"][0]["code"] = bad
        shown["links"] = {bad: {"up": False, "reason": bad}}
        assert harmless(drawn(shown, width), but="\n")
    assert "[/foo]" in drawn(shown | {"machine": "[/foo]", "ladder": ["[/foo]"]}, width)
    assert ":boom:" in drawn(shown | {"machine": ":boom:"}, width)


def test_the_bar_tells_the_alarm_that_is_really_due() -> None:
    """What is drawn is when silence will alarm by the rule in force, not the stage's limit."""
    drawn = alarm_due({"due": "rom-never-returns", "due_in_s": 3.0}, 3.0)
    assert drawn.endswith("of 6 s, then alarm: rom-never-returns")
    assert alarm_due({"due": None, "due_in_s": None}, 3.0) == "" == alarm_due({}, 3.0)
