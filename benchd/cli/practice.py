"""`benchd demo --practice`: a simulated machine on two ports, for whoever tries the commands without hardware."""

from __future__ import annotations

import random
import select
import sys
import time
from collections.abc import Callable, Mapping
from pathlib import Path

from benchd.cli.output import clean, say, tell
from benchd.demo import at286
from benchd.demo.machine import SimMachine
from benchd.demo.steps import PowerOff, PowerOn, Script
from benchd.errors import UsageError

EVERY_S = 30.0
"""How often it is switched on by itself where nobody can type."""
OFF_S = 2.0

Wait = Callable[[float | None], str | None]
"""Waits for a line for so many seconds (None: until there is one); "" where none came, None at the end of input."""


def line_typed(seconds: float | None) -> str | None:
    """Return the line that is typed within so many seconds, as `Wait` says."""
    if not select.select([sys.stdin], [], [], seconds)[0]:
        return ""
    line = sys.stdin.readline()
    return line.strip() if line else None


def nobody_types(seconds: float | None) -> str | None:
    """Wait so long where there is no terminal."""
    time.sleep(EVERY_S if seconds is None else seconds)
    return ""


def changed(setup: Mapping[str, str], line: str) -> dict[str, str]:
    """Return the setup after what was typed: nothing, or `factor=level` once or more. Raises UsageError."""
    levels = at286.FACTORS
    new = dict(setup)
    for word in line.split():
        factor, equals, level = word.partition("=")
        if not equals or factor not in levels:
            raise UsageError(f"{word}: type FACTOR=LEVEL without blanks; factors: {', '.join(levels)}")
        if level not in levels[factor]:
            raise UsageError(f"{word}: {factor} can be {' or '.join(levels[factor])}")
        new[factor] = level
    return new


def script_of(setup: Mapping[str, str], number: int, seed: int) -> Script:
    """Return what the machine does when it is switched on: power on, its boot, power off."""
    return (PowerOn(), *at286.behaviour(setup, random.Random(f"{seed} {number}")), PowerOff(OFF_S))


def practise(
    folder: Path, machine: SimMachine, wait: Wait, every_s: float | None, boots: int | None = None, seed: int = 1
) -> None:
    """Switch the machine on at each line that is typed, and `every_s` seconds after it; end after so many `boots`."""
    tell(intro(folder, machine.ports, every_s))
    setup, number = dict(at286.START), 0
    while (boots is None or number < boots) and (line := wait(every_s)) is not None:
        try:
            setup = changed(setup, line)
        except UsageError as error:
            say(f"  {clean(str(error), 200)}")
            continue
        number += 1
        say(f"  {number}. on:  {'  '.join(f'{factor}={level}' for factor, level in setup.items())}")
        machine.play(number, script_of(setup, number, seed))
        say(f"  {number}. off")


def intro(folder: Path, ports: Mapping[str, str], every_s: float | None) -> list[str]:
    """Return what there is, how it is switched on, and what to try with it."""
    post, console = ports["post"], ports["console"]
    when = "at Enter" if every_s is None else f"by itself each {every_s:g} s, and at Enter"
    return [
        "A practice machine: a simulated 286 whose storage adapter is not seen. Its ports, until Ctrl-C:",
        f"  card     {post}",
        f"  console  {console}",
        f"It is switched on {when}. Change something before that: type rom-base=C800, then Enter.",
        "In another terminal, in a folder of its own:",
        f"  benchd setup --machine at286 --rules demo-at286 --post {post} --console {console}",
        "  benchd run",
        f"and in a third one, in the same folder:  benchd study new storage-rom --from {folder / 'storage-rom.toml'}",
        "  benchd trial start --study storage-rom",
    ]
