"""One machine's picture drawn for a terminal: lines, so that what matters fits into 24 of them."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Any

from rich.cells import cell_len
from rich.text import Text

from benchd.cli.output import clean

CODES = 16
LINES = 6
BAR = 20
RUNGS = 5
"""Rungs of the ladder that an alarm leaves: the place where the machine stands, and two on each side."""
SAID = 2
"""Lines of the machine's text that an alarm leaves, where it says any."""

Lines = list[Text]


def bar(spent: float, limit: float | None) -> str:
    """Return how much of its limit a stage has used, as a bar of fixed width."""
    if not limit:
        return ""
    full = min(BAR, round(BAR * spent / limit))
    return "█" * full + "░" * (BAR - full) + f" of {limit:.3g} s"


def alarm_due(picture: dict[str, Any], spent: float) -> str:
    """Return when silence will raise an alarm, with a bar of how far that is gone; "" when none is due."""
    left = picture.get("due_in_s")
    if left is None:
        return ""
    rule = clean(picture.get("due") or "silence", 40)
    return f"{bar(spent, spent + left)}, then alarm: {rule}" if left > 0 else f"alarm: {rule}"


def one_line(text: str | Text, style: str = "") -> Text:
    """Return a text that takes one line, cut with an ellipsis where it is too long."""
    out = text if isinstance(text, Text) else Text(text, style)
    out.no_wrap, out.overflow = True, "ellipsis"
    return out


def _wrapped(text: str, width: int, style: str = "", indent: str = "") -> Lines:
    found = textwrap.wrap(text, max(20, width), subsequent_indent=indent) or [""]
    return [one_line(line, style) for line in found]


def _rung(picture: dict[str, Any], name: str, stages: list[dict[str, Any]], skipped: set[str]) -> Text:
    boot = picture["boot"] or {}
    label = clean(name, 40)
    place = next((n for n, stage in enumerate(stages) if stage["name"] == name), None)
    if place is None:
        if name in skipped:
            return one_line(f"  ○ {label:<16} not reached: the boot went without it", "yellow")
        return one_line(f"  ○ {label}", "dim")
    at = f"{stages[place]['t']:8.2f} s"
    if name == picture["stage"] and boot.get("outcome") != "finished" and not picture.get("remembered"):
        spent = picture["stage_for_s"] or 0.0
        return one_line(
            Text.assemble((f"  ▶ {label:<16}", "bold"), f" {at}  for {spent:.1f} s  {alarm_due(picture, spent)}")
        )
    took = f"took {stages[place + 1]['t'] - stages[place]['t']:.2f} s" if place + 1 < len(stages) else ""
    return one_line(Text.assemble(f"  ● {label:<16} {at}  ", (took, "dim")))


def _ladder(picture: dict[str, Any]) -> tuple[Lines, int]:
    """Return the rungs, and which of them is where the machine is."""
    boot = picture["boot"] or {}
    stages = boot.get("stages", [])
    skipped = {f["stage"] for f in boot.get("findings", []) if f["kind"] == "skipped"}
    names = picture["ladder"]
    here = names.index(picture["stage"]) if picture["stage"] in names else 0
    return [_rung(picture, name, stages, skipped) for name in names], here


def _cut_ladder(rungs: Lines, here: int, room: int) -> Lines:
    """Return as many rungs as there is room for, around the place; the first or last line counts what is left out."""
    if len(rungs) <= room:
        return rungs
    room = max(room, 3)
    first = min(max(0, here - room // 2), len(rungs) - room)
    out = rungs[first : first + room]
    above, below = first, len(rungs) - first - room
    if above:
        out[0] = one_line(f"    … {above + 1} above", "dim")
    if below:
        out[-1] = one_line(f"    … {below + 1} below", "dim")
    return out


def _alarm(picture: dict[str, Any], width: int) -> Lines:
    standing = picture["standing"]
    if not standing:
        return []
    word = "LOOPING" if standing["kind"] == "loop" else "STALLED"
    quiet = picture["quiet_for_s"] or 0.0
    place = f" in {clean(standing['stage'], 40)}" if standing.get("stage") else ""
    code = f", last code {clean(standing['code'], 4)}" if standing.get("code") else ""
    silent = picture.get("silent_for_s")
    hush = f"; silenced for {max(1, round(silent / 60))} min" if silent else ""
    out = [one_line(f" {word}{place}{code}, quiet for {quiet:.0f} s{hush} ", "bold white on red")]
    out += _wrapped(f"{clean(standing['rule'], 60)}: {clean(standing.get('means') or '', 500)}", width)
    for n, step in enumerate(standing.get("try", []), 1):
        out += _wrapped(f"  try {n}: {clean(step, 200)}", width, indent="         ")
    if standing.get("caution"):
        out += _wrapped(f"  CAUTION: {clean(standing['caution'], 300)}", width, "bold yellow", "  ")
    return out


def _folded(alarm: Lines, room: int) -> Lines:
    """Return what of the alarm there is room for; the word and what it means stay, the rest is counted."""
    if len(alarm) <= room:
        return alarm
    kept = alarm[: max(2, room - 1)]
    return [*kept, one_line(f"  {len(alarm) - len(kept)} more lines: press a, or `benchd show last`", "dim")]


def goal_line(goal: dict[str, Any]) -> Text:
    """Return the verdict of the running trial's goal, as the page says it."""
    short, why = clean(goal["short"], 60), clean(goal["why"], 120)
    if goal["ok"] is None:
        return one_line(Text.assemble((f" ○ goal: {short} ", "bold"), f" {why}"))
    mark, word, style = (
        ("✓", "REACHED", "bold black on green") if goal["ok"] else ("✕", "NOT REACHED", "bold black on yellow")
    )
    word = f"{mark} {goal.get('entered') or word}"
    return one_line(Text.assemble((f" {word}: {short} ", style), f" {why}"))


def _head(picture: dict[str, Any], width: int) -> Iterator[Text]:
    boot, goal = picture["boot"], picture.get("goal")
    title = f"── {clean(picture['machine'], 40)} · rules {clean(picture['table'], 40)}"
    if picture["trial"]:
        title += f" · trial {clean(picture['trial'], 20)}"
    yield one_line(f"{title} {'─' * max(0, width - cell_len(title) - 1)}", "cyan")
    if goal:
        yield goal_line(goal)
    if picture.get("trial_left"):
        yield one_line(f" {clean(picture['trial_left'], 200)}", "yellow")
    if boot is None:
        yield one_line("no boot seen yet: switch the machine on", "dim")
        return
    age = "" if picture["boot_for_s"] is None else f"{_ago(picture['boot_for_s'])} ago"
    style = {"finished": "green", "running": "cyan"}.get(boot["outcome"], "red")
    before = ", before benchd was started" if picture.get("remembered") else ""
    yield one_line(
        Text.assemble((boot["outcome"], f"bold {style}"), f"  {clean(boot['id'], 80)}  started {age}{before}")
    )


def _links(picture: dict[str, Any], width: int) -> Lines:
    links = "  ".join(
        f"{clean(name, 32)} {'up' if link['up'] else 'DOWN'} ({clean(link['reason'], 80)})"
        for name, link in picture["links"].items()
    )
    return _wrapped(f"links {links}", width, indent="      ")


def _codes(picture: dict[str, Any]) -> Lines:
    codes = picture["codes"][-CODES:]
    shown = " ".join(clean(c["code"], 4) + ("" if c["known"] else "?") for c in codes)
    return [one_line(Text.assemble(("codes ", "dim"), shown))] if codes else []


def draw(picture: dict[str, Any], width: int = 80, height: int | None = None) -> Lines:
    """Return one machine's picture (`sinks.page_feed.MachinePicture` as JSON) in lines of `width` characters.

    In a `height` the goal's verdict, the alarm's word, the place on the ladder, codes and links stay; what is to be
    tried, the ends of the ladder and the machine's text give way. Without one nothing does.
    """
    head = list(_head(picture, width))
    alarm, (rungs, here) = _alarm(picture, width), _ladder(picture)
    said = [one_line(Text.assemble(("text  ", "dim"), clean(line["text"], 100))) for line in picture["lines"][-LINES:]]
    foot = [*_codes(picture), *_links(picture, width)]
    if height is None:
        return [*head, *alarm, one_line(""), *rungs, one_line(""), *foot[:1], *said, *foot[1:]]
    room = max(8, height - len(head) - len(foot))
    alarm = _folded(alarm, room - min(RUNGS, len(rungs)) - min(SAID, len(said)))
    rungs = _cut_ladder(rungs, here, room - len(alarm) - min(SAID, len(said)))
    left = room - len(alarm) - len(rungs)
    return [*head, *alarm, *rungs, *foot[:1], *(said[-left:] if left > 0 else []), *foot[1:]]


def _ago(seconds: float) -> str:
    """A time that has passed, as a person says it: 9.5 s, 12 min 2 s, 3 h 5 min."""
    if seconds < 60:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(int(seconds), 60)
    return f"{minutes} min {rest} s" if minutes < 60 else f"{minutes // 60} h {minutes % 60} min"
