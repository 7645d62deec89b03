"""`benchd live`: what each machine is doing, as it happens, from a running daemon."""

from __future__ import annotations

import contextlib
import json
import time
import urllib.error
import urllib.request
from collections.abc import Iterable, Iterator
from http.client import HTTPException
from typing import Annotated, Any

import typer

from benchd.cli.common import ConfigOption, settings_of
from benchd.cli.output import clean
from benchd.errors import ExternalError, UsageError

STALE_S = 5.0
MAX_LINE = 4 << 20


def served(url: str, token: str | None, bench: str, wanted: set[str]) -> set[str]:
    """Return which of the `wanted` machines the daemon at `url` watches.

    Raises ExternalError if none answers, if it is another bench's than `bench`, or if it watches none of them.
    """
    with _asked(f"{url}/api/start", url, token) as answer:
        start = json.loads(answer.read(MAX_LINE))
        other, names = start["bench"], [one["name"] for one in start["machines"]]
    if other != bench:
        raise ExternalError(
            f"the daemon at {url} is of the bench {clean(other, 64)!r}, these settings are of {bench!r}: "
            "use its settings file (--config), or give each bench a port of its own (http.listen)"
        )
    if not wanted & set(names):
        raise absent(url, names, wanted)
    return wanted & set(names)


def absent(url: str, names: Iterable[str], wanted: Iterable[str]) -> ExternalError:
    """Say which machines a daemon watches, and which it does not."""
    there, missing = (", ".join(clean(name, 64) for name in sorted(some)) for some in (names, wanted))
    return ExternalError(f"the daemon at {url} watches {there or 'nothing'}, not {missing}")


@contextlib.contextmanager
def _asked(what: str, url: str, token: str | None) -> Iterator[Any]:
    """Yield the answer to a request of `what` to the daemon at `url`; every failure is an ExternalError."""
    request = urllib.request.Request(what)
    if token:
        request.add_header("Authorization", f"Bearer {token}")
    opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    try:
        with opener.open(request, timeout=STALE_S) as answer:
            yield answer
    except urllib.error.HTTPError as error:
        raise ExternalError(
            f"{url}: {error.code} {clean(error.reason)}; is this benchd, and the token right?"
        ) from None
    except (OSError, HTTPException) as error:
        raise ExternalError(f"{url}: no daemon answers ({clean(str(error))}); start it with `benchd run`") from None
    except (ValueError, KeyError, TypeError):
        raise ExternalError(f"{url}: what answers there is no benchd of this version") from None


def pictures(url: str, token: str | None) -> Iterator[dict[str, Any]]:
    """Yield machine pictures from a daemon's event stream. Raises ExternalError when it ends or is not there."""
    with _asked(f"{url}/api/live", url, token) as answer:
        while line := answer.readline(MAX_LINE):
            if line.startswith(b"data: "):
                yield json.loads(line[6:])
    raise ExternalError(f"{url}: the daemon ended the stream")


def register(app: typer.Typer) -> None:
    @app.command()
    def live(
        machine: Annotated[str | None, typer.Option(help="Only this machine.")] = None,
        once: Annotated[bool, typer.Option("--once", help="Draw each machine once and end.")] = False,
        config: ConfigOption = None,
    ) -> None:
        """Watch boots in the terminal while the daemon runs.

        Ctrl-C ends the watching, not the daemon.

        Exit codes: 0 ended by you, 1 no daemon answers or it watches other machines, 2 wrong use.
        """
        from rich.console import Console, Group
        from rich.live import Live
        from rich.text import Text

        from benchd.cli.livedraw import draw
        from benchd.web.auth import read_token

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
            raise UsageError(f"{loaded.path} names no [[machine]]: there is nothing to watch")
        bench = loaded.settings.bench.name
        if once:
            there = served(url, token, bench, wanted)
            for one in pictures(url, token):
                if one["machine"] in wanted:
                    seen[one["machine"]] = one
                if there <= set(seen):
                    break
            console.print(picture())
            if there < wanted:
                raise absent(url, there, wanted - there)
            return
        with (
            contextlib.suppress(KeyboardInterrupt),
            Live(console=console, auto_refresh=False, screen=console.is_terminal) as display,
        ):
            while True:
                try:
                    served(url, token, bench, wanted)
                    for one in pictures(url, token):
                        if machine is None or one["machine"] == machine:
                            seen[one["machine"]] = one
                        display.update(picture(), refresh=True)
                except ExternalError as error:
                    if not seen:
                        raise
                    old = Text(f" what is shown is old: {clean(str(error))}; trying again ", "bold white on red")
                    display.update(Group(old, picture()), refresh=True)
                    time.sleep(1.0)
