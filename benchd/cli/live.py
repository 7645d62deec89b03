"""`benchd live`: what each machine is doing, as it happens, from a running daemon.

Drawn are the ladder with what each rung took, codes, text, links, and the alarm.
"""

from __future__ import annotations

import contextlib
import errno
import json
import ssl
import time
import urllib.error
import urllib.request
from collections.abc import Iterable, Iterator
from http.client import HTTPException
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.padding import Padding
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

from benchd.cli.options import ConfigOption, config_path
from benchd.cli.output import clean
from benchd.errors import ExternalError, UsageError, system_words
from benchd.settings import load_settings
from benchd.web.auth import read_token

STALE_S = 5.0
MAX_LINE = 4 << 20
CODES = 16
LINES = 6
STEPS = 4
BAR = 20


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


def bar(spent: float, limit: float | None) -> str:
    """Return how much of its limit a stage has used, as a bar of fixed width."""
    if not limit:
        return ""
    full = min(BAR, round(BAR * spent / limit))
    return "█" * full + "░" * (BAR - full) + f" of {limit:.3g} s"


def alarm_due(picture: dict[str, Any], spent: float) -> str:
    """Return when silence will raise an alarm, with a bar of how far that is gone; "" when none is due."""
    left = picture.get("due_in_s")
    if left is None:
        return ""
    rule = clean(picture.get("due") or "silence", 40)
    return f"{bar(spent, spent + left)}, then alarm: {rule}" if left > 0 else f"alarm: {rule}"


def _ladder(picture: dict[str, Any]) -> Table:
    boot = picture["boot"] or {}
    reached = {stage["name"]: stage for stage in boot.get("stages", [])}
    order = list(reached)
    skipped = {f["stage"] for f in boot.get("findings", []) if f["kind"] == "skipped"}
    table = Table(box=None, padding=(0, 1), show_header=False)
    for _ in range(4):
        table.add_column()
    over = boot.get("outcome") == "finished"
    for name in picture["ladder"]:
        label = clean(name, 40)
        if name in reached:
            stage = reached[name]
            here = name == picture["stage"] and not over
            place = order.index(name)
            after = reached[order[place + 1]]["t"] if place + 1 < len(order) else None
            if here:
                spent = picture["stage_for_s"] or 0.0
                note = f"for {spent:.1f} s  {alarm_due(picture, spent)}"
                table.add_row("▶", Text(label, "bold"), f"{stage['t']:8.2f} s", note)
            else:
                took = f"took {after - stage['t']:.2f} s" if after is not None else ""
                table.add_row("●", Text(label), f"{stage['t']:8.2f} s", Text(took, "dim"))
        elif name in skipped:
            table.add_row("○", Text(label, "yellow"), "", Text("not reached: the boot went without it", "yellow"))
        else:
            table.add_row("○", Text(label, "dim"), "", "")
    return table


def _alarm(picture: dict[str, Any]) -> list[RenderableType]:
    standing = picture["standing"]
    if not standing:
        return []
    word = "LOOPING" if standing["kind"] == "loop" else "STALLED"
    quiet = picture["quiet_for_s"] or 0.0
    place = f" in {clean(standing['stage'], 40)}" if standing.get("stage") else ""
    code = f", last code {clean(standing['code'], 4)}" if standing.get("code") else ""
    out: list[RenderableType] = [
        Text(f" {word}{place}{code}, quiet for {quiet:.0f} s ", "bold white on red"),
        Text(f"{clean(standing['rule'], 60)}: {clean(standing.get('means') or '', 500)}"),
    ]
    steps = standing.get("try", [])
    for n, step in enumerate(steps[:STEPS], 1):
        out.append(Text(f"  try {n}: {clean(step, 200)}"))
    if len(steps) > STEPS:
        out.append(Text(f"  {len(steps) - STEPS} more: benchd show last", "dim"))
    if standing.get("caution"):
        out.append(Text(f"  CAUTION: {clean(standing['caution'], 300)}", "bold yellow"))
    return out


def draw(picture: dict[str, Any]) -> RenderableType:
    """Return one machine's picture (`sinks.page_feed.MachinePicture` as JSON) drawn for a terminal."""
    boot = picture["boot"]
    title = f"{clean(picture['machine'], 40)} · rules {clean(picture['table'], 40)}"
    if picture["trial"]:
        title += f" · trial {clean(picture['trial'], 20)}"
    parts: list[RenderableType] = [Rule(Text(title), align="left", style="cyan")]
    if boot is None:
        parts.append(Text("no boot seen yet: switch the machine on", "dim"))
    else:
        age = f"{picture['boot_for_s']:.1f} s ago" if picture["boot_for_s"] is not None else ""
        style = {"finished": "green", "running": "cyan"}.get(boot["outcome"], "red")
        head = Text.assemble((boot["outcome"], f"bold {style}"), f"  {clean(boot['id'], 80)}  started {age}")
        parts.append(head)
    parts += _alarm(picture)
    parts += [Text(""), _ladder(picture), Text("")]
    codes = picture["codes"][-CODES:]
    if codes:
        shown = " ".join(clean(c["code"], 4) + ("" if c["known"] else "?") for c in codes)
        parts.append(Text.assemble(("codes ", "dim"), shown))
    for line in picture["lines"][-LINES:]:
        parts.append(Text.assemble(("text  ", "dim"), clean(line["text"], 100)))
    links = "  ".join(
        f"{clean(name, 32)} {'up' if link['up'] else 'DOWN'} ({clean(link['reason'], 80)})"
        for name, link in picture["links"].items()
    )
    parts.append(Text.assemble(("links ", "dim"), links))
    return Padding(Group(*parts), (0, 1, 1, 1))


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(live)


def live(
    machine: Annotated[str | None, typer.Option(help="Only this machine.")] = None,
    once: Annotated[bool, typer.Option("--once", help="Draw each machine once and end.")] = False,
    config: ConfigOption = None,
) -> None:
    """Watch boots in the terminal while the daemon runs.

    Ctrl-C ends the watching, not the daemon.

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
    with contextlib.suppress(KeyboardInterrupt):
        (feed.draw_once if once else feed.watch)(Console())


class Feed:
    """The pictures of `wanted` machines of one bench, from a daemon."""

    def __init__(self, caller: Caller, bench: str, wanted: set[str]) -> None:
        self._caller, self._bench, self._wanted = caller, bench, wanted
        self._seen: dict[str, dict[str, Any]] = {}
        self._heard_s = time.monotonic()

    def _next(self) -> Iterator[set[str]]:
        """Yield which wanted machines the daemon watches, each time after one more picture of theirs is in."""
        there = self._caller.served(self._bench, self._wanted)
        for one in self._caller.pictures():
            if one["machine"] in self._wanted:
                self._seen[one["machine"]] = one
                self._heard_s = time.monotonic()
                yield there

    def _drawn(self) -> Group:
        return Group(*(draw(self._seen[name]) for name in sorted(self._seen)))

    def draw_once(self, console: Console) -> None:
        """Print each machine once. Raises ExternalError for those that the daemon does not watch."""
        there = next(there for there in self._next() if there <= set(self._seen))
        console.print(self._drawn())
        if there < self._wanted:
            raise absent(self._caller.url, there, self._wanted - there)

    def watch(self, console: Console) -> None:
        """Draw without end. Raises ExternalError as long as nothing was seen; later what is old is said to be."""
        with Live(console=console, auto_refresh=False, screen=console.is_terminal) as display:
            while True:
                try:
                    for _ in self._next():
                        display.update(self._drawn(), refresh=True)
                except ExternalError as error:
                    if not self._seen:
                        raise
                    silent_s = round(time.monotonic() - self._heard_s)
                    why = f" No news from benchd for {silent_s} s: {clean(str(error))}; trying again "
                    old = Text(why, "bold white on red")
                    display.update(Group(old, self._drawn()), refresh=True)
                    time.sleep(1.0)
