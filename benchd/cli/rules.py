"""`benchd rules`: check rule tables, list the ones there are, show one, draft one, find the one that fits."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchd.cli import rulefind
from benchd.cli.output import clean, emit_json, say
from benchd.errors import UsageError
from benchd.inference.wording import counted

if TYPE_CHECKING:
    from benchd.rules import RuleTable
    from benchd.rules.schema import Help

sub = typer.Typer(no_args_is_help=True, help="Rule tables: check, list, find, show, draft, fit.")
rulefind.add(sub)

FITS_SHOWN = 8

Json = Annotated[bool, typer.Option("--json", help="Print JSON.")]


def register(app: typer.Typer) -> None:
    """Add the `rules` commands."""
    app.add_typer(sub, name="rules")


@sub.command()
def check(
    files: Annotated[list[str], typer.Argument(help="Files, or names of shipped tables.", metavar="FILE...")],
    strict: Annotated[bool, typer.Option("--strict", help="Lints count as errors.")] = False,
    json: Json = False,
) -> None:
    """Tell every error with file, line and key, and lints.

    Exit codes: 0 fine, 1 there are errors (--strict: or lints), 2 no such file.
    """
    reports = [_check_one(name) for name in files]
    errors = sum(len(r["errors"]) for r in reports)
    lints = sum(len(r["lints"]) for r in reports)
    ok = not errors and not (strict and lints)
    if json:
        emit_json({"ok": ok, "files": reports})
    else:
        for report in reports:
            _say_check(report)
        if len(reports) > 1:
            say(f"{counted(len(reports), 'file')}, {counted(errors, 'error')}, {counted(lints, 'lint')}")
    if not ok:
        raise typer.Exit(1)


def _check_one(name: str) -> dict[str, Any]:
    from benchd.rules import check_text
    from benchd.rules.files import find_table, read_table_text
    from benchd.tomlfile import FileProblems

    path = find_table(name, Path())
    report: dict[str, Any] = {"file": str(path), "table": None, "errors": [], "lints": []}
    try:
        table, lints = check_text(read_table_text(path), str(path))
    except FileProblems as wrong:
        report["errors"] = [{"line": p.line, "key": p.key, "text": p.text} for p in wrong.problems]
        return report
    report["table"] = table.name
    report["lints"] = [
        {"lint": lint.name, "line": lint.problem.line, "key": lint.problem.key, "text": lint.problem.text}
        for lint in lints
    ]
    report["stages"], report["stalls"] = len(table.stage), len(table.stall)
    return report


def _say_check(report: dict[str, Any]) -> None:
    name = clean(report["file"])
    for kind in ("errors", "lints"):
        for found in report[kind]:
            where = f"{name}:{found['line']}" if found["line"] else name
            what = f"{found['key']}: {found['text']}" if found["key"] else found["text"]
            label = "error" if kind == "errors" else f"lint {found['lint']}"
            say(f"{where}: {label}: {clean(what, 2000)}")
    if not report["errors"] and not report["lints"]:
        say(f"{name}: fine ({report['stages']} stages, {report['stalls']} stall points)")


@sub.command("list")
def list_(json: Json = False) -> None:
    """List the tables in ./rules and the shipped ones.

    Exit codes: 0 fine, 1 a file cannot be read, 2 wrong use.
    """
    from benchd.errors import BenchError
    from benchd.rules.files import load_table, shipped_tables

    here = {path.stem: path for path in sorted(Path("rules").glob("*.toml"))}
    rows = []
    for name, path in {**shipped_tables(), **here}.items():
        row: dict[str, Any] = {"name": name, "file": str(path), "shipped": name not in here}
        try:
            table = load_table(str(path.resolve()), Path())
        except BenchError as error:
            row["error"] = str(error)
        else:
            row |= {
                "stages": len(table.stage),
                "stalls": len(table.stall),
                "ports": [f"{p:X}" for p in table.table.ports],
                "source": table.table.source,
                "makers": table.table.makers,
                "machines": table.table.machines,
                "years": table.table.years,
            }
        rows.append(row)
    if json:
        emit_json(rows)
        return
    for row in rows:
        if "error" in row:
            say(f"{row['name']:<16} wrong: benchd rules check {clean(row['file'])}")
            continue
        counts = f"{row['stages']:>3} stages {row['stalls']:>3} stall points"
        chip = f"  [{', '.join(row['makers'])}]" if row["makers"] else ""
        here_too = "" if row["shipped"] else "  (./rules)"
        say(f"{row['name']:<16} {counts}  {clean(row['source'] + chip)}{here_too}")


@sub.command()
def show(name: Annotated[str, typer.Argument(help="Name or file of a table.")], json: Json = False) -> None:
    """Show a table.

    Its ladder, limits, stall points with what to try, faults, codes, sources.

    Exit codes: 0 fine, 1 a file cannot be read, 2 no such table, or it is wrong.
    """
    from benchd.rules.files import find_table, load_table

    table = load_table(name, Path())
    if json:
        as_written = table.model_dump(by_alias=True, exclude_none=True)  # durations in seconds
        emit_json({"file": str(find_table(name, Path())), **as_written})
        return
    _show_head(table)
    _show_ladder(table)
    _show_rules(table)
    _show_codes(table)


def _show_head(table: RuleTable) -> None:
    rulefind.say_about(table)
    starts = ", ".join(clean(str(w)) for w in table.boot.starts)
    say(f"  a boot starts with: {starts or 'reset, power-on or the first sign of life'}")
    if table.boot.ignore:
        say(f"  not looked at: {', '.join(clean(str(w)) for w in table.boot.ignore)}")
    say(f"  silence elsewhere: {_span(table.boot.quiet)}; after power-on: {_span(table.boot.power_quiet)}")


def _span(seconds: float) -> str:
    if seconds >= 60 and seconds % 60 == 0:
        return f"{seconds / 60:g} min"
    return f"{seconds:g} s"


def _show_ladder(table: RuleTable) -> None:
    say()
    say("Ladder" + (" (any order)" if table.table.order == "free" else ""))
    for number, stage in enumerate(table.stage, 1):
        marks = [word for word in ("final", "optional", "expected", "anytime") if getattr(stage, word)]
        if stage.branch:
            marks.append(f"branch {clean(stage.branch)}")
        limit = "-" if stage.final else f"({_span(table.boot.quiet)} quiet)"
        if stage.limit is not None:
            limit = _span(stage.limit)
        enter = " or ".join(clean(str(w)) for w in stage.enter)
        say(f"  {number:>2} {stage.name:<22} limit {limit:<14} {', '.join(marks)}".rstrip())
        say(f"     {enter}" + (f": {clean(stage.means)}" if stage.means else ""))
        if stage.source:
            say(f"     source: {clean(stage.source)}")


def _show_rules(table: RuleTable) -> None:
    groups: dict[str, list[tuple[str, Help]]] = {
        "Stall points": [(f"{s.name}: {_span(s.quiet)} silent {s.place}", s) for s in table.stall],
        "Faults told by the machine": [(f"{f.name}: {f.seen}", f) for f in table.fault],
        "Order": [(f"{o.name}: {o.first} before {o.then}", o) for o in table.order],
        "Loops": [(f"{p.name}: {' '.join(map(str, p.codes))}, {p.times} times", p) for p in table.loop],
    }
    for title, rules in groups.items():
        _show_section(title, [line for headline, rule in rules for line in (headline, *_help_lines(rule))])
    checks = [f"{c.name}: pass {clean(c.passed)!r}, fail {clean(c.failed)!r}" for c in table.check]
    _show_section("Checks read from the console", checks)


def _help_lines(rule: Help) -> list[str]:
    steps = [f"   {number}. {step}" for number, step in enumerate(rule.try_, 1)]
    rest = [f"   {word}: {text}" for word, text in (("caution", rule.caution), ("source", rule.source)) if text]
    return [f"   {rule.means}"] * bool(rule.means) + steps + rest


def _show_section(title: str, lines: list[str]) -> None:
    if lines:
        say()
        say(title)
    for line in lines:
        say(f"  {clean(line)}")


def _show_codes(table: RuleTable) -> None:
    lines = []
    for entry in table.code:
        port = f" on {entry.port:X}h" if entry.port is not None else ""
        source = f"  ({entry.source})" if entry.source else ""
        lines.append(f"{str(entry.code) + port:<11} {entry.means}{source}")
    _show_section("Codes", lines)


@sub.command()
def fit(
    captures: Annotated[list[Path], typer.Argument(help="Captures of good boots.", metavar="CAPTURE...")],
    json: Json = False,
) -> None:
    """Rank all tables by how well they explain captures.

    Those in ./rules and the shipped ones: by codes known, the ladder, and where boots begin and end.

    Exit codes: 0 a table fits, 1 none does, or a file is damaged, 2 wrong use.
    """
    import sys

    from benchd.inference.fitting import FITS, ranked
    from benchd.rules.files import DEMO
    from benchd.studies.drafting import read_record

    record = read_record(captures)
    codes = any(event.kind == "code" for boot in record.boots for event in boot.events)
    fits = ranked(_all_tables(), [boot.events for boot in record.boots])
    best = [one for one in fits if one.fits]
    if json:
        emit_json({"boots": len(record.boots), "least": FITS, "tables": [one.to_json() for one in fits]})
    else:
        say(f"{counted(len(record.boots), 'boot')} in {counted(len(captures), 'capture')}")
        say("table             fits  codes known  order  ladder  ends")
        for one in fits[:FITS_SHOWN]:
            known = f"{one.known:>11.0%}" if codes else f"{'no codes':>11}"
            parts = f"{known} {one.order:>6.0%} {one.ladder:>7.0%} {one.ends:>5.0%}"
            say(f"{one.table:<16} {one.score:>5.2f} {parts}")
        if best:
            say(f'{best[0].table} fits best: rules = "{best[0].table}"')
        else:
            say(f"No table explains this record (from {FITS} on): record a few good boots, and draft one")
        say(f"Left out: {DEMO}, the table of the machine that `benchd demo` simulates.")
    for problem in record.problems:
        print(f"benchd: {clean(problem)}", file=sys.stderr)
    if record.problems or not best:
        raise typer.Exit(1)


def _all_tables() -> list[RuleTable]:
    """Those in ./rules and the shipped ones but the demo's; what is wrong with others is told."""
    import sys

    from benchd.errors import BenchError
    from benchd.rules.files import DEMO, load_table, shipped_tables

    here = {path.stem: path for path in sorted(Path("rules").glob("*.toml"))}
    shipped = {name: path for name, path in shipped_tables().items() if name != DEMO}
    tables = []
    for path in {**shipped, **here}.values():
        try:
            tables.append(load_table(str(path.resolve()), Path()))
        except BenchError as error:
            print(f"benchd: left out: {clean(str(error))}", file=sys.stderr)
    return tables


@sub.command()
def draft(
    captures: Annotated[list[Path], typer.Argument(help="Captures of good boots.", metavar="CAPTURE...")],
    name: Annotated[str, typer.Option(help="The new table's name.")] = "draft",
    rules: Annotated[str | None, typer.Option(help="Tell boots apart by the starts of this table.")] = None,
    lines: Annotated[
        bool | None, typer.Option("--lines/--no-lines", help="Console lines as stages; default: yes.")
    ] = None,
    out: Annotated[Path | None, typer.Option(help="Write to this new file; default: standard output.")] = None,
    json: Json = False,
) -> None:
    """Draft a table from good boots of an unknown BIOS.

    Finds where boots start and end, the ladder they share, usual times and limits, and tries itself on them.

    Exit codes: 0 fine, 1 a file is damaged or cannot be written, 2 too few boots or a wrong name.
    """
    import sys

    from benchd.cli.common import make_folder
    from benchd.files import write_new
    from benchd.rules import check_text
    from benchd.studies.drafting import draft_table, read_record

    if not name.strip():
        raise UsageError("--name: give the new table a name, such as old-pc: small letters, digits, hyphen")
    record = read_record(captures, rules)
    drafted = draft_table(record, captures, name, lines=lines)
    check_text(drafted.text, "the draft")
    for problem in record.problems:
        print(f"benchd: {clean(problem)}", file=sys.stderr)
    through = f"{drafted.through} of {counted(drafted.boots, 'boot')} run through it without a finding"
    if json:
        told = drafted.ladder.to_json()
        emit_json(told | {"notes": [*drafted.ladder.notes, *drafted.notes, through], "toml": drafted.text})
    elif out is not None:
        make_folder(out.absolute().parent)
        write_new(out, drafted.text.encode(), False, list(captures))
        say(f"{clean(str(out))}: {counted(len(drafted.ladder.stages), 'stage')} from {counted(drafted.boots, 'boot')}")
        say(f"{through}; judge by it: benchd run --rules {clean(str(out))}")
    else:
        sys.stdout.write(drafted.text)
    if record.problems:
        raise typer.Exit(1)
