"""The shipped image: built from its sources byte for byte, sealed for the boot ROM, the same in both files."""

from __future__ import annotations

import hashlib
import re
import struct
import subprocess
import sys
from pathlib import Path

import pytest
from card.rig import GLITCH_NS, HIGH_NS, IMAGE, NOTES, PINS, QUEUE, SETS, SHORTEST_CYCLE_NS, SHORTEST_NS
from crccheck.crc import Crc32Mpeg2

README = (NOTES / "README.md").read_text()


def stated() -> tuple[str, str]:
    """The compiler and the hash of card.bin that README.md states."""
    (row,) = re.findall(r"^\| `([\d. ]+)` \| `([0-9a-f]{64})` \|$", README, re.MULTILINE)
    return row  # type: ignore[no-any-return]


def test_the_shipped_image_is_the_stated_one() -> None:
    """README.md states the hash of card.bin."""
    assert hashlib.sha256(IMAGE.read_bytes()).hexdigest() == stated()[1]


@pytest.mark.peer("arm-gcc")
def test_rebuilt_byte_for_byte(tmp_path: Path) -> None:
    """build.py with the stated compiler makes the shipped files; another compiler may make others."""
    said = subprocess.run(["arm-none-eabi-gcc", "--version"], check=True, capture_output=True, text=True).stdout
    if stated()[0] not in said.splitlines()[0]:
        pytest.skip(f"the stated hash is of arm-none-eabi-gcc {stated()[0]}, here is {said.splitlines()[0]}")
    subprocess.run([sys.executable, str(Path(__file__).with_name("build.py")), "--out", str(tmp_path)], check=True)
    for name in ("card.bin", "card.uf2"):
        assert (tmp_path / name).read_bytes() == (NOTES / name).read_bytes(), name


def test_sealed_for_the_boot_rom() -> None:
    """The first 256 bytes end in their CRC-32, as crccheck counts it (CRC-32/MPEG-2; RP2040 datasheet 2.8.1.3.1)."""
    image = IMAGE.read_bytes()
    assert int.from_bytes(image[252:256], "little") == Crc32Mpeg2.calc(image[:252])
    stack, start = struct.unpack_from("<2I", image, PINS["image"]["vectors"] - PINS["image"]["load"])
    assert 0x20000000 < stack <= 0x20042000
    assert start & 1 and PINS["image"]["vectors"] < start < PINS["image"]["load"] + len(image)


def test_uf2_holds_the_image() -> None:
    """Every block of card.uf2 is whole by the UF2 specification and for this chip; together they are card.bin."""
    data = (NOTES / "card.uf2").read_bytes()
    assert len(data) % 512 == 0
    flash = b""
    for number in range(len(data) // 512):
        block = data[number * 512 : number * 512 + 512]
        magic0, magic1, flags, address, size, told, count, family = struct.unpack_from("<8I", block)
        assert (magic0, magic1, block[508:]) == (0x0A324655, 0x9E5D5157, b"\x30\x6f\xb1\x0a")
        assert (flags, family) == (0x2000, 0xE48BFF56)
        assert (address, size, told, count) == (PINS["image"]["load"] + len(flash), 256, number, len(data) // 512)
        flash += block[32 : 32 + size]
    assert flash == IMAGE.read_bytes().ljust(len(flash), b"\0")


def test_firmware_header_is_the_pin_table() -> None:
    """firmware/pins.h and pins.toml name the same pins; data and address lines stand side by side."""
    header = (NOTES / "firmware/pins.h").read_text()
    defined = {name.lower().replace("_", ""): int(n) for name, n in re.findall(r"#define PIN_(\w+) (\d+)", header)}
    pins = PINS["pins"]
    lines = {f"{bus}{n}" for bus, count in (("d", 8), ("a", 10)) for n in range(count)}
    assert {name: pins[name] for name in ("d0", "a0")} == {name: defined[name] for name in ("d0", "a0")}
    assert all(pins[line] == pins[line[0] + "0"] + int(line[1:]) for line in lines)
    others = {name.replace("_", ""): pin for name, pin in pins.items() if name not in lines}
    assert others == {name: pin for name, pin in defined.items() if name not in lines}
    assert len(set(pins.values())) == len(pins)


def test_the_page_promises_what_is_tested() -> None:
    """The figures and the jumpers' table of README.md are those that the tests hold the firmware to."""
    strobe = f"from {SHORTEST_NS} ns on, with {HIGH_NS} ns of high"
    cycle = f"{SHORTEST_CYCLE_NS} ns: three clocks"
    for words in (f"up to {GLITCH_NS} ns", strobe, cycle, f"{QUEUE:,} writes"):
        assert f"| {words}" in README
    rows = re.findall(r"^\| (open|fitted) \| (open|fitted) \| `([0-9 ]+)` \|$", README, re.MULTILINE)
    told = {
        (one == "fitted") + 2 * (two == "fitted"): tuple(int(p, 16) for p in ports.split()) for one, two, ports in rows
    }
    assert told == dict(enumerate(SETS))


def test_the_last_set_is_every_known_port() -> None:
    """Both jumpers: each port below 400h for which post-codes.md has a source that POST codes are written there."""
    page = (NOTES.parent / "post-codes.md").read_text()
    table = page.split("## Ports")[1].split("##")[0]
    known = set()
    for ports, use in re.findall(r"^\| ([0-9A-Fh, ]+) \| ([^|]*) \|", table, re.MULTILINE):
        if "no source found" not in use:
            known |= {int(port, 16) for port in re.findall(r"([0-9A-F]{4})h", ports)}
    debug_text = {0xE9}
    assert tuple(sorted(port for port in known - debug_text if port < 0x400)) == SETS[3]
