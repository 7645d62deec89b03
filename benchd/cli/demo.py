"""`benchd demo`: all of benchd on a simulated machine over a real pty; no hardware, broker or root.

The machine, its cards and its trouble are of our own invention (benchd/demo/at286.py).
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any

import typer

from benchd.cli.boots import finding_lines
from benchd.cli.common import store_of
from benchd.cli.output import clean, say, tell
from benchd.cli.practice import EVERY_S, line_typed, nobody_types, practise
from benchd.daemon import Daemon
from benchd.demo import at286
from benchd.demo.machine import Operator, SimMachine
from benchd.demo.story import play_story
from benchd.errors import ExternalError, UsageError, system_words
from benchd.rules.files import shipped_dir
from benchd.settings import load_settings
from benchd.studies.comparing import compare_groups, find_groups
from benchd.vocabulary.events import Event, FindingCleared, FindingRaised, LineSeen, StageEntered
from benchd.vocabulary.models import Boot
from benchd.vocabulary.times import parse_duration

MACHINE = "at286"
SPEED = 10.0
SEED = 5
HANG_S = 9.0
"""How long the hanging boot is left standing; its stall point is known after 6 s."""
SETTLE_S = 15.0

SETTINGS = """\
# Written by `benchd demo`: a simulated machine on two ptys.
[bench]
name = "demo"
data = "data"

[http]
listen = "{listen}"

[alert]
command = [{python}, "-c", {alarm}]

[[machine]]
name = "at286"
rules = "demo-at286"
map = "at286-map.toml"

[[machine.link]]
kind = "post"
port = {post}
framing = "raw"
code_port = "80"

[[machine.link]]
kind = "console"
port = {console}
"""

ALARM = "import sys, pathlib; pathlib.Path('{out}').open('a').write(sys.stdin.read() + chr(10))"


class Teller:
    """A sink that prints what happens, for as long as `on`."""

    name = "teller"

    def __init__(self) -> None:
        self.on = False
        self._closed = asyncio.Event()

    def offer(self, event: Event) -> None:
        if not self.on:
            return
        match event:
            case StageEntered():
                say(f"    {event.t:7.2f} s  stage  {clean(event.stage)}")
            case LineSeen() if not event.partial:
                say(f"    {event.t or 0:7.2f} s  text   {clean(event.text, 70)}")
            case FindingRaised():
                head, *rest = finding_lines(event.finding)
                say(f"    {event.finding.t:7.2f} s  {'ALARM' if event.alert else 'found'}  {clean(head)}")
                tell(f"           {clean(line)}" for line in rest if event.alert)
            case FindingCleared():
                say(f"               over after {event.stood_s:.1f} s: the machine moved on")

    async def run(self) -> None:
        await self._closed.wait()

    async def close(self) -> None:
        self._closed.set()

    def status(self) -> dict[str, Any]:
        return {"name": self.name, "state": "running", "reason": "", "queued": 0, "dropped": {}}


class Demo:
    """The demo's parts; each runs in a thread beside the daemon's event loop."""

    def __init__(self, daemon: Daemon, operator: Operator, teller: Teller, folder: Path) -> None:
        self.daemon, self.operator, self.teller, self.folder = daemon, operator, teller, folder

    def power_on(self, setup: Mapping[str, str], script: Any = None) -> Boot:
        """Boot the simulated machine once and return the boot as benchd stored it."""
        known = {boot.id for boot in self.daemon.store.boots(machine=MACHINE)}
        self.operator.boot(setup, script=script)
        deadline = time.monotonic() + SETTLE_S
        while time.monotonic() < deadline:
            for boot in self.daemon.store.boots(machine=MACHINE, limit=3):
                if boot.id not in known and boot.outcome != "running":
                    return boot
            time.sleep(0.05)
        raise ExternalError("the simulated machine was switched on, and benchd saw no boot of it: please report this")

    def watch(self) -> Boot:
        """Part 1: a boot, live."""
        say("1. A boot, watched live (a simulated 286 with a diagnostic card and a null-modem console)")
        setup = {**at286.START, "network-card": "none"}
        self.teller.on = True
        boot = self.power_on(setup, at286.boot_script(setup, "ready"))
        self.teller.on = False
        say(f"    boot {boot.id}: {boot.outcome} after {boot.duration_s:.2f} s, {boot.codes} codes")
        return boot

    def hang(self) -> Boot:
        """Part 3: a machine that hangs at POST, and the alarm."""
        say("3. A machine that hangs at POST")
        trial = self.daemon.store.current_trial(MACHINE)
        if trial is not None:
            self.daemon.store.end_trial(trial.id, datetime.now(UTC).isoformat())
        before = self.alarms()
        self.teller.on = True
        setup = at286.START
        boot = self.power_on(setup, at286.boot_script(setup, "stuck", patience_s=HANG_S))
        self.teller.on = False
        told = self.alarms() - before
        say(f"    boot {boot.id}: {boot.outcome}; the alarm command was run {told} times, see {self.alarm_file}")
        return boot

    @property
    def alarm_file(self) -> Path:
        return self.folder / "alarms.jsonl"

    def alarms(self) -> int:
        """Return how often the alarm command was run."""
        return len(self.alarm_file.read_text().splitlines()) if self.alarm_file.exists() else 0

    def story(self) -> tuple[str, tuple[str, str] | None]:
        """Part 2: an evening of trials. Returns the answer, and the first trial with one that works."""
        say("2. An evening of trials: the storage adapter's ROM is not seen. Bad card, bad image, or what?")
        answer = play_story(self.daemon.store, MACHINE, self.power_on, lambda line: say(f"    {clean(line, 200)}"))
        trials = sorted(self.daemon.store.trials(machine=MACHINE), key=lambda trial: trial.started)
        works = [trial.id for trial in trials if self._works(trial.id)]
        return answer, (trials[0].id, works[-1]) if works and works[-1] != trials[0].id else None

    def _works(self, trial: str) -> bool:
        boots = self.daemon.store.boots(trial=trial)
        return bool(boots) and all(any(s.name == at286.GOAL_STAGE for s in boot.stages) for boot in boots)


def copy_examples(folder: Path) -> None:
    """Put the shipped map of the machine and the study of its story into the folder. Raises ExternalError."""
    for name in ("at286-map.toml", "storage-rom.toml"):
        try:
            shutil.copyfile(shipped_dir() / "examples" / name, folder / name)
        except OSError as error:
            raise ExternalError(f"{folder / name}: cannot be written: {system_words(error)}") from None


async def run_demo(folder: Path, listen: str, keep: bool) -> int:
    """Run the demo in `folder`. Returns the exit code."""
    logging.basicConfig(filename=folder / "benchd.log", level=logging.INFO, force=True)
    links = {name: folder / f"tty-{name}" for name in ("post", "console")}
    with Operator(at286.behaviour, SimMachine(speed=SPEED, seed=SEED, links=links)) as operator:
        config = folder / "bench.toml"
        copy_examples(folder)
        alarm = ALARM.format(out=str(folder / "alarms.jsonl"))
        config.write_text(
            SETTINGS.format(
                listen=listen,
                python=json.dumps(sys.executable),
                alarm=json.dumps(alarm),
                post=json.dumps(str(links["post"])),
                console=json.dumps(str(links["console"])),
            )
        )
        daemon = Daemon(load_settings(config))
        teller = Teller()
        daemon.sinks.append(teller)
        up = asyncio.Event()
        running = asyncio.create_task(daemon.run(up.set), name="daemon")
        started = asyncio.create_task(up.wait())
        await asyncio.wait({running, started}, return_when=asyncio.FIRST_COMPLETED)
        started.cancel()
        interrupted = asyncio.Event()

        def end() -> None:
            interrupted.set()
            operator.machine.stop()
            daemon.stop()

        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            asyncio.get_running_loop().add_signal_handler(number, end)
        try:
            if running.done():
                running.result()
            say(f"benchd demo: page and metrics at {daemon.server.url}, files in {folder}")
            show = Demo(daemon, operator, teller, folder)
            parts: list[Callable[[], Any]] = [show.watch, show.story, show.hang]
            seen = []
            for part in parts:
                say()
                seen.append(await asyncio.to_thread(part))
            say()
            summary(config, *seen)
            if keep:
                say(f"Still serving at {daemon.server.url}, booting again and again; Ctrl-C ends it.")
                boots = asyncio.create_task(keep_booting(operator), name="boots")
                await asyncio.wait({running, boots}, return_when=asyncio.FIRST_COMPLETED)
                boots.cancel()
        except Exception:
            # Ctrl-C takes the daemon away from under the part that is playing.
            if not interrupted.is_set():
                raise
            say("stopped")
            return 1
        finally:
            daemon.stop()
            if not running.done():
                await running
    return 0


async def keep_booting(operator: Operator) -> None:
    """Boot the machine over and over, now and then with its conflict, so that the page has something to show."""
    setups = [{**at286.START, "network-card": level} for level in ("none", "window-off", "window-on")]
    while not operator.machine.stopping.is_set():
        for setup in setups:
            await asyncio.to_thread(operator.boot, setup)
            await asyncio.sleep(4.0)


def summary(config: Path, good: Boot, story: tuple[str, tuple[str, str] | None], hung: Boot) -> None:
    """Print what was shown, and the commands that show it again."""
    answer, pair = story
    say("What this showed")
    say(f"  watching a boot live    {good.id}: {len(good.stages)} stages in {good.duration_s:.2f} s")
    say(f"  alarm at a hang         {hung.id}: {hung.findings[0].rule} at code {hung.last_code}")
    if pair is not None:
        say(f"  comparing two trials    {pair[0]} and {pair[1]}: {compare_sentence(config, *pair)}")
    say(f"  finding the cause       {answer}")
    say("Look again with")
    compare = [f"compare {pair[0]} {pair[1]}"] if pair else []
    for command in ("boots", f"show {hung.id}", *compare, "why storage-rom", "report storage-rom"):
        say(f"  benchd {command} --config {config}")


def compare_sentence(config: Path, a: str, b: str) -> str:
    """Return the one plain sentence of `benchd compare`."""
    with store_of(config) as store:
        return str(compare_groups(store, find_groups(store, [a, b])).to_json()["sentence"])


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(demo)


def demo(
    keep: Annotated[bool, typer.Option("--keep", help="Go on serving afterwards, at 127.0.0.1:8650.")] = False,
    folder: Annotated[
        Path | None, typer.Option("--folder", help="Where to put its files; default: a new temporary folder.")
    ] = None,
    practice: Annotated[
        bool, typer.Option("--practice", help="Only a simulated machine on two ports, to try the commands with.")
    ] = False,
    every: Annotated[
        str | None, typer.Option("--every", help="With --practice: switch it on by itself, such as each 60s.")
    ] = None,
) -> None:
    """Show everything on a simulated machine.

    In under two minutes; no hardware, no broker, no root. With --practice nothing is shown: the machine is yours, for
    `benchd setup`, `run` and `trial`.

    Exit codes: 0 fine, 1 something outside failed (a pty, an address in use) or stopped early, 2 wrong use.
    """
    if practice and keep:
        raise UsageError("give --practice or --keep, not both")
    every_s = _every(every, practice)
    if folder is None:
        folder = Path(tempfile.mkdtemp(prefix="benchd-demo-"))
    else:
        folder.mkdir(parents=True, exist_ok=True)
        if any(folder.iterdir()):
            raise UsageError(f"--folder {folder}: is not empty; name a new one")
    if practice:
        _practise(folder.absolute(), every_s)
        return
    try:
        code = asyncio.run(run_demo(folder.absolute(), "127.0.0.1:8650" if keep else "127.0.0.1:0", keep))
    except KeyboardInterrupt:
        code = 0
    raise typer.Exit(code)


def _every(given: str | None, practice: bool) -> float | None:
    """Return after how many seconds the practice machine is switched on by itself, None where only Enter does."""
    if given is None:
        return None if sys.stdin.isatty() else EVERY_S
    if not practice:
        raise UsageError("--every goes with --practice")
    try:
        return parse_duration(given)
    except ValueError as error:
        raise UsageError(f"--every: {error}") from None


def _practise(folder: Path, every_s: float | None) -> None:
    copy_examples(folder)
    links = {name: folder / f"tty-{name}" for name in ("post", "console")}
    signal.signal(signal.SIGTERM, lambda number, frame: signal.raise_signal(signal.SIGINT))
    with contextlib.suppress(KeyboardInterrupt), SimMachine(links=links) as machine:
        wait = line_typed if sys.stdin.isatty() else nobody_types
        practise(folder, machine, wait, every_s)
