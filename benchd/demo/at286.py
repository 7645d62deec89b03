"""An AT-class machine of our own invention, with a storage adapter that will not come up, and why.

The person sees: boot after boot finishes from the floppy, now and then one stops at the ROM scan. The new
storage adapter or its ROM image looks bad. In truth the adapter's ROM at D0000h lies in the 16 KiB RAM window
that the network adapter opens at D0000h-D3FFFh, but only while that window is enabled: reads come back as the
AND of both, the checksum is wrong, and the scan passes the ROM by. Either adapter is fine by itself; so is
the ROM at C800h or D800h, and so is the network adapter with its window off.
"""

from __future__ import annotations

import random
from collections.abc import Mapping
from typing import Literal, TypeAlias

from benchd.demo.steps import Count, Hang, Post, Say, Script, Step, Wait

Fate: TypeAlias = Literal["ready", "skipped", "stuck", "no-drive"]
"""What becomes of the storage ROM in one boot: runs and finds its drive; is passed by; is entered and never
returns; runs but the drive does not answer."""

FACTORS: Mapping[str, tuple[str, ...]] = {
    "rom-base": ("C800", "D000", "D800"),
    "rom-image": ("early", "late"),
    "network-card": ("none", "window-off", "window-on"),
    "storage-card": ("first", "second"),
    "boot-device": ("adapter", "floppy"),
    "slot": ("3", "5"),
    "cable": ("short", "long"),
}
"""Everything that can be changed: a jumper, an image, the other adapter and its window, a spare adapter to buy,
a setting of the setup program, a slot, a cable."""

COST_MINUTES: Mapping[str, float] = {
    "rom-base": 4.0,
    "rom-image": 12.0,
    "network-card": 5.0,
    "storage-card": 30.0,
    "boot-device": 2.0,
    "slot": 5.0,
    "cable": 3.0,
}
"""Minutes of work to change each factor; the spare adapter counts the trip to fetch it, not its price."""

NEEDS_POWER_OFF = frozenset({"rom-base", "rom-image", "network-card", "storage-card", "slot", "cable"})
"""Factors whose change moves hardware."""

START: Mapping[str, str] = {
    "rom-base": "D000",
    "rom-image": "early",
    "network-card": "window-on",
    "storage-card": "first",
    "boot-device": "adapter",
    "slot": "3",
    "cable": "short",
}
"""How the machine stands on the bench when the story begins."""

TRUE_CAUSE: tuple[tuple[str, str], ...] = (("rom-base", "D000"), ("network-card", "window-on"))
"""The goal, stage `storage-rom`, fails when both hold."""

FAILS_UNDER_CAUSE = 0.95
FAILS_OTHERWISE = 0.04
STUCK_SHARE = 0.2
"""Of the failures under the cause, how many stop the machine instead of being passed by."""

ROM_BASES: Mapping[str, int] = {"C800": 0xC8000, "D000": 0xD0000, "D800": 0xD8000}
ROM_BYTES = 8 * 1024
NETWORK_WINDOW = (0xD0000, 16 * 1024)
"""First address and bytes of the network adapter's RAM window."""

GOAL_STAGE = "storage-rom"
PATIENCE_S = 20.0
"""Real seconds that the person waits at a machine that stands still; more than the rule table's limit."""


def check(setup: Mapping[str, str]) -> None:
    """Raise ValueError unless every factor has one of its levels."""
    for factor, levels in FACTORS.items():
        if setup.get(factor) not in levels:
            raise ValueError(f"{factor} is {setup.get(factor)!r}; it can be {', '.join(levels)}")
    if unknown := sorted(setup.keys() - FACTORS.keys()):
        raise ValueError(f"no such factor: {', '.join(unknown)}")


def conflict(setup: Mapping[str, str]) -> bool:
    """Whether the storage ROM lies in the open network window."""
    at = ROM_BASES[setup["rom-base"]]
    low, size = NETWORK_WINDOW
    return setup["network-card"] == "window-on" and at < low + size and at + ROM_BYTES > low


def fate(setup: Mapping[str, str], rng: random.Random) -> Fate:
    """Draw what becomes of the storage ROM."""
    dice, share = rng.random(), rng.random()
    if conflict(setup):
        if dice >= FAILS_UNDER_CAUSE:
            return "ready"
        return "stuck" if share < STUCK_SHARE else "skipped"
    return "no-drive" if dice < FAILS_OTHERWISE else "ready"


def behaviour(setup: Mapping[str, str], rng: random.Random) -> Script:
    """The script of one boot of a machine set up like this. Raises ValueError as `check` does."""
    check(setup)
    return boot_script(setup, fate(setup, rng))


def boot_script(setup: Mapping[str, str], what: Fate, patience_s: float = PATIENCE_S) -> Script:
    """The script of one boot with the given fate: about 13 to 16 simulated seconds when it finishes."""
    late = setup["rom-image"] == "late"
    adapters = 1 if setup["network-card"] == "none" else 2
    rom = _rom(what, late)
    steps: list[Step] = [
        Post(0x01, 0.15),
        Post(0x04, 0.10),
        Post(0x07, 0.12),
        Post(0x0B, 0.40),
        Say("AT-286 bench board, firmware 2.1\r\n"),
    ]
    for part, first in enumerate(range(64, 1024, 256)):
        steps += [Post(0x10 + part, 0.02), Count(first, first + 192, 64, 0.36)]
    steps += [
        Say("\r\n"),
        Post(0x20, 0.50, 0.12),
        Say("Keyboard ready\r\n"),
        Post(0x28, 0.30),
        Post(0x2C, 1.20, 0.05),
        Say("Floppy drive 0 ready\r\n"),
        Post(0x30, 0.20),
        Say(f"Setup valid, adapters: {adapters}, boot device: {setup['boot-device']}\r\n"),
        Post(0x40, 0.25),
    ]
    if what == "stuck":
        return (*steps, Hang(patience_s))
    if what != "skipped":
        steps += [Say("Storage rom 1.5, waiting for setup\r\n")] if late else rom
    steps += [Post(0x48, 0.60), Post(0x50, 0.35)]
    if late and what != "skipped":
        steps += rom
    from_storage = what == "ready" and setup["boot-device"] == "adapter"
    return (
        *steps,
        Post(0x60, 0.40),
        Say(f"Starting from {'storage drive' if from_storage else 'floppy drive'}\r\n"),
        Post(0x6F, 1.0),
    )


def _rom(what: Fate, late: bool) -> list[Step]:
    """What the storage ROM does once it runs: 45h, the drive's spin-up, its line."""
    steps: list[Step] = [Post(0x45, 0.05)]
    if not late:
        steps.append(Say("Storage rom 1.4\r\n"))
    if what == "no-drive":
        return [*steps, Wait(3.0), Say("Storage rom: no drive answers\r\n")]
    return [*steps, Wait(1.9 if not late else 1.6, 0.08), Say("Storage rom ready, 1 drive\r\n")]
