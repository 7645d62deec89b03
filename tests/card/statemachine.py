"""Runs the state machine that sees writes, as firmware/bus.c has it, on levels given as functions of time."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

SOURCE = Path(__file__).resolve().parents[2] / "firmware-notes/card/firmware/bus.c"
Step = tuple[str, tuple[str, ...]]


class Program:
    """The instructions of `see_writes`, and where the last one wraps to."""

    def __init__(self, source: str) -> None:
        text = re.sub(r"/\*.*?\*/", "", source, flags=re.DOTALL)
        for name, number in re.findall(r"#define (\w+) (\d+)\n", text):
            text = re.sub(rf"\b{name}\b", number, text)
        found = re.search(r"see_writes\[\] = \{(.*?)\};", text, re.DOTALL)
        wraps = re.search(r"machine\(PIO0, see_writes,[^,]*, (\d+), (\d+), PIN_IOW", text)
        if not found or not wraps:
            raise ValueError("the source has no see_writes as this reads it")
        self.steps: list[Step] = [
            (name, tuple(word.strip() for word in words.split(",")) if words else ())
            for name, words in re.findall(r"P_(\w+)(?:\(([^)]*)\))?", found[1])
        ]
        self.wrap_from, self.wrap_to = int(wraps[1]), int(wraps[2])

    def run(self, high: Callable[[float], bool], until: float, cycle: float, phase: float) -> list[float]:
        """Run from `phase` to `until` (ns), an instruction each `cycle`; IOW# is high where `high` of the time says so.

        Return for each write that was pushed the instant at which its pins were sampled. What the synchroniser delays,
        it delays alike for all pins: instants are those at the pins.
        """
        at, t = 0, phase
        registers: dict[str, float] = {}
        pushed: list[float] = []
        while t < until:
            name, words = self.steps[at]
            then = self.wrap_to if at == self.wrap_from else at + 1
            if name == "MOV":
                registers[words[0]] = t if words[1] == "M_PINS" else registers[words[1]]
            elif name == "PUSH":
                pushed.append(registers["M_ISR"])
            elif name == "JMP" or (name == "JMP_PIN" and high(t)):
                then = int(words[0])
            elif name in ("WAIT_HIGH", "WAIT_LOW"):
                then = then if high(t) == (name == "WAIT_HIGH") else at
            elif name != "JMP_PIN":
                raise ValueError(f"no such instruction here: {name}")
            at, t = then, t + cycle
        return pushed


def program() -> Program:
    return Program(SOURCE.read_text(encoding="utf-8"))


def strobes(*spans: tuple[float, float]) -> Callable[[float], bool]:
    """IOW# low from the first instant of each span up to, without, its second."""
    return lambda t: not any(begin <= t < end for begin, end in spans)
