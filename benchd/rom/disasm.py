"""What the entry of an option ROM does: its jump followed, and a few instructions read by capstone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from pydantic import Field, PlainSerializer

from benchd.rom.forms import Count, RomForm

ENTRY = 3
"""Offset of the initialisation entry, reached by a far call (Plug and Play BIOS Specification 1.0A, 3.1)."""

POINTERS = 0x18
"""First of the two header pointers (18h PCI data structure, 1Ah expansion header)."""

TARGET_MASK = 0xFFFF
"""IP is 16 bits wide: a near jump wraps inside its segment."""

_MAX_INSTRUCTION = 15
_ENDS = frozenset({"ret", "retf", "iret", "hlt", "jmp", "ljmp"})
"""What stands behind these is not reached by running on."""


@dataclass(frozen=True, slots=True)
class Instruction(RomForm):
    """One decoded instruction: offset from the image start, raw bytes (in JSON upper-case hex), text."""

    offset: Count
    raw: Annotated[bytes, PlainSerializer(lambda raw: raw.hex().upper(), return_type=str), Field(alias="bytes")]
    text: str


@dataclass(frozen=True, slots=True)
class EntryCode:
    """What stands at offset 3.

    `target` is the image offset that a near jump leads to (None for anything else), `far` the
    (segment, offset) of a far jump, `listing` the entry instruction and those that follow it,
    `through` whether code starting at offset 3 runs on over the header pointers at 18h-1Bh.
    """

    target: int | None
    far: tuple[int, int] | None
    listing: tuple[Instruction, ...]
    through: bool


def _decode(image: bytes, at: int, count: int) -> list[tuple[Instruction, str, list[int]]]:
    import capstone  # here: loading it takes longer than most commands

    engine = capstone.Cs(capstone.CS_ARCH_X86, capstone.CS_MODE_16)
    engine.detail = True
    out = []
    for ins in engine.disasm(bytes(image[at : at + count * _MAX_INSTRUCTION]), at, count):
        numbers = [op.imm for op in ins.operands if op.type == capstone.x86.X86_OP_IMM]
        text = f"{ins.mnemonic} {ins.op_str}".strip()
        if ins.mnemonic in ("jmp", "call") and numbers:
            text = f"{ins.mnemonic} {numbers[0] & TARGET_MASK:#x}"
        out.append((Instruction(ins.address, bytes(ins.bytes), text), ins.mnemonic, numbers))
        if ins.mnemonic in _ENDS:
            break
    return out


def read_entry(image: bytes, count: int = 6) -> EntryCode:
    """Decode the entry of `image` (header at offset 0), at most `count` instructions after a jump, up to a return."""
    first = _decode(image, ENTRY, count)
    if not first:
        return EntryCode(None, None, (), False)
    head, name, numbers = first[0]
    if name == "jmp" and numbers:
        target = numbers[0] & TARGET_MASK
        rest = _decode(image, target, count) if target < len(image) else []
        return EntryCode(target, None, (head, *(ins for ins, _, _ in rest)), False)
    if name == "ljmp" and len(numbers) == 2:
        return EntryCode(None, (numbers[0] & 0xFFFF, numbers[1] & 0xFFFF), (head,), False)
    return EntryCode(None, None, tuple(ins for ins, _, _ in first), _runs_through(image))


def _runs_through(image: bytes) -> bool:
    """True if straight-line code from offset 3 covers the pointers, so that they are code, not pointers."""
    for ins, name, _ in _decode(image, ENTRY, POINTERS):
        if ins.offset + len(ins.raw) > POINTERS:
            return True
        if name in _ENDS:
            return False
    return False
