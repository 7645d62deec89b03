"""Every x86 option ROM of Debian's seabios, ipxe-qemu and qemu-system-data, held against other readers.

Readers: `romheaders` of Debian's fcode-utils (headers, PCI data structure, entry), numpy (sums). Both were
written elsewhere; the files too.
"""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import numpy as np
import pytest

from benchd.rom.image import Report, inspect

PLACES = {
    "/usr/share/seabios": 10,
    "/usr/lib/ipxe/qemu": 16,
    "/usr/share/qemu": 7,
}
"""Directory: fewest option ROMs that the packages of Debian 12 bring."""


def _candidates() -> list[Path]:
    return [path for place in PLACES for path in sorted(Path(place).glob("*")) if path.is_file()]


def _roms() -> list[Path]:
    return [path for path in _candidates() if path.read_bytes()[:2] == b"\x55\xaa"]


ROMS = _roms()


def test_the_packages_are_there() -> None:
    """Without the packages the other tests here would pass by testing nothing."""
    counts = {place: sum(1 for rom in ROMS if str(rom.parent) == place) for place in PLACES}
    for place, fewest in PLACES.items():
        assert counts[place] >= fewest, f"{place}: {counts[place]} option ROMs; install its Debian package"


def report_of(path: Path) -> Report:
    return inspect(path.read_bytes())


@pytest.mark.parametrize("path", ROMS, ids=lambda path: path.name)
def test_sum_and_length_agree_with_numpy(path: Path) -> None:
    """The 8-bit sum over length * 512 bytes is numpy's; all of these images are good."""
    data = np.fromfile(path, dtype=np.uint8)
    length = int(data[2]) * 512
    shown = report_of(path).to_json()
    assert shown["size"] == data.size
    assert shown["length_bytes"] == length
    assert shown["checksum"] == int(data[:length].sum(dtype=np.uint64) % 256) == 0
    assert shown["checksum_ok"] is True and shown["signature_ok"] is True
    assert shown["problems"] == []


@pytest.mark.peer("romheaders")
@pytest.mark.parametrize("path", ROMS, ids=lambda path: path.name)
def test_headers_agree_with_romheaders(path: Path) -> None:
    """Image count, PCI data structure, last-image mark and entry are those that romheaders prints."""
    said = subprocess.run(["romheaders", path], capture_output=True, check=True).stdout.decode("latin-1")
    report = report_of(path)
    pci = [one for one in re.split(r"Image \d+:", said)[1:] if "'PCIR' (Ok)" in one]
    if not pci:
        assert report.to_json()["pcir"] is None
        return
    assert len(pci) == len(report.image_list) == report.to_json()["images"]
    for text, image in zip(pci, report.image_list, strict=True):
        assert image.pci is not None
        assert image.pci.vendor == _number(text, "Vendor ID")
        assert image.pci.device == _number(text, "Device ID")
        assert image.pci.structure_bytes == _number(text, "PCI Data Structure Length")
        assert image.pci.revision == _number(text, "PCI Data Structure Revision")
        assert image.pci.class_code == _number(text, "Class Code")
        assert image.pci.length_bytes == _number(text, "Image Length") * 512
        assert image.pci.code_revision == _number(text, "Revision Level of Code/Data")
        assert image.pci.code_type == _number(text, "Code Type")
        assert image.pci.last == (_number(text, "Last-Image Flag") == 0x80)
        assert image.pci.offset == _number(text, "Pointer to PCI Data Structure")
        if image.pci.code_type == 0:
            assert image.kind == "x86" and image.entry is not None
            assert image.entry.target == _number(text, "Entry point for INIT function")
            assert image.length_bytes == _number(text, "Initialization Size") * 512
        else:
            assert image.kind == "EFI" and image.entry is None


def _number(text: str, name: str) -> int:
    found = re.search(rf"{re.escape(name)}:\s*(0x[0-9a-fA-F]+)", text)
    assert found is not None, name
    return int(found.group(1), 16)


@pytest.mark.parametrize("name", ["kvmvapic.bin", "sgabios.bin", "linuxboot.bin"])
def test_images_without_pci_structure(name: str) -> None:
    """Code over the pointers, a foreign `$xxx` header and a $PnP header with a bad sum: notes, no problems.

    Checked against the sources: QEMU pc-bios/optionrom/kvmvapic.S starts its code at offset 3 and runs on;
    optionrom.h there leaves the $PnP sum at 00h.
    """
    report = report_of(Path("/usr/share/qemu") / name)
    shown = report.to_json()
    assert shown["pcir"] is None and shown["problems"] == []
    if name == "kvmvapic.bin":
        assert shown["pnp"] is None and any("runs over 18h-1Bh" in note for note in report.notes)
    if name == "sgabios.bin":
        assert shown["pnp"] is None and report.image_list[0].expansions[0].signature == "$PoO"
    if name == "linuxboot.bin":
        pnp = report.image_list[0].pnp
        assert pnp is not None and pnp.offset == 0x1C and pnp.length_bytes == 32 and not pnp.checksum_ok


def test_ipxe_names_itself_in_its_expansion_header() -> None:
    """The $PnP header of iPXE has a good sum and gives its strings (src/arch/x86/prefix/romprefix.S)."""
    pnp = report_of(Path("/usr/lib/ipxe/qemu/pxe-ne2k_pci.rom")).image_list[0].pnp
    assert pnp is not None
    assert pnp.checksum_ok and pnp.manufacturer == "http://ipxe.org" and (pnp.product or "").startswith("iPXE")
    assert pnp.bootstrap_entry  # it boots from the network: a bootstrap entry, no boot connection
    assert pnp.boot_connection == 0
