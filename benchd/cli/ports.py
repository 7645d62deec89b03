"""`benchd ports`: the serial ports of this machine and what is known of each; what one does with a loop-back plug."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated

import typer

from benchd.cli.options import JsonOption
from benchd.cli.output import clean, emit_json, tell
from benchd.errors import UsageError
from benchd.links.loopback import loopback_text, run_loopback
from benchd.links.ports import find_ports, ports_json, ports_text


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(ports)


def ports(
    json: JsonOption = False,
    loopback: Annotated[
        str | None,
        typer.Option(metavar="PORT", help="Check a port with a plug that joins TXD to RXD. Sends through it."),
    ] = None,
    yes: Annotated[
        bool, typer.Option("--yes", help="With --loopback: no machine is connected, only the plug.")
    ] = False,
) -> None:
    """List serial ports and what stands in their way.

    Each with kind, steady name, driver, and who has it open.

    Exit code 0, also when none is found; with --loopback 1 when the port fails.
    """
    if loopback is not None:
        _loopback(loopback, json, yes)
        return
    found = find_ports()
    if json:
        emit_json(ports_json(found))
    else:
        tell(clean(line) for line in ports_text(found).split("\n"))


def _loopback(port: str, json: bool, yes: bool) -> None:
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
        tell(clean(line) for line in loopback_text(report).split("\n"))
    if not report.fine:
        raise typer.Exit(1)
