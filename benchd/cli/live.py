"""`benchd live`: what each machine is doing, as it happens, from a running daemon."""

from __future__ import annotations

import contextlib
import json
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from typing import Annotated, Any

import typer

from benchd.cli.common import ConfigOption, settings_of
from benchd.cli.output import clean
from benchd.errors import CallerError, OutsideError

STALE_S = 5.0
MAX_LINE = 4 << 20


def pictures(url: str, token: str | None) -> Iterator[dict[str, Any]]:
    """Yield machine pictures from a daemon's event stream. Raises OutsideError when it ends or is not there."""
    request = urllib.request.Request(f"{url}/api/live")
    if token:
        request.add_header("Authorization", f"Bearer {token}")
    opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    try:
        with opener.open(request, timeout=STALE_S) as answer:
            while line := answer.readline(MAX_LINE):
                if line.startswith(b"data: "):
                    yield json.loads(line[6:])
    except urllib.error.HTTPError as error:
        raise OutsideError(f"{url}: {error.code} {clean(error.reason)}; is this benchd, and the token right?") from None
    except (OSError, ValueError) as error:
        raise OutsideError(f"{url}: no daemon answers ({clean(str(error))}); start it with `benchd run`") from None
    raise OutsideError(f"{url}: the daemon ended the stream")


def register(app: typer.Typer) -> None:
    @app.command()
    def live(
        machine: Annotated[str | None, typer.Option(help="Only this machine.")] = None,
        once: Annotated[bool, typer.Option("--once", help="Draw each machine once and end.")] = False,
        config: ConfigOption = None,
    ) -> None:
        """Watch boots in the terminal while the daemon runs (Ctrl-C ends the watching, not the daemon).

        Exit codes: 0 ended by you, 1 no daemon answers, 2 wrong use.
        """
        from rich.console import Console, Group
        from rich.live import Live
        from rich.text import Text

        from benchd.cli.livedraw import draw
        from benchd.web.guard import read_token

        loaded = settings_of(config)
        if machine is not None:
            loaded.settings.machine_named(machine)
        token_file = loaded.resolve(loaded.settings.http.token_file)
        token = read_token(token_file) if token_file else None
        url = f"http://{loaded.settings.http.listen}"
        console = Console()
        seen: dict[str, dict[str, Any]] = {}
        wanted = {machine} if machine else {part.name for part in loaded.settings.machine}

        def picture() -> Group:
            return Group(*(draw(seen[name]) for name in sorted(seen)))

        if not wanted:
            raise CallerError(f"{loaded.path} names no [[machine]]: there is nothing to watch")
        if once:
            for one in pictures(url, token):
                if one["machine"] in wanted:
                    seen[one["machine"]] = one
                if wanted <= set(seen):
                    break
            console.print(picture())
            return
        with (
            contextlib.suppress(KeyboardInterrupt),
            Live(console=console, auto_refresh=False, screen=console.is_terminal) as display,
        ):
            while True:
                try:
                    for one in pictures(url, token):
                        if machine is None or one["machine"] == machine:
                            seen[one["machine"]] = one
                        display.update(picture(), refresh=True)
                except OutsideError as error:
                    if not seen:
                        raise
                    old = Text(f" what is shown is old: {clean(str(error))}; trying again ", "bold white on red")
                    display.update(Group(old, picture()), refresh=True)
                    time.sleep(1.0)
