"""Settings made by a command: a machine that is met for the first time needs no file to be written by hand."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
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
KINDS = {"post": "POST codes from a diagnostic card", "console": "boot text over a null-modem cable"}
HEAD = """\
# benchd settings. Change them here; firmware-notes/contract.md lists every key. Paths are relative to this file.
"""
TAIL = """
# To be told of a stall elsewhere, take the marks off (README.md, "a stall alarm on your phone"):
# [alert]
# command = ["/usr/local/bin/tell-me"]   # gets JSON on its standard input
"""


@dataclass(frozen=True, slots=True)
class NewLink:
    """A link to be written: `kind` post or console, `speed` in bit/s or "hunt", and how it was found, or ""."""

    kind: str
    port: str
    speed: str | int
    framing: str | None = None
    found: str = ""

    @classmethod
    def given(cls, kind: str, text: str) -> NewLink:
        """Return the link that `PORT` or `PORT@SPEED` means. Raises UsageError for what is no speed."""
        found = re.fullmatch(r"(.+)@(hunt|[0-9]{1,7})", text)
        if found is None:
            port, at, speed = text.rpartition("@")
            if at and not re.search("[/:]", speed) and not Path(text).exists():  # a port's name may hold an @ too
                raise UsageError(
                    f"{text}: {speed!r} is no speed; after the @ come bits per second or hunt, as in {port}@9600"
                )
            return cls(kind, text, SPEEDS[kind])
        return cls(kind, found[1], found[2] if found[2] == "hunt" else int(found[2]))


def settings_text(machine: str, rules: str, links: Sequence[NewLink]) -> str:
    """Return a commented settings file for one machine."""
    judges = "judges nothing, keeps everything; `benchd rules find` leads from the BIOS chip to a table"
    lines = ["", "[[machine]]", f"name = {toml_value(machine)}", f"rules = {toml_value(rules)}"]
    lines[-1] += f"   # {judges}" if rules == RECORD else "   # a rule table: `benchd rules about` tells what it is for"
    for link in links:
        lines += ["", "[[machine.link]]", f'kind = "{link.kind}"   # {KINDS[link.kind]}']
        lines.append(f"port = {toml_value(link.port)}")
        why = link.found or ("found anew at each start" if link.speed == "hunt" else "bits per second")
        lines.append(f'speed = {toml_value(link.speed)}   # {why}; "hunt" finds it by what comes')
        if link.framing is not None:
            lines.append(
                f"framing = {toml_value(link.framing)}   # how the card sends: firmware-notes/card-framings.md"
            )
    return HEAD + "\n".join(lines) + "\n" + TAIL


def write_settings(path: Path, text: str) -> LoadedSettings:
    """Write a new settings file and load it; one that turns out wrong is taken away again.

    Raises UsageError where there is such a file, or what it says is wrong; ExternalError where it cannot be written.
    """
    write_new(path, text.encode(), False, [])
    try:
        return load_settings(path)
    except UsageError:
        path.unlink()  # what was given is wrong: the next try begins anew
        raise


def first_settings(ports: Mapping[str, str | None], machine: str, rules: str | None) -> LoadedSettings:
    """Write `bench.toml` for one machine with links at `ports` (by kind: `PORT` or `PORT@SPEED`) and load it.

    Raises as `write_settings`.
    """
    if FILE.exists():
        raise UsageError(f"{FILE} exists: change the links there, and start `benchd run` without --console and --post")
    links = [NewLink.given(kind, given) for kind, given in ports.items() if given is not None]
    return write_settings(FILE, settings_text(machine, rules or RECORD, links))
