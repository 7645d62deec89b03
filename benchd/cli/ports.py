"""`benchd ports`: the serial ports of this machine and what is known of each."""

from __future__ import annotations

import typer

from benchd.cli.options import JsonOption
from benchd.cli.output import clean, emit_json, tell
from benchd.links.ports import find_ports, ports_json, ports_text


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(ports)


def ports(json: JsonOption = False) -> None:
    """List serial ports and what stands in their way.

    Each with kind, steady name, driver, and who has it open.

    Exit code 0, also when none is found.
    """
    found = find_ports()
    if json:
        emit_json(ports_json(found))
    else:
        tell(clean(line) for line in ports_text(found).split("\n"))
