"""Boots as text: a list, and a page with ladder, findings and what to try."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from math import floor, log10
from pathlib import Path
from textwrap import wrap

from benchd.cli.output import clean
from benchd.vocabulary.models import Boot, Finding

MARK = {
    "finished": "finished",
    "stalled": "STALLED",
    "looped": "LOOPED",
    "cut-short": "cut-short",
    "link-lost": "link-lost",
    "running": "running",
}
WIDTH = 96


def seconds(t: float, u: float = 0.0) -> str:
    """Return a time with the digits that its uncertainty allows: 12.35 s for +-0.02 s."""
    digits = 3 if u <= 0 else min(6, max(0, -floor(log10(u))))
    return f"{t:.{digits}f} s"


def local(iso: str) -> str:
    """Return a time of day for people, in this computer's zone."""
    return datetime.fromisoformat(iso).astimezone().strftime("%Y-%m-%d %H:%M:%S")


def columns(rows: Sequence[Sequence[str]]) -> list[str]:
    """Return rows aligned by column, two spaces between."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    return ["  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)).rstrip() for row in rows]


def boot_table(boots: Sequence[Boot]) -> list[str]:
    """Return a list of boots, a line each."""
    rows = [["boot", "started", "trial", "how it went", "stage", "code", "after", "findings"]]
    for boot in boots:
        kinds = [f.kind for f in boot.findings]
        counted = [(kind, kinds.count(kind)) for kind in dict.fromkeys(kinds)]
        told = ", ".join(f"{kind} x{count}" if count > 1 else kind for kind, count in counted)
        rows.append(
            [
                boot.id,
                local(boot.started),
                boot.trial or "-",
                MARK[boot.outcome],
                boot.last_stage or "-",
                boot.last_code or "-",
                seconds(boot.duration_s, 0.05),
                told,
            ]
        )
    return [clean(line) for line in columns(rows)]


def finding_lines(finding: Finding) -> Iterator[str]:
    """Yield a finding in words: what, where, by which limit, what it means, what to try."""
    where = f" in stage {finding.stage}" if finding.stage else ""
    code = f", last code {finding.code}" if finding.code else ""
    yield f"{finding.kind}: {finding.rule}{where}{code}, at {seconds(finding.t)}"
    if finding.limit_s is not None:
        kinds = {
            "explicit": "set in the rule table",
            "default": "the default, nothing is set",
            "learned-normal": "learned from earlier good boots",
            "distribution-free": "learned from many earlier good boots",
        }
        yield f"    limit {finding.limit_s:.3g} s ({kinds.get(finding.limit_kind or '', finding.limit_kind)})"
    if finding.cleared_t is not None:
        yield f"    over after {finding.cleared_t - finding.t:.3g} s: the machine moved on"
    if finding.detail:
        yield f"    {finding.detail}"
    if finding.means:
        yield from wrap(finding.means, WIDTH, initial_indent="    ", subsequent_indent="    ")
    for number, step in enumerate(finding.try_, 1):
        yield from wrap(f"{number}. {step}", WIDTH, initial_indent="    try ", subsequent_indent="           ")
    if finding.caution:
        yield from wrap(f"CAUTION: {finding.caution}", WIDTH, initial_indent="    ", subsequent_indent="    ")


def boot_page(boot: Boot, capture: str | None) -> Iterator[str]:
    """Yield everything about one boot."""
    trial = f", trial {boot.trial}" if boot.trial else ""
    yield clean(f"{boot.id}: {MARK[boot.outcome]}")
    yield clean(f"started {local(boot.started)} by {boot.start_reason}{trial}, rules {boot.table}")
    seen = f"{boot.codes} codes, {boot.lines} console lines"
    yield seen + (f", {boot.lost} known lost" if boot.lost else "")
    if boot.passes_of:
        yield clean(f"an earlier pass of the loop {boot.passes_of}")
    yield ""
    if boot.stages:
        rows = [["stage", "reached at", "", "took"]]
        for here, after in zip(boot.stages, [*boot.stages[1:], None], strict=True):
            took = seconds(after.t - here.t, max(here.u, after.u)) if after else ""
            rows.append([here.name, seconds(here.t, here.u), f"+-{here.u * 1000:.3g} ms", took])
        yield from (clean(line) for line in columns(rows))
    else:
        yield "no stage was reached"
    for finding in boot.findings:
        yield ""
        yield from (clean(line) for line in finding_lines(finding))
    if boot.checks:
        yield ""
        rows = [["check", "result", "at"]]
        rows += [[c.name, "passed" if c.passed else "FAILED", seconds(c.t)] for c in boot.checks]
        yield from (clean(line) for line in columns(rows))
    if capture:
        yield ""
        yield clean(f"capture: {capture}")


def trace_lines(capture: Path, boot: str) -> Iterator[str]:
    """Yield every code and console line of one boot, from its capture."""
    from benchd.vocabulary.events import CodeSeen, LineSeen, StageEntered
    from benchd.watch.trace import TraceReader

    for event in TraceReader().events(boot, capture):
        match event:
            case CodeSeen():
                port = f"{event.port:X}h" if event.port is not None else "post"
                yield f"{seconds(event.t or 0, event.u_ns / 1e9):>12}  {port:>8}  {event.code}"
            case LineSeen() if not event.partial:
                yield f"{seconds(event.t or 0, event.u_ns / 1e9):>12}  {'text':>8}  {clean(event.text)}"
            case StageEntered():
                yield f"{seconds(event.t, event.u):>12}  {'stage':>8}  {clean(event.stage)}"
