"""Which processor an instruction needs: held against nasm, which refuses what its `cpu` directive does not have."""

from __future__ import annotations

import itertools
import re
import subprocess
from pathlib import Path
from struct import unpack

import pytest

from benchd.rom.processors import LEVELS, need_of, opcode_at

NASM = {"8088": "8086", "186": "186", "286": "286", "386": "386", "486": "486"}
SOURCE = """
aaa | aad | aam | aas | adc al,5 | add [bx],ax | and dx,[si+4] | call 0x10 | call 0x1234:0x10 | call word [bx] | cbw
clc | cmp word [1234h],5 | cmpsb | cmpsw | cwd | daa | das | dec bx | div cl | hlt | idiv word [di] | imul bl | in al,dx
in ax,40h | inc byte [bx] | int 10h | int3 | into | iret | jmp 0x10 | jmp short $ | jmp 0x1234:0x10 | jmp word [bx]
jcxz $ | jz $ | loop $ | loopne $ | lahf | lds si,[bx] | lea ax,[bx+si+3] | les di,[bx] | lodsb | lodsw | mov ax,1234h
mov es,ax | mov ax,ds | mov [1234h],al | mov byte [es:bx],7 | movsb | movsw | mul cx | neg ax | not bl | out dx,ax
pop ds | pop word [bx] | popf | push cs | push ax | push word [bx] | pushf | rcl ax,1 | rcr bx,cl | ret | ret 4 | retf
rep movsw | repne scasb | rol ax,1 | sahf | sar ax,cl | sbb ax,bx | shl word [bx],1 | stosw | sti | test al,3 | wait
xchg ax,bx | xlatb | xor ax,ax | lock inc word [bx] | nop
pusha | popa | push 1234h | push byte 5 | imul ax,bx,5 | imul cx,[bx],1234h | insb | insw | outsb | outsw | rep insw
shl ax,4 | rol byte [bx],3 | sar dx,15 | rcr word [bx],2 | enter 4,0 | leave | bound ax,[bx] | rep outsb
arpl ax,bx | clts | lar ax,bx | lgdt [bx] | lidt [bx] | lldt ax | lmsw ax | lsl ax,bx | ltr ax | sgdt [bx] | sidt [bx]
sldt ax | smsw ax | str ax | verr ax | verw [bx] | rep insb
add eax,5 | mov eax,[bx] | pushad | push dword 5
push fs | pop gs | lss sp,[bx] | lfs ax,[bx] | lgs ax,[bx] | movzx ax,bl | movsx ax,byte [bx]
jz near 0x1234 | jnc near 0x10 | setz al | setg [bx] | bt ax,bx | bts ax,5 | btr [bx],ax | btc ax,1 | bsf ax,bx
bsr ax,[bx] | shld ax,bx,4 | shrd ax,bx,cl | imul ax,bx | imul eax,ebx,5 | mov eax,cr0 | mov cr3,eax | mov eax,dr7
mov dr7,eax | cwde | movsd | lodsd | stosd | iretd | jecxz $ | insd | shl eax,3 | rep movsd | cdq
bswap eax | xadd ax,bx | xadd [bx],al | invd | wbinvd | invlpg [bx]
cpuid | rdtsc | rdmsr | wrmsr | cmpxchg8b [bx] | cmovz ax,bx | rdpmc | sysenter | fxsave [bx]
movaps xmm0,xmm1 | prefetchnta [bx] | emms | popcnt ax,bx | paddb mm0,mm1
"""
UNCHECKED = ("mov ax,[eax+4]", "a32 lodsb", "o32 pushf", "mov fs,ax", "mov ax,gs", "mov ax,[fs:bx]", "gs lodsb")
"""Of the 386 by its manual; nasm's directive looks at the instruction, not at prefixes and segment registers."""
UNLIKE_NASM = {"cmpxchg ax,bx": "486", "cmpxchg [bx],al": "486"}
"""The i486 manual has CMPXCHG; nasm counts it to its successor, because the first 486s had it at another opcode."""
FPU = """
fld dword [bx] | fadd st1 | fninit | fnstsw [bx] | fnstcw [bx] | fpatan | fprem | fldpi | fbld [bx] | ffree st1 = 8087
fnstsw ax | fsetpm = 287
fprem1 | fsin | fcos | fsincos | fucom st1 | fucomp st1 | fucompp = 387
fcmove st0,st1 | fcomi st0,st1 | fucomip st0,st1 | fisttp word [bx] = newer
"""
FPU_NASM = {"8087": "8086", "287": "286", "387": "386", "newer": "686"}
INSTRUCTIONS = [one.strip() for line in SOURCE.strip().splitlines() for one in line.split("|")]


def assembled(folder: Path, instructions: list[str]) -> list[bytes]:
    """The bytes of each instruction, as nasm writes them; a table of where each begins stands behind them."""
    lines = ["bits 16", "cpu any", *(f"i{n}: {text}" for n, text in enumerate(instructions)), "end:"]
    lines += [f"dw i{n}" for n in range(len(instructions))] + ["dw end"]
    (folder / "all.asm").write_text("\n".join(lines))
    subprocess.run(["nasm", "-f", "bin", "-o", "all.bin", "all.asm"], cwd=folder, check=True)
    data = (folder / "all.bin").read_bytes()
    places = unpack(f"<{len(instructions) + 1}H", data[-2 * len(instructions) - 2 :])
    return [data[here:there] for here, there in itertools.pairwise(places)]


def refused(folder: Path, instructions: list[str], cpu: str) -> set[int]:
    """Numbers of the instructions that nasm refuses at a level."""
    # Into a file of its own: nasm takes away what it could not finish, were it a device.
    (folder / "one.asm").write_text("\n".join([f"cpu {cpu}", "bits 16", *instructions]))
    done = subprocess.run(
        ["nasm", "-f", "bin", "-o", "one.bin", "one.asm"], cwd=folder, capture_output=True, text=True, check=False
    )
    found = re.findall(r"one\.asm:(\d+): error: no instruction for this cpu level", done.stderr)
    assert len(found) == done.stderr.count("error:"), done.stderr
    return {int(line) - 3 for line in found}


@pytest.mark.peer("nasm")
def test_nasm_refuses_exactly_what_we_say(tmp_path: Path) -> None:
    """Each instruction is taken by nasm at the level that we name and refused at the one below it."""
    said = [need_of(raw).level for raw in assembled(tmp_path, INSTRUCTIONS)]
    assert {level: said.count(level) >= 6 for level in LEVELS} == dict.fromkeys(LEVELS, True)
    for level, cpu in NASM.items():
        ours = {n for n, needs in enumerate(said) if LEVELS.index(needs) > LEVELS.index(level)}
        theirs = refused(tmp_path, INSTRUCTIONS, cpu)
        assert {INSTRUCTIONS[n] for n in ours ^ theirs} == set(), f"at {level}"
    assert {need_of(raw).level for raw in assembled(tmp_path, list(UNCHECKED))} == {"386"}
    unlike = list(UNLIKE_NASM)
    assert [need_of(raw).level for raw in assembled(tmp_path, unlike)] == [*UNLIKE_NASM.values()]
    assert refused(tmp_path, unlike, "486") == set(range(len(unlike)))


@pytest.mark.peer("nasm")
def test_coprocessor_instructions_are_told_apart(tmp_path: Path) -> None:
    """What an 8087, a 287, a 387 and later ones brought, by nasm's table; none needs more of the processor."""
    for line in FPU.strip().splitlines():
        names, _, level = line.rpartition(" = ")
        instructions = [one.strip() for one in names.split("|")]
        found = [need_of(raw) for raw in assembled(tmp_path, instructions)]
        assert {need.level for need in found} == {"8088"}
        assert [need.coprocessor for need in found] == [level] * len(found)
        assert not refused(tmp_path, [one for one in instructions if "fisttp" not in one], FPU_NASM[level])
        below = {"287": "8086", "387": "286", "newer": "386"}.get(level)
        if below is not None:
            assert refused(tmp_path, instructions, below) == set(range(len(instructions)))


def test_prefixes_and_undefined_bytes() -> None:
    """A prefix of the 386 raises what stands behind it, as far as it must; no bytes raise an error."""
    assert need_of(bytes.fromhex("66 50")).level == "386"
    assert need_of(bytes.fromhex("66 0f c8")).level == "486"
    assert need_of(bytes.fromhex("2e f3 a4")).level == "8088"
    assert need_of(bytes.fromhex("67 d9 ff")) == type(need_of(b"\x90"))("386", "387")
    assert need_of(bytes.fromhex("c5 f8 28 c1")).level == "newer"  # LDS of a register is none: AVX begins so
    for first in range(256):
        for second in range(256):
            assert need_of(bytes((first, second))).level in LEVELS
    assert opcode_at(b"\x66\x66\x66") == 2
