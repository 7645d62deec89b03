"""`benchd boots`, and boots as text: a list, and a page with ladder, findings and what to try."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator, Sequence
from datetime import datetime
from math import ceil, floor, log10
from pathlib import Path
from textwrap import wrap
from typing import TYPE_CHECKING, Annotated

import typer

from benchd.cli import sharing
from benchd.cli.bootsundo import add_undo
from benchd.cli.common import ArchiveOption, ConfigOption, JsonOption, settings_of, store_of
from benchd.cli.measuredtext import measured_lines
from benchd.cli.output import clean, columns, emit_json, local, tell
from benchd.errors import UsageError
from benchd.inference.wording import counted
from benchd.store import Store
from benchd.vocabulary.models import Boot, Finding

if TYPE_CHECKING:
    from benchd.watch.rebuild import Rebuilt

MARK = {
    "finished": "finished",
    "stalled": "STALLED",
    "looped": "LOOPED",
    "cut-short": "cut-short",
    "link-lost": "link-lost",
    "recorded": "recorded",
    "running": "running",
}
WIDTH = 96
BLIND_SHOWN = 3
NAMED = 60
"""Machines named where one is not known."""


def seconds(t: float, u: float = 0.0) -> str:
    """Return a time with the digits that its uncertainty allows: 12.35 s for +-0.02 s."""
    digits = 3 if u <= 0 else min(6, max(0, -floor(log10(u))))
    return f"{t:.{digits}f} s"


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
                MARK[boot.outcome] + (", imported" if boot.imported else ""),
                boot.last_stage or "-",
                boot.last_code or "-",
                seconds(boot.duration_s, 0.05),
                ", ".join([*([told] if told else []), *(["left out"] if boot.left_out else []), *boot.labels]),
            ]
        )
    return [clean(line) for line in columns(rows)]


def finding_lines(finding: Finding) -> Iterator[str]:
    """Yield a finding in words: what, where, by which limit, what it means, what to try."""
    where = f" in stage {finding.stage}" if finding.stage else ""
    code = f", last code {finding.code}" if finding.code else ""
    if finding.kind == "skipped":
        yield f"finished, but {finding.stage} was never reached{code}, at {seconds(finding.t)}"
    else:
        yield f"{finding.kind}: {finding.rule}{where}{code}, at {seconds(finding.t)}"
    if finding.limit_s is not None:
        kinds = {
            "explicit": "set in the rule table",
            "default": "the default, nothing is set",
            "learned-normal": "learned from few earlier good boots",
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


def _give_or_take(u: float) -> str:
    """Return an uncertainty of so many seconds, two digits of it and never less: ±4 ms, ±1.6 s."""
    value, unit = (u, "s") if u >= 1 else (u * 1000, "ms")
    if value <= 0:
        return f"±0 {unit}"
    step = 10.0 ** (floor(log10(value)) - 1)
    return f"±{round(ceil(value / step - 1e-6) * step, 9):g} {unit}"


def boot_page(boot: Boot, capture: str | None) -> Iterator[str]:
    """Yield everything about one boot."""
    trial = f", trial {boot.trial}" if boot.trial else ""
    yield clean(f"{boot.id}: {MARK[boot.outcome]}")
    if boot.imported:
        yield from _came_along(boot, capture)
    yield clean(f"started {local(boot.started)} by {boot.start_reason}{trial}, rules {boot.table}")
    yield from _decided(boot)
    seen = f"{counted(boot.codes, 'code')}, {counted(boot.lines, 'console line')}"
    yield seen + (f", {boot.lost} known lost" if boot.lost else "")
    for span in boot.blind[:BLIND_SHOWN]:
        yield clean(f"not all of it was seen: {span.link} {span.words}")
    if len(boot.blind) > BLIND_SHOWN:
        yield f"and {len(boot.blind) - BLIND_SHOWN} times more"
    if boot.passes_of:
        yield clean(f"an earlier pass of the loop {boot.passes_of}")
    yield ""
    yield from _ladder_lines(boot)
    for finding in boot.findings:
        yield ""
        yield from (clean(line) for line in finding_lines(finding))
    yield from _results(boot)
    if capture:
        yield ""
        gone = None if os.path.isfile(capture) else _gone(Path(capture))
        yield clean(f"its capture {gone}: codes and lines cannot be shown" if gone else f"capture: {capture}", 1000)


def _gone(capture: Path) -> str | None:
    """Say what became of a capture that does not lie where it was, None where it is there, compressed."""
    from benchd.capture import letgo  # here: the room of captures loads what reading them needs, and most lie there
    from benchd.capture.packed import file_of

    return None if file_of(capture) else letgo.in_words(capture) or "is not there any more"


def _results(boot: Boot) -> Iterator[str]:
    """Yield what a boot checked and what its machine reported."""
    if boot.checks:
        yield ""
        rows = [["check", "result", "at"]]
        rows += [[c.name, "passed" if c.passed else "FAILED", seconds(c.t)] for c in boot.checks]
        yield from (clean(line) for line in columns(rows))
    if boot.measured is not None:
        yield ""
        yield from (clean(line) for line in measured_lines(boot.measured))


def _decided(boot: Boot) -> Iterator[str]:
    """Yield what people decided about a boot and wrote on it."""
    if boot.left_out is not None:
        yield from wrap(clean(f"LEFT OUT, it counts nowhere: {boot.left_out}", 1000), WIDTH)
    if boot.labels:
        yield clean(f"labels: {', '.join(boot.labels)}", 1000)
    for line in boot.note.splitlines():
        yield from wrap(clean(f"note: {line}", 4000), WIDTH)


def _came_along(boot: Boot, capture: str | None) -> Iterator[str]:
    """Yield that a boot was recorded on another bench, and what its file says of it."""
    from benchd.capture import read_capture
    from benchd.watch.archive import About

    about = None if capture is None else About.of(read_capture(capture))
    labels = {} if about is None else about.labels
    trial = clean(f": there in trial {labels.get('trial')} of study {labels.get('study')}") if "trial" in labels else ""
    yield f"imported from another bench{trial}"
    if isinstance(setup := labels.get("setup"), dict):
        yield clean("  " + ", ".join(f"{factor}={level}" for factor, level in setup.items()))
    if about is not None and about.note:
        yield from (f"  {clean(line)}" for line in about.note.splitlines())


def _ladder_lines(boot: Boot) -> Iterator[str]:
    """Yield the stages that were reached, with their times."""
    if not boot.stages:
        yield "no stage was reached"
        return
    rows = [["stage", "reached at", "", "took"]]
    for here, after in zip(boot.stages, [*boot.stages[1:], None], strict=True):
        took = seconds(after.t - here.t, max(here.u, after.u)) if after else ""
        rows.append([here.name, seconds(here.t, here.u), _give_or_take(here.u), took])
    yield from (clean(line) for line in columns(rows))


def boots_json(boots: Sequence[Boot]) -> list[dict[str, object]]:
    """Return boots in their published form."""
    return [boot.model_dump(mode="json", by_alias=True) for boot in boots]


def _known(machine: str, config: Path | None, store: Store, archive: str | None = None) -> None:
    """Refuse a machine that neither the settings nor the store have: its boots are not none, it is a slip."""
    known = set() if archive is not None else {part.name for part in settings_of(config).settings.machine}
    if machine not in known and machine not in (known := known | set(store.machines())):
        names = ", ".join(sorted(known)[:NAMED]) + (", ..." if len(known) > NAMED else "") or "none"
        where = "the archive has" if archive is not None else "the settings and the store have"
        raise UsageError(f"no machine is called {machine!r}; {where}: {names}")


def _moment(text: str) -> datetime:
    """Return the time that a person wrote; without a zone it is meant where this computer is."""
    try:
        return datetime.fromisoformat(text).astimezone()
    except ValueError:
        raise UsageError(f"--since {text}: write a day or a time, as in 2026-03-01 or 2026-03-01T20:15") from None


def register(app: typer.Typer) -> None:
    """Add the command and the one under it."""
    group = typer.Typer(rich_markup_mode=None, invoke_without_command=True, no_args_is_help=False)
    group.callback()(boots)
    group.command("rebuild")(rebuild_boots)
    group.command("judge")(judge_boots)
    add_undo(group)
    sharing.register(group)
    app.add_typer(group, name="boots")


def boots(
    ctx: typer.Context,
    machine: Annotated[str | None, typer.Option(help="Only this machine.")] = None,
    trial: Annotated[str | None, typer.Option(help="Only boots of this trial.")] = None,
    outcome: Annotated[str | None, typer.Option(help="Only boots that ended so, e.g. stalled.")] = None,
    limit: Annotated[int, typer.Option(min=1, help="At most this many, the newest.")] = 50,
    csv: Annotated[bool, typer.Option("--csv", help="Print a table: a row a boot, with its stage times.")] = False,
    archive: ArchiveOption = None,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """List stored boots, newest last.

    Exit codes: 0 fine (also when there are none), 1 the store failed, 2 wrong use.
    """
    if ctx.invoked_subcommand is not None:
        return
    if csv and json:
        raise UsageError("give --csv or --json, not both")
    if outcome is not None and (outcome := outcome.lower()) not in MARK:
        raise UsageError(f"--outcome {outcome}: there is no such outcome; one of {', '.join(MARK)}")
    with store_of(config, archive=archive) as store:
        if machine is not None:
            _known(machine, config, store, archive)
        found = store.boots(
            machine=machine,
            trial=trial,
            outcome=outcome,  # type: ignore[arg-type]
            limit=limit,
            newest_first=False,
        )
    none = "No boots are stored yet." if machine is trial is outcome is None else "No boot matches."
    if csv:
        from benchd.studies.boottables import csv_text

        sys.stdout.write(csv_text(found))
    elif json:
        emit_json(boots_json(found))
    else:
        tell(boot_table(found) if found else [none])


def rebuild_boots(
    files: Annotated[
        list[Path] | None,
        typer.Option("--from", metavar="FILE", help="This capture; may stand several times. Default: all."),
    ] = None,
    since: Annotated[str | None, typer.Option(help="Only boots that began since then, e.g. 2026-03-01.")] = None,
    everything: Annotated[bool, typer.Option("--all", help="Also boots that the store has as over.")] = False,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Put boots that are in captures into the store again.

    Those that the store lacks or does not know the end of; results, notes and trials are not touched.

    Exit codes: 0 fine, 1 a capture could not be read whole (the others were), or the store failed, 2 wrong use.
    """
    # Listing boots is asked for often and needs none of what judges captures.
    from benchd.watch.rebuild import captures_under, rebuild

    loaded = settings_of(config)
    paths = files or captures_under(loaded.data, imported=True)
    if not paths:
        raise UsageError(f"there are no captures in {loaded.data / 'captures'}; name some with --from")
    with store_of(config, write=True) as store:
        done = rebuild(
            store,
            paths,
            loaded.base,
            everything=everything,
            since=_moment(since) if since else None,
            told=(lambda text: None) if json else lambda text: tell([text]),
        )
    _done(
        done,
        json,
        f"{counted(done.found, 'boot')} in {counted(len(paths), 'capture')}, {done.stored} of them put into the store",
    )


def _done(done: Rebuilt, json: bool, said: str) -> None:
    """Say what was judged again, and each problem on standard error. Exits with 1 where there was one."""
    if json:
        emit_json({"found": done.found, "stored": done.stored, "problems": done.problems})
    else:
        tell([said])
    for problem in done.problems:
        print(f"benchd: {clean(problem)}", file=sys.stderr)
    if done.problems:
        raise typer.Exit(1)


def judge_boots(
    rules: Annotated[str | None, typer.Option(help="The table to judge by from now on: a name or a file.")] = None,
    as_recorded: Annotated[
        bool, typer.Option("--as-recorded", help="Judge by the tables that were in force then, as before.")
    ] = False,
    machine: Annotated[str | None, typer.Option(help="Only this machine's boots.")] = None,
    files: Annotated[
        list[Path] | None,
        typer.Option("--from", metavar="FILE", help="This capture; may stand several times. Default: all."),
    ] = None,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Judge old boots again by another table, in the store.

    Records, verdicts and studies follow; the captures stay as they are, each with the table beside it.

    Exit codes: 0 fine, 1 a capture could not be read whole, benchd is running, or the store failed, 2 wrong use.
    """
    from benchd.rules.files import load_table_text
    from benchd.watch.folder import lock_data
    from benchd.watch.rebuild import captures_under
    from benchd.watch.rejudge import rejudge

    if (rules is None) == (not as_recorded):
        raise UsageError("give either --rules TABLE or --as-recorded")
    loaded = settings_of(config)
    here = Path() if rules is not None and Path(rules).is_file() else loaded.base
    text = load_table_text(rules, here)[1] if rules is not None else None
    paths = files or captures_under(loaded.data)
    if not paths:
        raise UsageError(f"there are no captures in {loaded.data / 'captures'}; name some with --from")
    lock = lock_data(loaded.data)
    try:
        with store_of(config, write=True) as store:
            if machine is not None:
                _known(machine, config, store)
            done = rejudge(
                store, paths, loaded.base, text, machine=machine, told=lambda line: None if json else tell([line])
            )
    finally:
        os.close(lock)
    more = done.found - done.before
    than = f": {abs(more)} {'more' if more > 0 else 'fewer'} than before" if more else ", as many as before"
    _done(done, json, f"{counted(done.found, 'boot')} judged again{than}")
