"""`benchd run` on emulated PCs: what it stores, measures and publishes is what the machine really did.

The peer is QEMU (`isapc`) with the test BIOS of tests/peers, and SeaBIOS as Debian packages it, which nobody
here wrote. Bytes reach the daemon through a relay that keeps its own record of when it handed them over.
"""

from __future__ import annotations

import json
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeAlias

import pytest
from peers.firmware import SCENARIOS
from peers.qemu import EmulatedPc
from peers.relay import PacedRelay
from support.daemon import DaemonProcess, benchd, link_toml, wait_for

from benchd.capture import read_capture
from benchd.vocabulary.records import Annotation

pytestmark = pytest.mark.peer("qemu", "nasm")
Watched: TypeAlias = tuple[EmulatedPc, DaemonProcess, PacedRelay, PacedRelay]
FAST = {"STEP_MS": 5, "COUNT_MS": 10}
MACHINE = '[[machine]]\nname = "pc"\nrules = "test-firmware"\n'


@contextmanager
def watched(folder: Path, name: str, **defines: int) -> Iterator[Watched]:
    """A daemon that reads an emulated PC through two relays at 115,200 baud; the PC stands at its reset vector."""
    with (
        EmulatedPc.scenario(name, **{**FAST, **SCENARIOS[name].defines, **defines}) as pc,
        PacedRelay(pc.post_port, baud=115200) as post,
        PacedRelay(pc.console_port, baud=115200) as console,
    ):
        links = link_toml("post", post.path, speed=115200, code_port="80")
        links += link_toml("console", console.path, speed=115200)
        with DaemonProcess(folder, MACHINE + links) as daemon:
            wait_for(daemon.links_up)
            yield pc, daemon, post, console


def ended(daemon: DaemonProcess, count: int = 1) -> list[dict[str, Any]]:
    """Wait until so many boots are over (or stand still), and return all boots."""

    def over() -> list[dict[str, Any]]:
        boots = daemon.boots()
        return boots if len([b for b in boots if b["outcome"] != "running"]) >= count else []

    return wait_for(over, 90, 0.2)


def kinds(boot: dict[str, Any]) -> list[tuple[str, str]]:
    return [(f["kind"], f["rule"]) for f in boot["findings"]]


def unattended_s(captures: list[Path]) -> float:
    """The longest time in which no reader looked, as the captures have it; 0 on a machine that has time."""
    notes = [record for path in captures for record in read_capture(path).records() if isinstance(record, Annotation)]
    return max((float(note.value) for note in notes if note.key == "attention"), default=0.0)


def test_good_boot_agrees_with_an_independent_capture(tmp_path: Path) -> None:
    """Every stage's time, from the first code, is that of the relay's own record within the stated uncertainty."""
    with watched(tmp_path, "good") as (pc, daemon, post, console):
        pc.go()
        (boot,) = ended(daemon)
        assert boot["outcome"] == "finished" and boot["findings"] == [] and boot["last_code"] == "60"
        start = post.span(b"\x01")
        seen = {
            "memory": post.span(b"\x01\x03\x05\x08\x10\x20"),
            "rom-scan": post.span(b"\x30\x40"),
            "storage-rom": console.span(b"\ns"),
            "scan-done": post.span(b"\x4f"),
        }
        stages = {stage["name"]: stage for stage in boot["stages"]}
        assert start is not None
        for name, span in seen.items():
            assert span is not None, name
            t, u = stages[name]["t"], stages[name]["u"]
            # the relay knows its own hand-over to within the span only
            low, high = (span[0] - start[1]) / 1e9, (span[1] - start[0]) / 1e9
            # On a busy machine a reader may come late; then the capture says from when to when it was away.
            u += unattended_s(daemon.captures())
            assert low - u <= t <= high + u, f"{name}: {t:.6f} s, +-{u} s stated, relay says {low:.6f}..{high:.6f} s"
        assert daemon.metric("benchd_boots_total", machine="pc", outcome="finished") == 1
        assert daemon.metric("benchd_stage_seconds_count", machine="pc", stage="memory") == 1
        assert daemon.metric("benchd_link_bytes_total", machine="pc", link="post") == len(post.capture)
        assert daemon.metric("benchd_link_bytes_total", machine="pc", link="console") == len(console.capture)
        assert daemon.metric("benchd_stalled", machine="pc") == 0


@pytest.mark.parametrize(
    ("name", "outcome", "code", "stage", "finding"),
    [
        ("hang-halted", "stalled", "22", "memory", ("stall", "memory-stands")),
        ("rom-never-returns", "stalled", "40", "rom-scan", ("stall", "rom-never-returns")),
        ("rom-absent", "finished", "60", "hand-over", ("skipped", "storage-rom")),
    ],
)
def test_trouble_is_named(
    tmp_path: Path, name: str, outcome: str, code: str, stage: str, finding: tuple[str, str]
) -> None:
    """A hang, a ROM that never returns and a skipped option ROM are each told by the rule that knows them."""
    with watched(tmp_path, name) as (pc, daemon, _, _):
        pc.go()
        (boot,) = ended(daemon)
        assert (boot["outcome"], boot["last_code"], boot["last_stage"]) == (outcome, code, stage)
        assert kinds(boot) == [finding]
        assert daemon.metric("benchd_findings_total", machine="pc", kind=finding[0], rule=finding[1]) == 1
        assert daemon.metric("benchd_stalled", machine="pc") == (outcome == "stalled")
        shown = benchd("show", "last", "--config", str(daemon.config), code=1 if outcome == "stalled" else 0)
        assert (finding[1] in shown and "try 1." in shown) or outcome == "finished"


def test_hang_and_recovery(tmp_path: Path) -> None:
    """The emulator is stopped in mid-boot: a stall; it goes on: the alarm clears and the boot finishes."""
    with watched(tmp_path, "good", SLOW_AT=0x22, SLOW_MS=1500) as (pc, daemon, post, _):
        pc.go()
        wait_for(lambda: post.first(b"\x22"))
        pc.stop()
        wait_for(lambda: daemon.metric("benchd_stalled", machine="pc") == 1)
        wait_for(lambda: daemon.boots()[0]["outcome"] == "stalled", every_s=0.2)
        pc.cont()
        wait_for(lambda: daemon.boots()[0]["outcome"] == "finished", every_s=0.2)
        boot = daemon.boots()[0]
        (stall,) = [f for f in boot["findings"] if f["kind"] == "stall"]
        assert stall["cleared_t"] > stall["t"]
        assert daemon.metric("benchd_stalled", machine="pc") == 0


def test_reset_loop(tmp_path: Path) -> None:
    """The keyboard controller resets the machine over and over: a loop, with its sequence."""
    with watched(tmp_path, "loop-keyboard-controller") as (pc, daemon, _, _):
        pc.go()
        wait_for(lambda: daemon.metric("benchd_findings_total", machine="pc", kind="loop") == 1)
        pc.stop()
        boots = daemon.boots()  # newest first: more passes may have come before the machine was stopped
        assert {boot["outcome"] for boot in boots[-4:]} == {"looped"} and len(boots) >= 4


def test_slow_memory_is_slow_and_not_a_stall(tmp_path: Path) -> None:
    """With a limit of half a second a memory count of more than that is slow: it shows life all the while."""
    table = tmp_path / "quick.toml"
    shipped = (Path(__file__).parents[2] / "config/rules/test-firmware.toml").read_text()
    table.write_text(shipped.replace('limit = "90s"', 'limit = "500ms"'))
    with (
        EmulatedPc.scenario("good", STEP_MS=5, COUNT_MS=150) as pc,
        PacedRelay(pc.post_port) as post,
        PacedRelay(pc.console_port) as console,
    ):
        links = link_toml("post", post.path) + link_toml("console", console.path)
        with DaemonProcess(tmp_path, MACHINE.replace("test-firmware", "quick.toml") + links) as daemon:
            wait_for(daemon.links_up)
            pc.go()
            (boot,) = ended(daemon)
    assert boot["outcome"] == "finished" and kinds(boot) == [("slow", "memory")]
    assert (boot["findings"][0]["limit_s"], boot["findings"][0]["limit_kind"]) == (0.5, "explicit")


def test_seabios_stops_without_a_boot_device(tmp_path: Path) -> None:
    """Firmware that nobody here wrote: its own text, its own dead end, known to the shipped table.

    Source of the text: SeaBIOS src/boot.c ("No bootable device.").
    """
    with EmulatedPc.seabios() as pc:
        machine = '[[machine]]\nname = "pc"\nrules = "seabios-text"\n'
        with DaemonProcess(tmp_path, machine + link_toml("console", pc.console_port, speed=115200)) as daemon:
            wait_for(daemon.links_up)
            pc.go()
            boot = wait_for(lambda: next((b for b in daemon.boots() if b["outcome"] == "stalled"), None), 90, 0.3)
            lines = [line["text"] for line in daemon.api("/api/machines")[0]["lines"]]
    assert ("stall", "no-boot-device") in kinds(boot)
    assert boot["stages"][0]["name"] == "banner"
    assert any(line.startswith("SeaBIOS (version ") for line in lines), lines
    assert not any("\x1b" in line for line in lines)


@pytest.mark.peer("tshark")
def test_replay_equals_live_and_tshark_opens_the_capture(tmp_path: Path) -> None:
    """Three boots with resets between; the capture alone gives the same records, field for field."""
    with watched(tmp_path, "good") as (pc, daemon, _, _):
        pc.go()
        for count in (1, 2, 3):
            ended(daemon, count)
            if count < 3:
                pc.reset()
                wait_for(lambda n=count: len(daemon.boots()) == n + 1, every_s=0.2)
        live = daemon.boots()
        assert daemon.end() == 0
        (capture,) = daemon.captures()
    again = json.loads(benchd("replay", "--json", str(capture), cwd=tmp_path))
    assert again == live and [b["outcome"] for b in again] == ["finished"] * 3
    done = subprocess.run(
        ["tshark", "-r", capture, "-T", "fields", "-e", "frame.len"], capture_output=True, text=True, check=True
    )
    assert len(done.stdout.splitlines()) > 50


def test_received_bytes_survive_kill_9(tmp_path: Path) -> None:
    """Killed in mid-boot: every byte handed over half a second before is in the capture; the boot is closed."""
    with watched(tmp_path, "good", SLOW_AT=0x22, SLOW_MS=3000) as (pc, daemon, post, _):
        pc.go()
        wait_for(lambda: post.first(b"\x22"))
        time.sleep(0.5)
        sent = len(post.capture)
        daemon.end(9)
        (capture,) = daemon.captures()
        codes = json.loads(benchd("replay", "--json", str(capture), code=None))[0]["codes"]
        assert codes >= sent  # more where the machine went on before the kill came
        daemon.start()
        wait_for(lambda: "under way" in daemon.log.read_text())  # recovered beside the reading
        *_, boot = daemon.boots()  # newest first: on a slow machine the rest of this boot may come as another
        assert boot["outcome"] == "cut-short" and boot["codes"] == codes
