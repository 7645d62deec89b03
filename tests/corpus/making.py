"""How each capture of the corpus was made: a real run of benchd's own reading and writing on a real peer.

`make(name, path)` plays one scenario to a `MachineWatcher` (the daemon's own machine, its ports and its files) and
puts the capture at `path`. Needs qemu and nasm for the emulated PCs. Takes as long as the machine boots.
"""

from __future__ import annotations

import contextlib
import shutil
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from peers.firmware import SCENARIOS, build_rom
from peers.qemu import EmulatedPc
from peers.relay import Faults, PacedRelay

from benchd import __version__
from benchd.demo import at286
from benchd.demo.machine import SimMachine
from benchd.demo.steps import hex_code, raw_code
from benchd.rules import load_text
from benchd.rules.files import read_table_text, shipped_tables
from benchd.settings import LinkPart, MachinePart
from benchd.vocabulary.records import LinkState
from benchd.vocabulary.times import Anchor
from benchd.watch.watcher import MachineWatcher, stop_all

LIMIT_S = 30.0
FAST = {"STEP_MS": 5, "COUNT_MS": 10}
LINES = "(?P<port>[0-9A-F]{2}) (?P<code>[0-9A-F]{2})"
BOOT_SECTOR = bytes.fromhex("fa f4 eb fc").ljust(510, b"\0") + b"\x55\xaa"
"""cli; hlt; jmp back. 55 AA at offset 510 is what a BIOS asks of a boot sector (common practice)."""


@dataclass(frozen=True)
class Rig:
    """A machine that stands ready: its links, and what switches it on."""

    links: list[LinkPart]
    go: Callable[[], None]


@dataclass(frozen=True)
class Recipe:
    """One capture: `family` is the shipped table it is judged by; `until` when enough was seen (outcomes so far)."""

    family: str
    what: str
    why: str
    rig: Callable[[], contextlib.AbstractContextManager[Rig]]
    outcomes: tuple[str, ...]
    more_s: float = 0.5
    peer: tuple[str, ...] = field(default=("qemu", "nasm"))


@contextmanager
def emulated(name: str, baud: int = 115_200, faults: Faults | None = None, **defines: int) -> Iterator[Rig]:
    """The test BIOS, both links through relays at `baud`."""
    chosen = {**FAST, **SCENARIOS[name].defines, **defines}
    with (
        EmulatedPc.scenario(name, **chosen) as pc,
        PacedRelay(pc.post_port, baud=baud, faults=faults, seed=1) as post,
        PacedRelay(pc.console_port, baud=baud, faults=faults, seed=2) as console,
    ):
        yield Rig(
            [
                LinkPart(kind="post", port=post.path, speed=baud, code_port="80"),
                LinkPart(kind="console", port=console.path, speed=baud),
            ],
            pc.go,
        )


@contextmanager
def seabios(debug: bool) -> Iterator[Rig]:
    """SeaBIOS: its serial console without a disk, or its debug port with an option ROM and a boot sector."""
    with tempfile.TemporaryDirectory() as folder:
        disk = Path(folder) / "disk.img"
        disk.write_bytes(BOOT_SECTOR.ljust(1 << 20, b"\0"))
        extra = ["-drive", f"file={disk},format=raw,if=ide"] if debug else []
        with EmulatedPc.seabios([build_rom()] if debug else [], extra=extra) as pc:
            yield Rig([LinkPart(kind="console", port=pc.post_port if debug else pc.console_port, speed=115200)], pc.go)


@contextmanager
def simulated(fate: at286.Fate, card: str) -> Iterator[Rig]:
    """The simulated machine at 9600 baud; with card "pattern" it sends lines of port and code, else raw codes.

    `card` is also how its card is read.
    """
    script = at286.boot_script(at286.START, fate)
    with SimMachine(script, speed=4.0, seed=286, post_format=hex_code if card == "pattern" else raw_code) as machine:
        player = threading.Thread(target=machine.play, name="simulated machine", daemon=True)
        yield Rig(
            [
                LinkPart(
                    kind="post",
                    port=machine.ports["post"],
                    framing=card,
                    pattern=LINES if card == "pattern" else None,
                    code_port="80",
                ),
                LinkPart(kind="console", port=machine.ports["console"]),
            ],
            player.start,
        )
        machine.stop()
        player.join()


NOISE = Faults(drop=0.04, double=0.04, damage=0.06)
RECIPES: dict[str, Recipe] = {
    "test-good": Recipe(
        "test-firmware", "test BIOS, good boot with a storage ROM", "the plain case: every stage, no finding",
        lambda: emulated("good"), ("finished",),
    ),
    "test-hang": Recipe(
        "test-firmware", "test BIOS that halts in the memory count", "a known stall point named by its code",
        lambda: emulated("hang-halted"), ("stalled",), 6.0,
    ),
    "test-rom-never-returns": Recipe(
        "test-firmware", "test BIOS whose adapter ROM never returns", "the stall this program was made for",
        lambda: emulated("rom-never-returns"), ("stalled",), 6.0,
    ),
    "test-loop": Recipe(
        "test-firmware", "test BIOS reset by the keyboard controller again and again", "a loop of restarts",
        lambda: emulated("loop-keyboard-controller", STEP_MS=20, COUNT_MS=40), ("looped", "looped", "looped"), 1.0,
    ),
    "test-skipped": Recipe(
        "test-firmware", "test BIOS with an adapter ROM of wrong sum",
        "a skipped stage and a fault told by the machine",
        lambda: emulated("rom-bad-checksum-told"), ("finished",),
    ),
    "test-noise": Recipe(
        "test-firmware", "test BIOS through links that lose, double and damage one byte in seven",
        "a bad line must not crash, nor invent boots; every byte is accounted for",
        lambda: emulated("good", faults=NOISE), ("any",), 8.0,
    ),
    "test-300-baud": Recipe(
        "test-firmware", "test BIOS through links of 300 baud, slowed down as its own UART would hold it up",
        "a line of text takes as long as a stage: times must be those of the matched characters",
        lambda: emulated("good", baud=300, STEP_MS=700, COUNT_MS=450), ("finished",), 2.0,
    ),
    "seabios-no-device": Recipe(
        "seabios-text", "SeaBIOS of Debian on its serial console, nothing to boot from",
        "firmware that nobody here wrote, and its dead end", lambda: seabios(False), ("stalled",), 6.0,
    ),
    "seabios-option-rom": Recipe(
        "seabios-debug", "SeaBIOS of Debian on its debug port, an option ROM, a boot sector",
        "firmware that nobody here wrote, from banner to hand-over", lambda: seabios(True), ("finished",), 1.0,
    ),
    "demo-stuck": Recipe(
        "demo-at286", "simulated AT-class machine (four times its speed) whose storage ROM never returns",
        "another family, at 9600 baud, with a card that sends lines of port and code",
        lambda: simulated("stuck", "pattern"), ("stalled",), 6.0, (),
    ),
    "demo-wrong-framing": Recipe(
        "demo-at286", "simulated AT-class machine, a card of raw codes read as bench frames",
        "a wrong setting: every byte of the post link is refused by name, the console still tells the boot",
        lambda: simulated("ready", "bench"), ("any",), 8.0, (),
    ),
}  # fmt: skip


def made_with(recipe: Recipe) -> str:
    """Which programs made it, for the sidecar."""
    said = [f"benchd {__version__}"]
    if recipe.peer:
        for program, flag in (("qemu-system-i386", "--version"), ("nasm", "-v")):
            out = subprocess.run([program, flag], capture_output=True, text=True, check=True).stdout
            said.append(out.splitlines()[0].split(", Copyright")[0])
    return ", ".join(said)


def make(name: str, path: Path) -> MachinePart:
    """Play recipe `name`, write its capture to `path`; return the machine's settings. Raises AssertionError."""
    recipe = RECIPES[name]
    text = read_table_text(shipped_tables()[recipe.family])
    with tempfile.TemporaryDirectory() as folder, recipe.rig() as rig:
        part = MachinePart(name=name, rules=recipe.family, link=rig.links)
        anchor = Anchor(time.time_ns(), time.monotonic_ns())
        table = load_text(text, recipe.family)
        run = MachineWatcher(part, table, text, Path(folder), anchor)
        run.start()
        try:
            _watch(run, rig, recipe)
        finally:
            stop_all([run], 5.0)
        run.finish()
        (capture,) = Path(folder).rglob("*.pcapng")
        shutil.copyfile(capture, path)
    return part


def _watch(run: MachineWatcher, rig: Rig, recipe: Recipe) -> None:
    up: set[str] = set()
    outcomes: dict[str, str] = {}
    start = time.monotonic()
    gone = False
    end = float("inf")
    while time.monotonic() < end:
        assert time.monotonic() - start < LIMIT_S, f"{run.name}: after {LIMIT_S:g} s only {outcomes}"
        events = run.tick()
        records, more = run.judge()
        events += more
        up |= {record.link for record in records if isinstance(record, LinkState) and record.up}
        if not records:
            time.sleep(0.02)
        if not gone and up == {link.name for link in run.links}:
            gone = True
            rig.go()
        for event in events:
            boot = getattr(event, "boot", None)
            if boot is not None and not isinstance(boot, str):
                outcomes[boot.id] = boot.outcome
        seen = tuple(outcomes.values())
        enough = bool(seen) if recipe.outcomes == ("any",) else seen[-len(recipe.outcomes) :] == recipe.outcomes
        if enough and end == float("inf"):
            end = time.monotonic() + recipe.more_s
