"""`benchd ports`: the serial ports of this machine and what is known of each; what one does with a loop-back plug."""

from __future__ import annotations

import typer

from benchd.cli.output import clean, emit_json, say


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def ports(
        json: bool = typer.Option(False, "--json", help="Print a JSON list."),
        loopback: str | None = typer.Option(
            None, metavar="PORT", help="Check a port with a plug that joins TXD to RXD. Sends through it."
        ),
        yes: bool = typer.Option(False, "--yes", help="With --loopback: no machine is connected, only the plug."),
    ) -> None:
        """List serial ports and what stands in their way.

        Each with kind, steady name, driver, and who has it open.

        Exit code 0, also when none is found; with --loopback 1 when the port fails.
        """
        if loopback is not None:
            _loopback(loopback, json, yes)
            return
        from benchd.links.ports import find_ports, ports_json, ports_text

        found = find_ports()
        if json:
            emit_json(ports_json(found))
            return
        for line in ports_text(found).split("\n"):
            say(clean(line))


def _loopback(port: str, json: bool, yes: bool) -> None:
    from dataclasses import asdict

    from benchd.errors import UsageError
    from benchd.links.loopback import loopback_text, run_loopback

    question = f"{port}: is the cable off, no machine connected, and only a loop-back plug (TXD to RXD) in the port?"
    if not yes:
        try:
            sure = typer.confirm(question, err=True)
        except typer.Abort:
            sure = False
        if not sure:
            raise UsageError(f"--loopback: nothing was sent to {port}; answer the question with y, or give --yes")
    report = run_loopback(port)
    if json:
        emit_json([asdict(report)])
    else:
        for line in loopback_text(report).split("\n"):
            say(clean(line))
    if not report.fine:
        raise typer.Exit(1)
