"""How `benchd live` draws a machine: the ladder with what each rung took, codes, text, links, and the alarm."""

from __future__ import annotations

from typing import Any

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

from benchd.cli.output import clean

CODES = 16
LINES = 6
STEPS = 4
BAR = 20


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


def _ladder(picture: dict[str, Any]) -> Table:
    boot = picture["boot"] or {}
    reached = {stage["name"]: stage for stage in boot.get("stages", [])}
    order = list(reached)
    skipped = {f["stage"] for f in boot.get("findings", []) if f["kind"] == "skipped"}
    table = Table(box=None, padding=(0, 1), show_header=False)
    for _ in range(4):
        table.add_column()
    over = boot.get("outcome") == "finished"
    for name in picture["ladder"]:
        label = clean(name, 40)
        if name in reached:
            stage = reached[name]
            here = name == picture["stage"] and not over
            place = order.index(name)
            after = reached[order[place + 1]]["t"] if place + 1 < len(order) else None
            if here:
                spent = picture["stage_for_s"] or 0.0
                note = f"for {spent:.1f} s  {alarm_due(picture, spent)}"
                table.add_row("▶", Text(label, "bold"), f"{stage['t']:8.2f} s", note)
            else:
                took = f"took {after - stage['t']:.2f} s" if after is not None else ""
                table.add_row("●", Text(label), f"{stage['t']:8.2f} s", Text(took, "dim"))
        elif name in skipped:
            table.add_row("○", Text(label, "yellow"), "", Text("not reached: the boot went without it", "yellow"))
        else:
            table.add_row("○", Text(label, "dim"), "", "")
    return table


def _alarm(picture: dict[str, Any]) -> list[RenderableType]:
    standing = picture["standing"]
    if not standing:
        return []
    word = "LOOPING" if standing["kind"] == "loop" else "STALLED"
    quiet = picture["quiet_for_s"] or 0.0
    place = f" in {clean(standing['stage'], 40)}" if standing.get("stage") else ""
    code = f", last code {clean(standing['code'], 4)}" if standing.get("code") else ""
    out: list[RenderableType] = [
        Text(f" {word}{place}{code}, quiet for {quiet:.0f} s ", "bold white on red"),
        Text(f"{clean(standing['rule'], 60)}: {clean(standing.get('means') or '', 500)}"),
    ]
    steps = standing.get("try", [])
    for n, step in enumerate(steps[:STEPS], 1):
        out.append(Text(f"  try {n}: {clean(step, 200)}"))
    if len(steps) > STEPS:
        out.append(Text(f"  {len(steps) - STEPS} more: benchd show last", "dim"))
    if standing.get("caution"):
        out.append(Text(f"  CAUTION: {clean(standing['caution'], 300)}", "bold yellow"))
    return out


def draw(picture: dict[str, Any]) -> RenderableType:
    """Return one machine's picture (`sinks.page_feed.MachinePicture` as JSON) drawn for a terminal."""
    boot = picture["boot"]
    title = f"{clean(picture['machine'], 40)} · rules {clean(picture['table'], 40)}"
    if picture["trial"]:
        title += f" · trial {clean(picture['trial'], 20)}"
    parts: list[RenderableType] = [Rule(Text(title), align="left", style="cyan")]
    if boot is None:
        parts.append(Text("no boot seen yet: switch the machine on", "dim"))
    else:
        age = f"{picture['boot_for_s']:.1f} s ago" if picture["boot_for_s"] is not None else ""
        style = {"finished": "green", "running": "cyan"}.get(boot["outcome"], "red")
        head = Text.assemble((boot["outcome"], f"bold {style}"), f"  {clean(boot['id'], 80)}  started {age}")
        parts.append(head)
    parts += _alarm(picture)
    parts += [Text(""), _ladder(picture), Text("")]
    codes = picture["codes"][-CODES:]
    if codes:
        shown = " ".join(clean(c["code"], 4) + ("" if c["known"] else "?") for c in codes)
        parts.append(Text.assemble(("codes ", "dim"), shown))
    for line in picture["lines"][-LINES:]:
        parts.append(Text.assemble(("text  ", "dim"), clean(line["text"], 100)))
    links = "  ".join(
        f"{clean(name, 32)} {'up' if link['up'] else 'DOWN'} ({clean(link['reason'], 80)})"
        for name, link in picture["links"].items()
    )
    parts.append(Text.assemble(("links ", "dim"), links))
    return Padding(Group(*parts), (0, 1, 1, 1))
