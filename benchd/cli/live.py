"""`benchd live`: what each machine is doing, as it happens, from a running daemon.

Drawn are the ladder with what each rung took, codes, text, links, and the alarm.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import signal
import ssl
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterable, Iterator
from http.client import HTTPException
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console, Group
from rich.live import Live
from rich.text import Text

from benchd.cli.keys import keys
from benchd.cli.livedraw import draw, one_line
from benchd.cli.options import ConfigOption, config_path
from benchd.cli.output import clean
from benchd.errors import ExternalError, UsageError, system_words
from benchd.settings import load_settings
from benchd.web.auth import read_token

STALE_S = 5.0
MAX_LINE = 4 << 20


class Caller:
    """Asks the daemon at `url`, with a token where it demands one; over TLS it must show the certificate `cert`."""

    def __init__(self, url: str, token: str | None, cert: Path | None = None) -> None:
        self.url = url
        self._head = {"Authorization": f"Bearer {token}"} if token else {}
        ways: list[urllib.request.BaseHandler] = [urllib.request.ProxyHandler({})]
        if cert is not None:
            # The very certificate of the settings, whoever signed it and whatever name it is for.
            context = ssl.create_default_context(cafile=str(cert))
            context.check_hostname = False
            context.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN
            ways.append(urllib.request.HTTPSHandler(context=context))
        self._opener = urllib.request.build_opener(*ways)

    def served(self, bench: str, wanted: set[str]) -> set[str]:
        """Return which of the `wanted` machines the daemon watches.

        Raises ExternalError if none answers, if it is another bench's than `bench`, or if it watches none of them.
        """
        with self._asked("/api/start") as answer:
            start = json.loads(answer.read(MAX_LINE))
            other, names = start["bench"], [one["name"] for one in start["machines"]]
        if other != bench:
            raise ExternalError(
                f"the daemon at {self.url} is of the bench {clean(other, 64)!r}, these settings are of {bench!r}: "
                "use its settings file (--config), or give each bench a port of its own (http.listen)"
            )
        if not wanted & set(names):
            raise absent(self.url, names, wanted)
        return wanted & set(names)

    def pictures(self) -> Iterator[dict[str, Any]]:
        """Yield machine pictures from the event stream. Raises ExternalError when it ends or is not there."""
        with self._asked("/api/live") as answer:
            while line := answer.readline(MAX_LINE):
                if line.startswith(b"data: "):
                    yield json.loads(line[6:])
        raise ExternalError(f"{self.url}: the daemon ended the stream")

    @contextlib.contextmanager
    def _asked(self, path: str) -> Iterator[Any]:
        """Yield the answer; every failure is an ExternalError."""
        url = self.url
        try:
            with self._opener.open(urllib.request.Request(url + path, headers=self._head), timeout=STALE_S) as answer:
                yield answer
        except urllib.error.HTTPError as error:
            raise ExternalError(
                f"{url}: {error.code} {clean(error.reason)}; is this benchd, and the token right?"
            ) from None
        except (OSError, HTTPException) as error:
            cause = getattr(error, "reason", error)
            refused = getattr(cause, "errno", None) == errno.ECONNREFUSED
            reason = "" if refused else f" ({clean(system_words(cause))})"
            raise ExternalError(f"benchd is not running at {url}{reason}. Start it: `benchd run`") from None
        except (ValueError, KeyError, TypeError):
            raise ExternalError(f"{url}: what answers there is no benchd of this version") from None


def absent(url: str, names: Iterable[str], wanted: Iterable[str]) -> ExternalError:
    """Say which machines a daemon watches, and which it does not."""
    there, missing = (", ".join(clean(name, 64) for name in sorted(some)) for some in (names, wanted))
    return ExternalError(f"the daemon at {url} watches {there or 'nothing'}, not {missing}")


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(live)


def live(
    machine: Annotated[str | None, typer.Option(help="Only this machine.")] = None,
    once: Annotated[bool, typer.Option("--once", help="Draw each machine once and end.")] = False,
    config: ConfigOption = None,
) -> None:
    """Watch boots in the terminal while the daemon runs.

    q or Ctrl-C ends the watching, not the daemon. What does not fit is folded: a unfolds, arrows and page keys scroll.

    Exit codes: 0 ended by you, 1 no daemon answers or it watches other machines, 2 wrong use.
    """
    loaded = load_settings(config_path(config))
    if machine is not None:
        loaded.settings.machine_named(machine)
    token_file = loaded.resolve(loaded.settings.http.token_file)
    token = read_token(token_file) if token_file else None
    wanted = {machine} if machine else {part.name for part in loaded.settings.machine}
    if not wanted:
        raise UsageError(f"{loaded.path} names no [[machine]]: there is nothing to watch")
    http = loaded.settings.http
    url = f"{'https' if http.tls_cert else 'http'}://{http.listen}"
    feed = Feed(Caller(url, token, loaded.resolve(http.tls_cert)), loaded.settings.bench.name, wanted)
    if not once and not sys.stdout.isatty():
        print(
            "benchd: no terminal to draw in: what stands at the end is written; --once writes it now", file=sys.stderr
        )
    with contextlib.suppress(KeyboardInterrupt):
        (feed.draw_once if once else feed.watch)(Console())


class View:
    """What of the drawing is on the screen: folded to fit, or whole, from line `top` on."""

    def __init__(self) -> None:
        self.folded, self.top = True, 0

    def press(self, key: str, page: int) -> None:
        """Take a key; `page` is how many lines the screen has."""
        moves = {"up": -1, "k": -1, "down": 1, "j": 1, "page-up": -page, "b": -page, "page-down": page}
        if key in ("a", "escape"):
            self.folded, self.top = not self.folded if key == "a" else True, 0
        elif key == "end":
            self.folded, self.top = False, 1 << 20
        elif key == "home":
            self.top = 0
        elif key in moves:
            self.folded, self.top = False, max(0, self.top + moves[key])

    def lines(self, pictures: list[dict[str, Any]], width: int, height: int) -> list[Text]:
        """Return the lines for a screen, the last of which says what keys do."""
        room = height - 1
        if self.folded:
            each = room // max(1, len(pictures))
            drawn = [line for one in pictures for line in draw(one, width, max(each, 12))]
        else:
            drawn = [line for one in pictures for line in [*draw(one, width), one_line("")]]
        self.top = min(self.top, max(0, len(drawn) - room))
        more = len(drawn) - room - self.top
        hint = "a: all of it" if self.folded else "a: fold"
        below = f"  {more} more lines below" if more > 0 else ""
        foot = one_line(f"{hint}  arrows, page keys: scroll  q: end{below}", "dim")
        return [*drawn[self.top : self.top + room], foot]


class Feed:
    """The pictures of `wanted` machines of one bench, from a daemon."""

    def __init__(self, caller: Caller, bench: str, wanted: set[str]) -> None:
        self._caller, self._bench, self._wanted = caller, bench, wanted
        self._seen: dict[str, dict[str, Any]] = {}
        self._heard_s = time.monotonic()
        self._view = View()
        self._lock = threading.Lock()

    def _next(self) -> Iterator[set[str]]:
        """Yield which wanted machines the daemon watches, each time after one more picture of theirs is in."""
        there = self._caller.served(self._bench, self._wanted)
        for one in self._caller.pictures():
            if one["machine"] in self._wanted:
                with self._lock:
                    self._seen[one["machine"]] = one
                self._heard_s = time.monotonic()
                yield there

    def _pictures(self) -> list[dict[str, Any]]:
        return [self._seen[name] for name in sorted(self._seen)]

    def draw_once(self, console: Console) -> None:
        """Print each machine once. Raises ExternalError for those that the daemon does not watch."""
        there = next(there for there in self._next() if there <= set(self._seen))
        for one in self._pictures():
            console.print(Group(*draw(one, console.width)))
        if there < self._wanted:
            raise absent(self._caller.url, there, self._wanted - there)

    def watch(self, console: Console) -> None:
        """Draw without end. Raises ExternalError as long as nothing was seen; later what is old is said to be."""
        with Live(console=console, auto_refresh=False, screen=console.is_terminal) as display:

            def show(above: tuple[Text, ...] = ()) -> None:
                with self._lock:
                    lines = self._view.lines(self._pictures(), console.width, console.height - len(above))
                    display.update(Group(*above, *lines), refresh=True)

            def pressed(key: str) -> None:
                if key == "q":
                    os.kill(os.getpid(), signal.SIGINT)
                    return
                self._view.press(key, console.height - 2)
                if self._seen:
                    show()

            with keys(pressed):
                while True:
                    try:
                        for _ in self._next():
                            show()
                    except ExternalError as error:
                        if not self._seen:
                            raise
                        silent_s = round(time.monotonic() - self._heard_s)
                        why = f" No news from benchd for {silent_s} s: {clean(str(error))}; trying again "
                        show((one_line(why, "bold white on red"),))
                        time.sleep(1.0)
