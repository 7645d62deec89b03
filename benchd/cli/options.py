"""Options that commands share, and where settings are looked for. Imports little: some commands need no store."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from benchd.errors import UsageError

ConfigOption = Annotated[
    Path | None,
    typer.Option("--config", help="Settings file; default: $BENCHD_CONFIG, bench.toml, config/bench.toml."),
]
ArchiveOption = Annotated[
    str | None,
    typer.Option("--archive", metavar="URL", help="Read this archive of many benches: a URL, a file, or its settings."),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON (see `benchd schema`).")]
PLACES = ("bench.toml", "config/bench.toml")


def config_path(given: Path | None) -> Path:
    """Return the settings file to use. Raises UsageError if none is given and none is found."""
    if given is not None:
        return given
    if name := os.environ.get("BENCHD_CONFIG"):
        return Path(name)
    for place in PLACES:
        if Path(place).is_file():
            return Path(place)
    raise UsageError(
        f"no settings file: `benchd setup` asks for the ports and writes one; or give --config FILE "
        f"(looked for here: {', '.join(PLACES)}). Without a machine, to take in boots of other benches, "
        "one line is enough: `echo '[bench]' > bench.toml`"
    )
