"""What `benchd live` draws: any picture, at any width, without an exception and without hostile characters."""

from __future__ import annotations

import io
import os
import pty
import termios
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from live.test_harmless import ANY, harmless
from rich.console import Console, Group
from sinks.story import Teller
from support.daemon import wait_for

from benchd.cli.keys import keys
from benchd.cli.live import View
from benchd.cli.livedraw import BAR, _ago, alarm_due, bar, draw
from benchd.sinks.page_feed import PageFeed
from benchd.vocabulary.events import BootChanged, LineSeen
from benchd.vocabulary.models import Finding, Stage

WIDTHS = (60, 80, 120)


def drawn(picture: dict[str, Any], width: int = 80, height: int | None = None) -> str:
    out = io.StringIO()
    console = Console(file=out, width=width, color_system=None, force_terminal=False, legacy_windows=False)
    console.print(Group(*draw(picture, width, height)))
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


def long_alarm(rungs: int = 14) -> dict[str, Any]:
    """A stall with much to try, half-way up a long ladder, in a trial of a study."""
    shown = stalled()
    names = [f"stage-{n}" for n in range(rungs)]
    here = rungs // 2
    shown |= {"ladder": names, "stage": names[here], "stage_for_s": 12.0}
    shown["boot"]["stages"] = [{"name": name, "t": float(n), "u": 0.1} for n, name in enumerate(names[: here + 1])]
    shown["standing"]["try"] = [f"step {n}: {'look at the contacts and the jumper ' * 3}" for n in range(8)]
    shown["goal"] = {
        "trial": "T1", "study": "s", "short": "storage-rom",
        "goal": "stage storage-rom reached", "boot": "b1", "ok": False, "why": "stalled in stage-7", "over": False,
    }  # fmt: skip
    shown["lines"] = [dict(shown["lines"][0], text=f"line {n}") for n in range(9)]
    return shown


@pytest.mark.parametrize("rungs", [3, 14, 40])
@pytest.mark.parametrize("height", [24, 30, 60])
def test_an_alarm_folds_so_that_the_rest_stays(rungs: int, height: int) -> None:
    """In 80x24: the verdict, the alarm's word, the place on the ladder, codes, links and newest text; never a line
    too many or too wide. What was folded is counted, with the key and the command that show it; unfolded it is all."""
    shown = long_alarm(rungs)
    view = View()
    out = io.StringIO()
    Console(file=out, width=80, color_system=None).print(Group(*view.lines([shown], 80, height)), end="")
    lines = out.getvalue().rstrip("\n").split("\n")
    assert len(lines) <= height and all(len(line) <= 80 for line in lines)
    text = "\n".join(lines)
    for part in ("✕ NOT REACHED: storage-rom", "STALLED in rom-scan", "▶ stage-", "codes 20", "links post DOWN",
                 "line 8", "try 1: step 0", "a: all of it"):  # fmt: skip
        assert part in text, part
    if height == 24:
        assert "more lines: press a, or `benchd show last`" in text
    if rungs == 40 and height == 24:
        assert " above" in text and " below" in text
    view.press("a", height)
    whole = drawn(shown)
    assert "step 7" in whole and whole.count("stage-") >= rungs


def test_keys_scroll_what_does_not_fit() -> None:
    """Arrows and page keys unfold and move within the drawing, never beyond its ends; a and escape fold it again."""
    shown, view = long_alarm(40), View()

    def first() -> str:
        return view.lines([shown], 80, 24)[0].plain

    whole = [line.plain for line in draw(shown, 80)]
    assert first().startswith("── at286")
    view.press("down", 22)
    assert first() == whole[1]
    view.press("page-down", 22)
    assert first() == whole[23]
    view.press("end", 22)
    lines = [line.plain for line in view.lines([shown], 80, 24)]
    assert lines[-3].startswith("links ") and "below" not in lines[-1] and len(lines) == 24
    for _ in range(99):
        view.press("up", 22)
    assert first().startswith("── at286") and not view.folded
    view.press("escape", 22)
    assert view.folded and "press a" in "\n".join(line.plain for line in view.lines([shown], 80, 24))


def test_the_goal_s_verdict_comes_before_how_the_boot_ended() -> None:
    """A finished boot that missed what its trial is for does not read as a success; words, not only colours."""
    shown = long_alarm()
    shown["standing"], shown["boot"]["outcome"] = None, "finished"
    text = drawn(shown)
    assert text.index("✕ NOT REACHED: storage-rom") < text.index("finished")
    shown["goal"] |= {"ok": True, "why": "storage-rom reached at 1.49 s"}
    assert "✓ REACHED: storage-rom" in drawn(shown)
    shown["goal"] |= {"entered": "passed, entered by hand", "why": "the boot was cut short"}
    assert "✓ passed, entered by hand: storage-rom" in drawn(shown) and "REACHED" not in drawn(shown)
    shown["goal"] |= {"ok": None, "why": "still running", "entered": None}
    shown["trial_left"] = "Trial T1 runs since yesterday: boots of today go into it."
    assert "○ goal: storage-rom" in drawn(shown) and "boots of today go into it" in drawn(shown)


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


def test_keys_come_by_name_from_a_terminal_and_leave_it_as_it_was(monkeypatch: pytest.MonkeyPatch) -> None:
    """On a real pty: without Enter, arrows as terminals send them (ECMA-48); afterwards lines and echo are back."""
    ours, theirs = pty.openpty()
    before = termios.tcgetattr(theirs)
    pressed: list[str] = []
    with open(theirs) as terminal:
        monkeypatch.setattr("sys.stdin", terminal)
        with keys(pressed.append):
            for sent, name in ((b"a", "a"), (b"\x1b[B", "down"), (b"\x1b[5~", "page-up"), (b"q", "q")):
                os.write(ours, sent)
                wait_for(lambda name=name: pressed[-1:] == [name], 20)
        assert termios.tcgetattr(theirs) == before
    os.close(ours)


@pytest.mark.parametrize(
    ("seconds", "words"), [(9.46, "9.5 s"), (59.9, "59.9 s"), (722.9, "12 min 2 s"), (11_100.0, "3 h 5 min")]
)
def test_time_that_passed_is_told_as_people_do(seconds: float, words: str) -> None:
    """Nobody counts 722.9 s."""
    assert _ago(seconds) == words
