"""Settings made from a command line: a machine that is met for the first time needs no file to be written by hand."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

from benchd.cli.options import PLACES
from benchd.errors import UsageError
from benchd.files import write_new
from benchd.rules.files import RECORD
from benchd.settings import LoadedSettings, load_settings
from benchd.tomlfile import toml_value

FILE = Path(PLACES[0])
SPEEDS: dict[str, str | int] = {"console": "hunt", "post": 9600}
"""What a link's speed is where none is given: a console's is found, codes alone do not tell theirs."""


def first_settings(ports: Mapping[str, str | None], machine: str, rules: str | None) -> LoadedSettings:
    """Write `bench.toml` for one machine with links at `ports` (by kind: `PORT` or `PORT@SPEED`) and load it.

    Raises UsageError where there is such a file, or a port or name is none; ExternalError where it cannot be written.
    """
    if FILE.exists():
        raise UsageError(f"{FILE} exists: change the links there, and start `benchd run` without --console and --post")
    lines = [
        "[[machine]]",
        f"name = {toml_value(machine)}",
        f'rules = {toml_value(rules or RECORD)}   # a rule table: `benchd rules list`; "record" judges nothing',
    ]
    for kind, given in ports.items():
        if given is None:
            continue
        port, speed = _port(given, SPEEDS[kind])
        lines += ["", "[[machine.link]]", f'kind = "{kind}"', f"port = {toml_value(port)}"]
        lines.append(f"speed = {toml_value(speed)}")
    write_new(FILE, ("\n".join(lines) + "\n").encode(), False, [])
    try:
        return load_settings(FILE)
    except UsageError:
        FILE.unlink()  # what was given is wrong: the next try begins anew
        raise


def _port(given: str, usual: str | int) -> tuple[str, str | int]:
    found = re.fullmatch(r"(.+)@(hunt|[0-9]{1,7})", given)
    if found is None:
        return given, usual
    return found[1], found[2] if found[2] == "hunt" else int(found[2])
