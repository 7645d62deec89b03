"""Code told from data: what is reached from an image's entries, what only may be code, what cannot be followed."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from rom.test_cli_rom_commands import Bench
from rom.test_rom_debian_images import ROMS, report_of

from benchd.errors import UsageError
from benchd.reporter.build import build
from benchd.reporter.options import Options
from benchd.rom.image import read_image
from benchd.rom.processors import ProcessorNeeds
from benchd.rom.reach import processor_needs

HEADER = "bits 16\norg 0\ndb 0x55, 0xAA, {blocks}\njmp near start\ntimes 0x1A - ($ - $$) db 0\ndw {pnp}\n"
PNP = """
pnp: db "$PnP", 1, 2
     dw 0
     db 0, 0
     dd 0
     dw 0, 0
     db 2, 0, 0, 0
     dw connect, 0, boot
     dw 0, 0
"""


def needs_of(folder: Path, body: str, *, pnp: bool = False, blocks: int = 1) -> ProcessorNeeds:
    """What an image needs whose code nasm assembles from `body`, with a label `start`."""
    source = HEADER.format(blocks=blocks, pnp="pnp" if pnp else 0) + (PNP if pnp else "") + body
    (folder / "a.asm").write_text(f"{source}\ntimes {blocks * 512} - ($ - $$) db 0xFF\n")
    subprocess.run(["nasm", "-f", "bin", "-o", "a.bin", "a.asm"], cwd=folder, check=True)
    data = (folder / "a.bin").read_bytes()
    found = processor_needs(data, read_image(data, 0))
    assert found is not None
    return found


pytestmark = pytest.mark.peer("nasm")


def test_data_between_code_is_no_code(tmp_path: Path) -> None:
    """A table that decodes as 386 code is only perhaps that; what is jumped over and called is reached."""
    body = """
    start: call work
           jmp short over
           db 0x66, 0x50, 0x60, 0x6A, 0x05
    over:  retf
    work:  push bx
           shl bx, 4
           pop bx
           ret
    """
    found = needs_of(tmp_path, body)
    assert (found.needs, [one.text for one in found.instructions]) == ("186", ["shl bx, 4"])
    assert [one.text for one in found.perhaps] == ["push eax", "pushaw", "push 5"]
    assert found.computed == () and found.broken == () and found.coprocessor is None


def test_entries_of_the_pnp_header_and_vectors_are_followed(tmp_path: Path) -> None:
    """Boot connection, bootstrap entry, and a handler that the code puts into an interrupt vector."""
    body = """
    start:   xor ax, ax
             mov ds, ax
             mov word [0x19 * 4], handler
             mov [0x19 * 4 + 2], cs
             mov word [0x1B * 4], other      ; its segment is not written: no vector
             retf
    connect: pusha
             popa
             retf
    boot:    clts
             retf
    handler: push fs
             pop fs
             iret
    other:   bswap eax
             iret
    """
    found = needs_of(tmp_path, body, pnp=True)
    assert [(one.text, one.needs) for one in found.instructions] == [
        ("pushaw", "186"), ("popaw", "186"), ("clts", "286"), ("push fs", "386"), ("pop fs", "386"),
    ]  # fmt: skip
    assert ("bswap eax", "486") in [(one.text, one.needs) for one in found.perhaps]
    assert len(found.entries) == 4
    assert found.beyond("286") == found.instructions[3:] and found.beyond("386") == ()


def test_what_cannot_be_followed_is_told(tmp_path: Path) -> None:
    """Jumps through a register or memory, a return to a pushed constant, code that runs into no instruction."""
    body = """
    start: call [bx + table]
           mov ax, here
           push ax
           ret
    table: dw here
    here:  test al, 1
           jz bad
           fld dword [bx]
           fsin
           jmp ax
    bad:   db 0x0F, 0x04
    """
    found = needs_of(tmp_path, body)
    assert [one.text.split()[0] for one in found.computed] == ["call", "jmp"]
    assert found.coprocessor == "387" and [one.needs for one in found.for_coprocessor] == ["8087", "387"]
    assert found.needs == "8088" and len(found.broken) == 1


def test_what_stands_behind_a_stop_is_not_reached(tmp_path: Path) -> None:
    """After CLI, HLT and after INT 19h nothing goes on; after HLT alone it does."""
    for stop, level in (("cli\nhlt", "8088"), ("int 0x19", "8088"), ("sti\nhlt", "186"), ("int 0x13", "186")):
        assert needs_of(tmp_path, f"start: {stop}\npusha\nretf\n").needs == level


def test_our_own_reporter_runs_on_an_8088(tmp_path: Path) -> None:
    """All of its code that is reached, and that is most of it; checked by the command as well."""
    data = build(Options("rom"))
    (tmp_path / "r.bin").write_bytes(data)
    found = processor_needs(data, read_image(data, 0))
    assert found is not None and found.needs == "8088" and found.instructions == ()
    assert found.reached_bytes > 3000
    bench = Bench(tmp_path)
    said = bench.run("rom", "inspect", tmp_path / "r.bin", "--cpu", "8088", "--check")
    assert bench.code == 0 and "the code that is reached runs on an 8088" in said, said


DIFFERENT = list({path.read_bytes(): path for path in ROMS if "vmware" not in path.name}.values())
"""The same image lies in several places."""


@pytest.mark.parametrize("path", DIFFERENT, ids=lambda path: path.name)
def test_debian_s_images_need_what_they_were_built_for(path: Path) -> None:
    """SeaBIOS' VGA BIOS and iPXE are compiled for a 386 or later; most begin in plain code and turn to it."""
    report = report_of(path)
    found = processor_needs(path.read_bytes(), report.image_list[0])
    if report.kind != "x86":
        assert found is None
        return
    assert found is not None and found.broken == () and found.reached_bytes > 20
    if "vgabios" in path.name or "linuxboot" in path.name or path.suffix == ".rom":
        assert found.needs in ("386", "486", "newer"), found.needs
        assert any(one.raw[0] in (0x66, 0x67, 0x64, 0x65) for one in found.instructions)


def test_the_command_says_what_an_older_processor_lacks(tmp_path: Path) -> None:
    """A line an instruction, exit 1 with --check only where --cpu lacks something, all of it in JSON."""
    needs_of(tmp_path, "start: nop\npush eax\nretf\n")
    from benchd.rom import edit

    (tmp_path / "b.bin").write_bytes(edit.seal((tmp_path / "a.bin").read_bytes(), 0, None, False).data)
    bench, path = Bench(tmp_path), tmp_path / "b.bin"
    for cpu, code in (("8088", 1), ("286", 1), ("386", 0), ("486", 0)):
        said = bench.run("rom", "inspect", path, "--cpu", cpu, "--check")
        assert bench.code == code, said
        assert ("offset 001D: 66 50 push eax: needs a 386" in said) == bool(code)
    bench.run("rom", "inspect", path, "--check")
    assert bench.code == 0
    with pytest.raises(UsageError, match="give one of 8088, 186, 286, 386, 486"):
        bench.run("rom", "inspect", path, "--cpu", "Z80")
    shown = bench.json("rom", "inspect", path)["processor"]
    assert shown["needs"] == "386"
    assert shown["instructions"] == [{"offset": 0x1D, "bytes": "6650", "text": "push eax", "needs": "386"}]
