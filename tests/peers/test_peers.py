"""The rig itself: what emulated PCs write on their ptys, and what relays and pulled plugs make of it."""

from __future__ import annotations

import itertools
import os
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import serial

from peers.firmware import (
    COUNTER,
    GOOD_CODES,
    GOOD_TEXT,
    HEAD_TEXT,
    NO_ROM_TEXT,
    ROM_TEXT,
    SCENARIOS,
    build_bios,
    build_rom,
    lay,
)
from peers.qemu import EmulatedPc
from peers.relay import Faults, LinkPuller, PacedRelay, PortReader

FAST = {"STEP_MS": 3, "COUNT_MS": 2}
ONCE = [name for name, scenario in SCENARIOS.items() if not scenario.repeats]
LOOPS = [name for name, scenario in SCENARIOS.items() if scenario.repeats]

pytestmark = pytest.mark.peer("qemu", "nasm")


@contextmanager
def links(pc: EmulatedPc) -> Iterator[tuple[PortReader, PortReader]]:
    post, console = PortReader(pc.post_port), PortReader(pc.console_port)
    try:
        yield post, console
    finally:
        post.close()
        console.close()


def fast(name: str) -> dict[str, int]:
    """FAST, but for what the scenario is about."""
    own = SCENARIOS[name].defines
    shorter = {"SLOW_MS": 500} if "SLOW_MS" in own else {}
    return {key: value for key, value in FAST.items() if key not in own} | shorter


@pytest.mark.parametrize("name", ONCE)
def test_scenario_writes_its_codes_and_text(name: str) -> None:
    """Both links carry exactly what the scenario says, then nothing, while the machine still runs."""
    scenario = SCENARIOS[name]
    with EmulatedPc.scenario(name, **fast(name)) as pc, links(pc) as (post, console):
        assert pc.status() == "prelaunch"
        pc.go()
        silence = 1.5 if {"COUNT_MS", "SLOW_MS"} & scenario.defines.keys() else 0.5
        codes = post.collect(quiet_s=silence)
        text = console.collect(quiet_s=0.1)
        assert tuple(codes) == scenario.codes
        assert text.decode("ascii") == scenario.text
        assert pc.status() == "running"


@pytest.mark.parametrize("name", LOOPS)
def test_reset_loop_starts_over(name: str) -> None:
    """A reset by each of the four ways brings the same codes again, with no marker in between."""
    scenario = SCENARIOS[name]
    three = bytes(scenario.codes * 3)
    with EmulatedPc.scenario(name, **FAST) as pc, links(pc) as (post, console):
        pc.go()
        assert post.collect(until=three)[: len(three)] == three
        assert console.collect(quiet_s=0.1, limit_s=0.5).decode("ascii").startswith(scenario.text * 2)


def test_second_port_gets_its_own_codes() -> None:
    """Codes for another port arrive on that port's pty only."""
    with EmulatedPc.scenario("good", post_ports=(0x80, 0x300), SECOND_PORT=0x300, **FAST) as pc:
        other = PortReader(pc.post_port_of[0x300])
        with links(pc) as (post, _):
            pc.go()
            assert tuple(post.collect()) == GOOD_CODES
            assert tuple(other.collect(quiet_s=0.1)) == tuple((code + 0x80) & 0xFF for code in GOOD_CODES)
        other.close()


def test_reset_button_and_freeze() -> None:
    """`reset` brings the first code again; `stop` freezes the codes and `cont` lets them go on."""
    with EmulatedPc.scenario("good", STEP_MS=60) as pc, links(pc) as (post, _):
        pc.go()
        assert post.collect(until=b"\x05") == b"\x01\x03\x05"
        pc.stop()
        assert pc.status() == "paused"
        assert post.collect(quiet_s=0.4) in (b"", b"\x08")
        pc.cont()
        assert post.collect(until=b"\x60")[-8:] == bytes(GOOD_CODES[-8:])
        pc.reset()
        assert tuple(post.collect()) == GOOD_CODES


def test_delays_follow_the_8254() -> None:
    """Counter steps take their nominal time (1,193,182 Hz, Intel 8254 datasheet) and never less.

    The host may add to every step, so the upper bound belongs to the host: a tenth.
    """
    with EmulatedPc.scenario("good", STEP_MS=3, COUNT_MS=200) as pc, PacedRelay(pc.console_port) as console:
        pc.go()
        while console.first(b"Starting") is None:
            time.sleep(0.01)
        first, last = console.first(b"00064K"), console.first(b"00640K")
        assert first is not None and last is not None
        nominal = 9 * 0.2 + 4 * 0.003
        assert nominal * 0.995 <= (last - first) / 1e9 <= nominal * 1.1


def test_emulator_ends_alone() -> None:
    """Leaving one machine ends its own process and no other."""
    with EmulatedPc.scenario("silent") as one:
        with EmulatedPc.scenario("silent") as other:
            pid = other.pid
        with pytest.raises(ProcessLookupError):
            os.kill(pid, 0)
        assert one.status() == "prelaunch"


def test_emulator_failure_is_told() -> None:
    """A machine that cannot start says why."""
    with pytest.raises(RuntimeError, match="unsupported machine type"), EmulatedPc(None, machine="bogus"):
        pass


def test_images() -> None:
    """Sizes are fixed, a ROM sums to 0 (Plug and Play BIOS Specification 1.0A, 3.2), overlaps are ANDed."""
    bios, rom = build_bios(), build_rom(ROM_BLOCKS=16)
    assert len(bios) == 0x10000 and bios[0xFFF0] == 0xEA
    assert len(rom) == 8192 and rom[:3] == b"\x55\xaa\x10" and sum(rom) % 256 == 0
    assert sum(build_rom(bad_checksum=True)) % 256 == 1
    overlapping = {0xC8000: b"\xf0\xff", 0xC8001: b"\x3c\x55", 0xC8004: b"\x01"}
    assert lay(overlapping) == (0xC8000, b"\xf0\x3c\x55\xff\x01")


@pytest.mark.peer("romheaders")
def test_rom_header_agrees_with_romheaders(tmp_path: Path) -> None:
    """A header reader that nobody here wrote finds the signature, the length byte and the entry jump."""
    image = tmp_path / "rom.img"
    image.write_bytes(build_rom())
    said = subprocess.run(["romheaders", image], capture_output=True, check=False).stdout
    assert b"Signature: 0x55aa (Ok)" in said
    assert b"CPU unique data: 0x04 0xe9" in said


def test_seabios_speaks_on_com1() -> None:
    """Firmware that nobody here wrote stops for want of a disk, and runs our ROM on the way."""
    with EmulatedPc.seabios([build_rom()]) as pc, links(pc) as (debug, console):
        pc.go()
        text = console.collect(until=b"No bootable device.")
        assert text.startswith(b"\x1bc\x1b[?7l\x1b[2J\x1b[0mSeaBIOS (version ")
        assert ROM_TEXT.encode() in text
        assert b"Running option rom at c" in debug.collect(quiet_s=0.2)


def test_relay_paces_bytes() -> None:
    """At 9600 baud no two bytes are closer than a byte time, and the capture is what the reader got."""
    slot = 10 / 9600
    with (
        EmulatedPc.scenario("good", **FAST) as pc,
        PacedRelay(pc.post_port) as post,
        PacedRelay(pc.console_port, baud=9600) as console,
    ):
        reader = PortReader(console.path)
        pc.go()
        assert reader.collect(until=b"system\r\n").decode("ascii") == GOOD_TEXT
        times = [t for t, _ in console.capture]
        assert bytes(b for _, b in console.capture).decode("ascii") == GOOD_TEXT
        assert tuple(b for _, b in post.capture) == GOOD_CODES
        total = (times[-1] - times[0]) / 1e9
        assert total >= (len(times) - 1) * slot - 0.0002
        late = sorted((b - a) / 1e9 for a, b in itertools.pairwise(times))
        assert late[len(late) // 2] == pytest.approx(slot, rel=0.2)
        reader.close()


def test_relay_faults_repeat_by_seed() -> None:
    """Dropped, doubled and damaged bytes come in about their shares, the same with the same seed."""
    faults = Faults(drop=0.1, double=0.1, damage=0.1)
    results = []
    for seed in (7, 7, 8):
        with (
            EmulatedPc.scenario("good", **FAST) as pc,
            PacedRelay(pc.console_port, faults=faults, seed=seed) as relay,
        ):
            reader = PortReader(relay.path)
            pc.go()
            got = reader.collect()
            reader.close()
            counts = relay.counts
            assert counts["in"] == len(GOOD_TEXT)
            assert len(got) == counts["in"] - counts["dropped"] + counts["doubled"]
            assert all(2 <= counts[key] <= 40 for key in ("dropped", "doubled", "damaged"))
            assert got == bytes(b for _, b in relay.capture)
            results.append(got)
    assert results[0] == results[1] != results[2]


def test_pulled_link_comes_back(tmp_path: Path) -> None:
    """pyserial sees an error when the plug is pulled, no such port while it is out, and bytes again after."""
    puller = LinkPuller(tmp_path / "usb-adapter")
    with serial.Serial(puller.path, timeout=1) as port:
        assert puller.send(b"\x01") == 1
        assert port.read(1) == b"\x01"
        puller.unplug()
        with pytest.raises((serial.SerialException, OSError)):
            port.read(1)
    with pytest.raises(serial.SerialException):
        serial.Serial(puller.path)
    assert puller.send(b"\x02") == 0 and puller.lost == 1
    puller.plug()
    with serial.Serial(puller.path, timeout=1) as port:
        puller.send(b"\x03")
        assert port.read(1) == b"\x03"
    puller.close()
    assert not (tmp_path / "usb-adapter").is_symlink()


def test_relay_into_a_pulled_link(tmp_path: Path) -> None:
    """A relay goes on through a pulled plug: what came in between is lost, what comes later arrives."""
    puller = LinkPuller(tmp_path / "port", plugged=False)
    with EmulatedPc.scenario("good", **FAST) as pc, PacedRelay(pc.post_port, sink=puller) as relay:
        pc.go()
        deadline = time.monotonic() + 10
        while relay.first(b"\x60") is None and time.monotonic() < deadline:
            time.sleep(0.01)
        assert puller.lost == len(GOOD_CODES)
        puller.plug()
        reader = PortReader(puller.path)
        pc.reset()
        assert tuple(reader.collect()) == GOOD_CODES
        reader.close()


def test_texts_of_the_table_of_scenarios() -> None:
    """The expected texts: a counter up to 640, the ROM's line only where it runs."""
    assert COUNTER.count("\r") == 10 and COUNTER.endswith("\r00640K OK")
    assert ROM_TEXT in GOOD_TEXT and ROM_TEXT not in NO_ROM_TEXT and GOOD_TEXT.startswith(HEAD_TEXT)
