"""The SeaBIOS table against SeaBIOS itself, as Debian packages it: firmware nobody here wrote."""

from __future__ import annotations

from pathlib import Path

import pytest
from peers.firmware import build_rom
from peers.qemu import EmulatedPc
from peers.relay import PortReader
from support.story import Story, findings

from benchd.rules import Matcher
from benchd.rules.files import load_table, read_table_text, shipped_tables

pytestmark = pytest.mark.peer("qemu", "nasm")

BOOT_SECTOR = bytes.fromhex("fa f4 eb fc").ljust(510, b"\0") + b"\x55\xaa"
"""cli; hlt; jmp back. 55 AA at offset 510 is what a BIOS asks of a boot sector (common practice)."""


def fired(text: bytes) -> tuple[set[str], set[str]]:
    """Return the names of stages, and of stall points and faults, that the lines of `text` fire."""
    table = load_table("seabios-debug", Path("/"))
    matcher = Matcher(table)
    stages, others = set(), set()
    for line in text.decode("cp437").replace("\r", "\n").split("\n"):
        for hit in matcher.text(line):
            if hit.role == "stage":
                stages.add(table.stage[hit.index].name)
            elif hit.role in ("stall", "fault"):
                others.add((table.stall if hit.role == "stall" else table.fault)[hit.index].name)
    return stages, others


def debug_text(pc: EmulatedPc, until: bytes) -> bytes:
    """Return what the debug port says, to `until` and the silence after it; the console is read along."""
    debug, console = PortReader(pc.post_port), PortReader(pc.console_port)
    try:
        pc.go()
        return debug.collect(until=until) + debug.collect(quiet_s=0.3)
    finally:
        debug.close()
        console.close()


def test_a_boot_from_disk_climbs_the_whole_ladder(tmp_path: Path) -> None:
    """With an option ROM and a boot sector every stage is entered, in order, the final one too."""
    disk = tmp_path / "disk.img"
    disk.write_bytes(BOOT_SECTOR.ljust(1 << 20, b"\0"))
    extra = ["-drive", f"file={disk},format=raw,if=ide"]
    with EmulatedPc.seabios([build_rom()], extra=extra) as pc:
        text = debug_text(pc, b"Booting from 0000:7c00")
    stages, others = fired(text)
    assert stages >= {"banner", "video-rom", "option-roms", "rom-runs", "boot-try", "hand-over"}
    assert others <= {"option-rom-never-returns", "boot-sector-hangs"}  # what silence would mean; not faults
    lines = text.decode("cp437").splitlines()
    told = [(round * 60 + i / 10, f"> {line}") for round in range(3) for i, line in enumerate(lines)]
    story = Story(read_table_text(shipped_tables()["seabios-debug"])).tell(*told, until=200)
    assert story.outcomes == ["finished"] * 3  # the banner comes twice a boot, and is no restart
    for boot in story.boots:
        assert findings(boot) == []
        assert {stage.name for stage in boot.stages} == stages


def test_no_disk_is_the_known_dead_end() -> None:
    """Without a boot sector the final stage is not entered, and the stall point's text is there."""
    with EmulatedPc.seabios() as pc:
        stages, others = fired(debug_text(pc, b"No bootable device."))
    assert "hand-over" not in stages and "banner" in stages
    assert "no-boot-device" in others


def test_a_bad_sum_is_told() -> None:
    """An option ROM whose bytes do not add up is refused by SeaBIOS, and the table says so."""
    image = bytearray(build_rom())
    image[-1] ^= 0x01
    with EmulatedPc.seabios([bytes(image)]) as pc:
        _, others = fired(debug_text(pc, b"No bootable device."))
    assert "bad-rom-checksum" in others
