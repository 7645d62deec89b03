"""Plays scripts on two ptys in real time: the simulated machine, and the bench that boots it repeatedly."""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TypeAlias

from benchd.demo.line import PtyLine, wait_until
from benchd.demo.steps import PostFormat, PowerOff, PowerOn, Script, Timeline, raw_code, timeline

Setup: TypeAlias = Mapping[str, str]
"""Factor name to level."""
Behaviour: TypeAlias = Callable[[Setup, random.Random], Script]
"""How a machine boots, given how it is set up."""

_NAP_S = 0.02
"""Longest sleep before looking whether to stop."""


class SimMachine:
    """One simulated machine: diagnostic card and console on ptys, `ports` = {"post": path, "console": path}.

    `speed` compresses the machine's own times, not the byte times. Bytes that nobody reads are lost, as on a
    real line. `links` gives the ports fixed names (symbolic links). Same seed, same bytes, same times.
    """

    def __init__(
        self,
        script: Script = (),
        speed: float = 1.0,
        seed: int = 0,
        *,
        post_baud: int = 9600,
        console_baud: int = 9600,
        post_format: PostFormat = raw_code,
        links: Mapping[str, Path] | None = None,
    ) -> None:
        if speed <= 0:
            raise ValueError(f"speed must be more than 0, not {speed}")
        self.script = script
        self.speed = speed
        self.seed = seed
        self._bauds = (post_baud, console_baud)
        self._format = post_format
        named = links or {}
        self.lines = {name: PtyLine(named.get(name)) for name in ("post", "console")}
        self.ports = {name: line.path for name, line in self.lines.items()}
        self.stopping = threading.Event()

    def plan(self, number: int, script: Script | None = None) -> Timeline:
        """The wires of play number `number`, without playing: what a reader must get, and when."""
        post_baud, console_baud = self._bauds
        return timeline(
            self.script if script is None else script,
            random.Random(f"wires {self.seed} {number}"),
            speed=self.speed,
            post_baud=post_baud,
            console_baud=console_baud,
            post_format=self._format,
        )

    def play(self, number: int = 0, script: Script | None = None) -> Timeline:
        """Play in real time, until the end or `stop`; returns the timeline."""
        wires = self.plan(number, script)
        started = time.monotonic_ns()
        for one in wires.sent:
            if not self._wait(started + round(one.t_s * 1e9)):
                return wires
            self.lines[one.link].send(bytes([one.byte]))
        self._wait(started + round(wires.seconds * 1e9))
        return wires

    def _wait(self, t_ns: int) -> bool:
        while (left := (t_ns - time.monotonic_ns()) / 1e9 - _NAP_S) > 0:
            if self.stopping.wait(min(left, _NAP_S)):
                return False
        wait_until(t_ns)
        return not self.stopping.is_set()

    def stop(self) -> None:
        """Let a running `play` end within 50 ms."""
        self.stopping.set()

    def close(self) -> None:
        """Stop and hang up both lines."""
        self.stop()
        for line in self.lines.values():
            line.close()

    def __enter__(self) -> SimMachine:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()


@dataclass(frozen=True, slots=True)
class Played:
    """One boot as it was played: number from 0, setup, script, bytes, and the monotonic ns of its beginning."""

    number: int
    setup: Mapping[str, str]
    script: Script
    wires: Timeline
    began_ns: int


class Bench:
    """A simulated machine with a person: sets it up, powers it on, waits, powers it off, and again.

    `behaviour(setup, rng)` gives the script of each boot; the bench puts power-on before and power-off
    (`off_s` simulated seconds) after it. `boot` plays one in the caller's thread; `start` a plan in its own.
    """

    def __init__(self, behaviour: Behaviour, machine: SimMachine, *, off_s: float = 2.0) -> None:
        self._behaviour = behaviour
        self._off_s = off_s
        self._thread: threading.Thread | None = None
        self.machine = machine
        self.ports = machine.ports
        self.played: list[Played] = []

    def script(self, number: int, setup: Setup) -> Script:
        """The script of boot `number`: the same whenever it is asked for."""
        own = self._behaviour(setup, random.Random(f"fate {self.machine.seed} {number}"))
        return (PowerOn(), *own, PowerOff(self._off_s))

    def boot(self, setup: Setup, *, script: Script | None = None) -> Played:
        """Boot once and wait for it; `script` replaces what the behaviour would do (power steps are added)."""
        number = len(self.played)
        steps = self.script(number, setup) if script is None else (PowerOn(), *script, PowerOff(self._off_s))
        began = time.monotonic_ns()
        played = Played(number, dict(setup), steps, self.machine.play(number, steps), began)
        self.played.append(played)
        return played

    def run(self, plan: Iterable[tuple[Setup, int]], on_boot: Callable[[Played], None] | None = None) -> list[Played]:
        """Play (setup, how many boots) one after the other; `on_boot` is told of each. Returns those played."""
        first = len(self.played)
        for setup, times in plan:
            for _ in range(times):
                if self.machine.stopping.is_set():
                    return self.played[first:]
                played = self.boot(setup)
                if on_boot is not None:
                    on_boot(played)
        return self.played[first:]

    def start(
        self, plan: Iterable[tuple[Setup, int]], on_boot: Callable[[Played], None] | None = None
    ) -> threading.Thread:
        """`run` in a thread of its own."""
        self._thread = threading.Thread(target=self.run, args=(plan, on_boot), name="simbench", daemon=True)
        self._thread.start()
        return self._thread

    def close(self) -> None:
        """Stop, wait for the thread, hang up."""
        self.machine.stop()
        if self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join()
        self.machine.close()

    def __enter__(self) -> Bench:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()
