"""Plays scripts on two ptys in real time: the simulated machine, and the person who boots it."""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Callable, Mapping
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
    """One boot as it was played: number from 0, setup, script, and the bytes with their times."""

    number: int
    setup: Mapping[str, str]
    script: Script
    wires: Timeline


class Operator:
    """A simulated machine with a person, who sets it up, powers it on, waits, and powers it off.

    `behaviour(setup, rng)` gives the script of each boot; the operator puts power-on before and power-off
    (`off_s` simulated seconds) after it.
    """

    def __init__(self, behaviour: Behaviour, machine: SimMachine, *, off_s: float = 2.0) -> None:
        self._behaviour = behaviour
        self._off_s = off_s
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
        played = Played(number, dict(setup), steps, self.machine.play(number, steps))
        self.played.append(played)
        return played

    def close(self) -> None:
        """Stop and hang up."""
        self.machine.close()

    def __enter__(self) -> Operator:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()
