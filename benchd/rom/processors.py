"""Which processor an instruction needs, by its bytes: 8088, 186, 286, 386, 486, or something newer.

What each level added: Intel, "iAPX 86/88, 186/188 User's Manual" (210911) for 8086 and 80186, "iAPX 286 Programmer's
Reference Manual" (210498), "80386 Programmer's Reference Manual" (230985), "i486 Microprocessor Programmer's Reference
Manual" (240486), each from memory and held against nasm, which has its own table (`cpu 8086` and so on). CPUID is
counted to the processors after the 486, as there: only late 486s have it. A V20 or V30 runs what a 186 runs.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from pydantic import Field, PlainSerializer

from benchd.rom.forms import Count, RomForm

LEVELS = ("8088", "186", "286", "386", "486", "newer")
"""In rising order; an 8086 runs what an 8088 runs."""
COPROCESSORS = ("8087", "287", "387", "newer")
PREFIXES = frozenset(b"\x26\x2e\x36\x3e\x64\x65\x66\x67\xf0\xf2\xf3")
PREFIXES_386 = frozenset(b"\x64\x65\x66\x67")
"""FS and GS, and the other operand and address size."""

ONE_BYTE: dict[int, str] = {
    **dict.fromkeys((0x60, 0x61, 0x62, 0x68, 0x69, 0x6A, 0x6B, *range(0x6C, 0x70), 0xC0, 0xC1, 0xC8, 0xC9), "186"),
    0x63: "286",
    0xF1: "386",
}
"""PUSHA, POPA, BOUND, PUSH and IMUL with a constant, INS, OUTS, shifts by a constant, ENTER, LEAVE; ARPL; INT1."""
TWO_BYTE: dict[int, str] = {
    **dict.fromkeys((0x00, 0x02, 0x03, 0x05, 0x06), "286"),
    **dict.fromkeys((0x07, *range(0x20, 0x25), 0x26, *range(0x80, 0xA2), *range(0xA3, 0xA6)), "386"),
    **dict.fromkeys((*range(0xA8, 0xAE), 0xAF, *range(0xB2, 0xB8), *range(0xBA, 0xC0)), "386"),
    **dict.fromkeys((0x08, 0x09, 0xA6, 0xA7, 0xB0, 0xB1, 0xC0, 0xC1, *range(0xC8, 0xD0)), "486"),
    0xAA: "newer",
    0x0B: "386",
}
"""After 0F; what does not stand here came after the 486. 0F B0 is CMPXCHG of all but the first 486s."""
BIT_TESTS = 0xBA
SYSTEM = 0x01


@dataclass(frozen=True, slots=True)
class Need:
    """The processor level of an instruction, and the coprocessor's where it is one of those."""

    level: str = "8088"
    coprocessor: str | None = None


def higher(one: str, other: str) -> str:
    """Return the higher of two levels."""
    return max(one, other, key=LEVELS.index)


def opcode_at(raw: bytes) -> int:
    """Return where the opcode stands behind the prefixes."""
    at = 0
    while at < len(raw) - 1 and raw[at] in PREFIXES:
        at += 1
    return at


def need_of(raw: bytes) -> Need:
    """Return what the whole instruction `raw` (16-bit code) needs."""
    at = opcode_at(raw)
    opcode = raw[at]
    level = "386" if PREFIXES_386 & set(raw[:at]) else "8088"
    modrm = raw[at + 1] if at + 1 < len(raw) else 0
    if 0xD8 <= opcode <= 0xDF:
        return Need(level, _coprocessor(opcode, modrm))
    if opcode == 0x0F:
        return Need(higher(level, _two_byte(modrm, raw[at + 2] if at + 2 < len(raw) else 0)))
    if opcode in (0x8C, 0x8E) and modrm >> 3 & 7 in (4, 5):  # FS and GS
        return Need("386")
    if opcode in (0xC4, 0xC5, 0x62) and modrm >= 0xC0:  # no address to load: vector instructions begin so
        return Need("newer")
    return Need(higher(level, ONE_BYTE.get(opcode, "8088")))


def _two_byte(second: int, modrm: int) -> str:
    digit = modrm >> 3 & 7
    if second == SYSTEM:  # SGDT, SIDT, LGDT, LIDT, SMSW, LMSW; INVLPG
        if modrm >= 0xC0 and digit not in (4, 6):
            return "newer"
        return "486" if digit == 7 else "286"
    if second == BIT_TESTS and digit < 4:
        return "newer"
    return TWO_BYTE.get(second, "newer")


def _coprocessor(opcode: int, modrm: int) -> str:
    """Return the first of 8087, 287 and 387 that knows an instruction of D8 to DF."""
    pair = opcode << 8 | modrm
    if pair in (0xDBE4, 0xDFE0):  # FSETPM, FSTSW AX
        return "287"
    if pair in (0xD9F5, 0xD9FB, 0xD9FE, 0xD9FF, 0xDAE9) or 0xDDE0 <= pair <= 0xDDEF:
        return "387"  # FPREM1, FSINCOS, FSIN, FCOS, FUCOM
    if modrm < 0xC0:
        return "newer" if opcode in (0xDB, 0xDD, 0xDF) and modrm >> 3 & 7 == 1 else "8087"
    moves = opcode in (0xDA, 0xDB) and modrm <= 0xDF
    compares = opcode in (0xDB, 0xDF) and 0xE8 <= modrm <= 0xF7
    return "newer" if moves or compares else "8087"


Raw = Annotated[bytes, PlainSerializer(lambda raw: raw.hex().upper(), return_type=str), Field(alias="bytes")]


@dataclass(frozen=True, slots=True)
class Needing(RomForm):
    """An instruction that needs more than an 8088, or a coprocessor (`needs`); `text` as the disassembler writes it."""

    offset: Count
    raw: Raw
    text: str
    needs: str


@dataclass(frozen=True, slots=True)
class ProcessorNeeds(RomForm):
    """Which processor an image needs, by the code that is reached from its entries.

    `needs` is the highest level of that; `perhaps` are finds in bytes that nothing was seen to lead to. `computed` are
    jumps and calls whose targets are not known; `broken` offsets that code leads to and where no instruction stands.
    """

    needs: str
    coprocessor: str | None
    entries: tuple[Count, ...]
    reached_bytes: Count
    code_bytes: Annotated[int, Field(ge=0, description="bytes of the image without padding")]
    instructions: tuple[Needing, ...]
    for_coprocessor: tuple[Needing, ...]
    perhaps: tuple[Needing, ...]
    computed: tuple[Needing, ...]
    broken: tuple[Count, ...]

    def beyond(self, level: str) -> tuple[Needing, ...]:
        """Reached instructions that a processor of `level` does not have."""
        return tuple(one for one in self.instructions if LEVELS.index(one.needs) > LEVELS.index(level))
