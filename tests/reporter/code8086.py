"""The 8086's instructions, and how long they take: what a program may consist of, and an estimate of its time.

Times: Intel 8086 Family User's Manual, table 2-21 (clocks; effective addresses table 2-20). On the 8088 each byte takes
a bus cycle of 4 clocks, instruction bytes too, which are fetched while others are worked on: so a stretch of code takes
at least the clocks of its instructions, with 4 more for each word moved, and at least 4 clocks for each byte that goes
over the bus. Real boards add wait states and refresh; see firmware-notes/reporter.md.
"""

from __future__ import annotations

from collections.abc import Iterable

import capstone
from capstone import CS_ARCH_X86, CS_MODE_16, x86

MNEMONICS = set(
    """
    aaa aad aam aas adc add and call cbw clc cld cli cmc cmp cmpsb cmpsw cwd daa das dec div hlt idiv imul in inc int
    int3 into iret ja jae jb jbe jcxz je jg jge jl jle jmp jne jno jnp jns jo jp js lahf lcall lds lea les ljmp lodsb
    lodsw loop loope loopne mov movsb movsw mul neg nop not or out pop popf push pushf rcl rcr ret retf rol ror sahf
    sal sar sbb scasb scasw shl shr stc std sti stosb stosw sub test wait xchg xlatb xor
    """.split()  # noqa: SIM905
)
"""After table 2-21 of the manual, by capstone's names."""
ENDS = {"ret", "retf", "iret", "jmp", "ljmp"}
_CS = capstone.Cs(CS_ARCH_X86, CS_MODE_16)
_CS.detail = True


def fault(ins: capstone.CsInsn) -> str | None:
    """Say why an instruction is none of the 8086's: its name, a 386 register, prefix or form."""
    name = ins.mnemonic.split()[-1]
    if name not in MNEMONICS:
        return f"{name} is no instruction of the 8086"
    if ins.bytes[0] in (0x64, 0x65, 0x66, 0x67, 0x0F, 0x60, 0x61, 0x68, 0x69, 0x6A, 0x6B, 0xC0, 0xC1, 0xC8, 0xC9):
        return f"opcode {ins.bytes[0]:02X}h came later"
    if any(op.type == x86.X86_OP_REG and ins.reg_name(op.reg) in ("fs", "gs") for op in ins.operands):
        return "a segment register of the 386"
    if any(op.size == 4 and op.type != x86.X86_OP_MEM for op in ins.operands if name not in ("lcall", "ljmp")):
        return "an operand of 32 bits"
    return None


def trace(code: bytes, origin: int, roots: Iterable[int]) -> dict[int, capstone.CsInsn]:
    """Return {address: instruction} of all that can be reached from `roots` by jumps and calls."""
    out: dict[int, capstone.CsInsn] = {}
    todo = list(roots)
    while todo:
        at = todo.pop()
        while at not in out:
            ins = next(_CS.disasm(code[at - origin : at - origin + 15], at, 1), None)
            assert ins is not None, f"no instruction at {at:04X}"
            out[at] = ins
            name = ins.mnemonic
            if name.startswith(("j", "loop", "call")) and ins.operands[0].type == x86.X86_OP_IMM:
                todo.append(ins.operands[0].imm & 0xFFFF)
            if name in ENDS or ins.bytes == b"\xcd\x20":  # INT 20h: DOS ends the program
                break
            at += ins.size
    return out


_CLOCKS = {
    "clc": 2, "cld": 2, "cli": 2, "stc": 2, "sti": 2, "nop": 3, "pushf": 14, "popf": 12, "retf": 34, "ret": 20,
    "jcxz": 18, "loop": 17, "int": 71, "div": 162, "jmp": 15, "call": 23, "hlt": 2,
}  # fmt: skip
_STRING = {"movsb": 18, "cmpsb": 22, "scasb": 15, "lodsb": 12, "lodsw": 16, "stosb": 11, "stosw": 15}
_REPEATED = {"movsb": 17, "cmpsb": 22, "scasb": 15, "stosb": 10}
_ARITHMETIC = {"r": 3, "m": 16, "rr": 3, "ri": 4, "rm": 9, "mr": 16, "mi": 17}
_COMPARE = {"rr": 3, "ri": 4, "rm": 9, "mr": 9, "mi": 10}
_BY_OPERANDS = {
    "mov": {"rr": 2, "ri": 4, "rm": 8, "mr": 9, "mi": 10},
    "cmp": _COMPARE,
    "test": _COMPARE,
    "inc": {"r": 3, "m": 15},
    "dec": {"r": 3, "m": 15},
    "lea": {"rm": 2},
    "push": {"r": 15},
    "pop": {"r": 12},
    "in": {"rr": 8, "ri": 10},
    "out": {"rr": 8, "ir": 10},
    "shl": {"ri": 2, "rr": 8 + 4 * 12},
    "shr": {"ri": 2, "rr": 8 + 4 * 12},
}
"""By register, memory, immediate; an effective address comes on top. A shift by CL as if by 12, the most here."""


def clocks(ins: capstone.CsInsn) -> int:
    """Return the clocks of one execution on an 8088, code fetched already; a conditional jump as if taken."""
    words = ins.mnemonic.split()
    name = words[-1]
    if name in _STRING:
        return (_REPEATED if len(words) > 1 else _STRING)[name] + 2 * (ins.prefix[1] != 0)
    if name.startswith("j") and name not in _CLOCKS:
        return 16
    memory = [op for op in ins.operands if op.type == x86.X86_OP_MEM]
    extra = sum(_address(op) + 2 * (op.mem.segment != 0) for op in memory)
    if name != "lea":
        extra += sum(4 * (op.size == 2) for op in memory) * (1 + _rewrites(ins))
    if name in _CLOCKS:
        return _CLOCKS[name] + extra
    kinds = "".join(_KINDS[op.type] for op in ins.operands)
    return _BY_OPERANDS.get(name, _ARITHMETIC)[kinds] + extra


_KINDS = {x86.X86_OP_MEM: "m", x86.X86_OP_IMM: "i", x86.X86_OP_REG: "r"}


def _address(op: capstone.x86.X86Op) -> int:
    """Clocks of an effective address: 6 displacement, 5 base, 9 both, 7 to 12 with an index."""
    parts, far = (op.mem.base != 0) + (op.mem.index != 0), op.mem.disp != 0
    return {(0, True): 6, (0, False): 6, (1, False): 5, (1, True): 9, (2, False): 8, (2, True): 12}[parts, far]


def bus_bytes(ins: capstone.CsInsn, first: bool = True) -> int:
    """Return the bytes that one execution moves over the bus; of a repeated one, the code only with the `first`."""
    words = ins.mnemonic.split()
    name = words[-1]
    moved = {"movsb": 2, "cmpsb": 2, "scasb": 1, "lodsb": 1, "stosb": 1, "lodsw": 2, "stosw": 2}.get(name)
    if moved is None:
        moved = sum(op.size for op in ins.operands if op.type == x86.X86_OP_MEM and name != "lea")
        moved *= 1 + _rewrites(ins)
        moved += {"push": 2, "pop": 2, "call": 2, "ret": 2, "pushf": 2, "popf": 2, "in": 1, "out": 1}.get(name, 0)
    return moved + (ins.size if first or len(words) == 1 else 0)


def _rewrites(ins: capstone.CsInsn) -> bool:
    """Memory is read and written."""
    name = ins.mnemonic.split()[-1]
    changes = name in ("inc", "dec", "add", "adc", "sub", "sbb", "or", "xor", "and", "not", "neg")
    return changes and bool(ins.operands[0].type == x86.X86_OP_MEM)
