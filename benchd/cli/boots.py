"""`benchd boots`, `benchd show` and `benchd replay`: what was seen, from the store or from captures."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchd.cli.common import ConfigOption, JsonOption, settings_of, store_of
from benchd.cli.output import clean, emit_json, say
from benchd.errors import UsageError

if TYPE_CHECKING:
    from benchd.store import Store
    from benchd.vocabulary.models import Boot


def boots_json(boots: list[Boot]) -> list[dict[str, object]]:
    return [boot.model_dump(mode="json", by_alias=True) for boot in boots]


def foretold(store: Store, boot: Boot) -> list[str]:
    """What was foretold of the option-ROM scan for the boot's trial, against what the boot showed."""
    if boot.trial is None or not store.predictions(boot.trial):
        return []
    from benchd.cli.studytext import wrapped
    from benchd.studies.comparing import Group, events_of, predicted

    group = Group(boot.id, (boot,), boot.trial)
    told = predicted(store, group, events_of(store, [boot])[0])
    return ["", "option-ROM scan, predicted against seen:", *(line for text in told for line in wrapped(text, "  "))]


def _known(machine: str, config: Path | None, store: Store) -> None:
    """Refuse a machine that neither the settings nor the store have: its boots are not none, it is a slip."""
    known = {part.name for part in settings_of(config).settings.machine}
    if machine not in known and machine not in (known := known | set(store.machines())):
        names = ", ".join(sorted(known)) or "none"
        raise UsageError(f"no machine is called {machine!r}; the settings and the store have: {names}")


def _moment(text: str) -> datetime:
    """Return the time that a person wrote; without a zone it is meant where this computer is."""
    try:
        return datetime.fromisoformat(text).astimezone()
    except ValueError:
        raise UsageError(f"--since {text}: write a day or a time, as in 2026-03-01 or 2026-03-01T20:15") from None


def register(app: typer.Typer) -> None:
    boots_app = typer.Typer(rich_markup_mode=None)
    app.add_typer(boots_app, name="boots")

    @boots_app.callback(invoke_without_command=True)
    def boots(
        ctx: typer.Context,
        machine: Annotated[str | None, typer.Option(help="Only this machine.")] = None,
        trial: Annotated[str | None, typer.Option(help="Only boots of this trial.")] = None,
        outcome: Annotated[str | None, typer.Option(help="Only boots that ended so, e.g. stalled.")] = None,
        limit: Annotated[int, typer.Option(min=1, help="At most this many, the newest.")] = 50,
        config: ConfigOption = None,
        json: JsonOption = False,
    ) -> None:
        """List stored boots, newest last.

        Exit codes: 0 fine (also when there are none), 1 the store failed, 2 wrong use.
        """
        from benchd.cli.boottext import MARK, boot_table

        if ctx.invoked_subcommand is not None:
            return
        if outcome is not None and (outcome := outcome.lower()) not in MARK:
            raise UsageError(f"--outcome {outcome}: there is no such outcome; one of {', '.join(MARK)}")
        with store_of(config) as store:
            if machine is not None:
                _known(machine, config, store)
            found = store.boots(
                machine=machine,
                trial=trial,
                outcome=outcome,  # type: ignore[arg-type]
                limit=limit,
                newest_first=False,
            )
        if json:
            emit_json(boots_json(found))
        elif not found:
            say("No boots are stored yet.")
        else:
            for line in boot_table(found):
                say(line)

    @boots_app.command("rebuild")
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
        import sys

        from benchd.watch.rebuild import captures_under, rebuild

        loaded = settings_of(config)
        paths = files or captures_under(loaded.data)
        if not paths:
            raise UsageError(f"there are no captures in {loaded.data / 'captures'}; name some with --from")
        with store_of(config, write=True) as store:
            done = rebuild(
                store,
                paths,
                loaded.base,
                everything=everything,
                since=_moment(since) if since else None,
                told=(lambda text: None) if json else lambda text: say(text),
            )
        if json:
            emit_json({"found": done.found, "stored": done.stored, "problems": done.problems})
        else:
            say(f"{done.found} boots in {len(paths)} captures, {done.stored} of them put into the store")
        for problem in done.problems:
            print(f"benchd: {clean(problem)}", file=sys.stderr)
        if done.problems:
            raise typer.Exit(1)

    @app.command()
    def show(
        boot: Annotated[str, typer.Argument(help="A boot's id, or the beginning of it; `last` for the newest.")],
        trace: Annotated[bool, typer.Option("--trace", help="Every code and line, from the capture.")] = False,
        config: ConfigOption = None,
        json: JsonOption = False,
    ) -> None:
        """Show one boot: ladder, findings, what to try.

        Exit codes: 0 fine, 1 the boot stalled, looped or lost its link, or the store failed, 2 no such boot.
        """
        from benchd.cli.boottext import boot_page, trace_lines

        with store_of(config) as store:
            if boot == "last":
                newest = store.boots(limit=1)
                if not newest:
                    raise UsageError("no boots are stored yet")
                found = newest[0]
            else:
                found = store.boot(boot)
            capture = store.capture_of(found.id)
            told = [] if json else foretold(store, found)
        if json:
            emit_json(found.model_dump(mode="json", by_alias=True))
        else:
            for line in boot_page(found, capture):
                say(line)
            for line in told:
                say(line)
        if trace and not json:
            if capture is None:
                raise UsageError(f"boot {found.id} has no capture")
            for line in trace_lines(Path(capture), found.id):
                say(line)
        if found.outcome in ("stalled", "looped", "link-lost"):
            raise typer.Exit(1)

    @app.command()
    def replay(
        files: Annotated[list[Path], typer.Argument(help="Capture files.", metavar="FILE...")],
        rules: Annotated[
            str | None, typer.Option(help="Judge by this rule table (path or name) instead of the one named.")
        ] = None,
        json: JsonOption = False,
    ) -> None:
        """Judge captures again, from the files alone.

        The same boots as live, or as another table sees them.

        Exit codes: 0 fine, 1 a file is damaged (what is whole was read), 2 no capture, or no such table.
        """
        import sys

        from benchd.cli.boottext import boot_page, boot_table
        from benchd.watch.replay import Replay

        again = Replay(files, rules)
        found = again.boots()
        if json:
            emit_json(boots_json(found))
        else:
            for line in boot_table(found) if found else ["No boots in these captures."]:
                say(line)
            if len(found) == 1:
                say()
                for line in boot_page(found[0], None):
                    say(line)
        for problem in again.problems:
            print(f"benchd: {clean(problem)}", file=sys.stderr)
        if again.problems:
            raise typer.Exit(1)
