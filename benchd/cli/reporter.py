"""`benchd reporter`: the machine reports itself."""

from __future__ import annotations

import typer

from benchd.cli import reporter_read

sub = typer.Typer(no_args_is_help=True, help="The machine reports itself: read its report.")


def register(app: typer.Typer) -> None:
    """Add the `reporter` commands."""
    reporter_read.register(sub)
    app.add_typer(sub, name="reporter")
